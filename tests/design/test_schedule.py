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
