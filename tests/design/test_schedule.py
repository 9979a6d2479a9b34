"""Schedules: phases apart, on sittings of their own, in the order of the protocol."""

from blindtest.design import Block, Protocol, first_phase, sittings_of


def block(name, phase, sittings=1, method="rating"):
    return Block(id=name, phase=phase, method=method, trials=3, sittings=sittings)


def protocol(*blocks, order="blind-first"):
    return Protocol(name="p", title="P", source="s", decides=(), blocks=blocks, order=order)


SURVIVAL = (
    block("learn", "practice"),
    block("worn", "worn"),
    block("warm", "practice"),
    block("blind", "blind", 2),
    block("which", "blind", 1, "recognition"),
    block("labelled", "labelled", 2),
)


def shape(series):
    return [(one.name, [b.id for b in one.protocol.blocks]) for one in series]


def test_a_protocol_without_names_is_one_sitting():
    whole = protocol(block("practice", "practice"), block("test", "blind"))
    (only,) = sittings_of(whole)
    assert only.protocol == whole
    assert only.name == "blind"
    assert (only.place, only.phase, only.run, only.runs) == (0, "blind", 0, 1)


def test_places_and_runs_are_counted_from_nought():
    series = sittings_of(protocol(*SURVIVAL))
    assert [one.place for one in series] == [0, 1, 2, 3, 4]
    assert [(one.phase, one.run, one.runs) for one in series] == [
        ("worn", 0, 1), ("blind", 0, 2), ("blind", 1, 2), ("labelled", 0, 2), ("labelled", 1, 2),
    ]  # fmt: skip


def test_a_phase_that_is_not_there_is_no_sitting():
    two = protocol(block("blind", "blind"), block("labelled", "labelled"), block("learn", "practice"))
    # Practice with nothing behind it belongs to the blind phase: nothing is named in it.
    assert shape(sittings_of(two)) == [("blind", ["blind", "learn"]), ("labelled", ["labelled"])]
    assert shape(sittings_of(protocol(block("worn", "worn")))) == [("worn", ["worn"])]


def test_unreliable_labels_sit_together_with_what_is_blind_beside_them():
    mixed = protocol(
        block("learn", "practice"), block("unsure", "unreliable", 2), block("which", "blind", 1, "recognition"),
        order="unreliable-labels",
    )  # fmt: skip
    for first in ("blind", "labelled"):
        assert shape(sittings_of(mixed, first=first)) == [
            ("unreliable 1 of 2", ["learn", "unsure", "which"]),
            ("unreliable 2 of 2", ["learn", "unsure"]),
        ]


def test_phases_sit_apart_blind_first():
    assert shape(sittings_of(protocol(*SURVIVAL))) == [
        ("worn", ["learn", "worn"]),
        ("blind 1 of 2", ["warm", "blind", "which"]),
        ("blind 2 of 2", ["warm", "blind"]),
        ("labelled 1 of 2", ["labelled"]),
        ("labelled 2 of 2", ["labelled"]),
    ]


def test_or_labelled_first():
    names = [one.name for one in sittings_of(protocol(*SURVIVAL), first="labelled")]
    assert names == ["worn", "labelled 1 of 2", "labelled 2 of 2", "blind 1 of 2", "blind 2 of 2"]


def test_a_crossed_panel_has_half_of_each():
    crossed = protocol(*SURVIVAL, order="crossed")
    firsts = [first_phase(crossed, n, ("labelled", "blind")) for n in range(10)]
    assert firsts.count("blind") == 5
    assert {first_phase(protocol(*SURVIVAL), n, ("labelled", "blind")) for n in range(4)} == {"blind"}
    late = protocol(*SURVIVAL, order="labelled-first")
    assert first_phase(late, 0, ("blind", "labelled")) == "labelled"
