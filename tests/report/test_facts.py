"""Facts that a report's words rest on, worked out by hand; probabilities by scipy's binomial."""

from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from blindtest.report import (
    AttributeFacts,
    ClaimFacts,
    ClaimResult,
    ConditionFacts,
    CorrectionFacts,
    FilterCurve,
    ImpressionFacts,
    PreferenceFacts,
    ProtocolFacts,
    ReportInput,
    ResponseCurve,
    SittingFacts,
    TrialFacts,
)
from blindtest.report.attribute_facts import AttributeListenerFacts
from blindtest.report.chain_facts import ChainFacts, DelayFacts, RoomFacts, StageCurve
from blindtest.report.choice_facts import PlanFacts, Results
from blindtest.report.facts import names_of
from blindtest.report.listened_facts import ListenedPlan
from blindtest.report.preference_facts import PreferencePlanFacts
from blindtest.report.scale_facts import ScaleFacts
from blindtest.report.unreliable_facts import UnreliableFacts
from blindtest.stats import conclude, conclude_attribute, conclude_preference, discrimination_test


def pairs(*rows):
    """Return a table of (first, second, outcome, listener, clip)."""
    return pd.DataFrame(rows, columns=["first", "second", "outcome", "listener", "clip"])


def test_tallies_are_of_the_two_that_are_compared():
    table = pairs(
        ("heron", "plover", "first", "L1", "drums"),
        ("plover", "heron", "first", "L1", "drums"),
        ("plover", "heron", "second", "L2", "drums"),
        ("heron", "plover", "second", "L2", "strings"),
        ("heron", "plover", "tie", "L2", "strings"),
        ("plover", "heron", None, "L1", "strings"),
        ("heron", "wren", "first", "L3", "voice"),
    )
    concluded = conclude_preference(2, 2, 1, margin=0.2, unanswered=1)
    facts = PreferenceFacts.of(concluded, device="heron", comparator="plover", table=table)

    def told(tallies):
        return {one.name: (one.wins, one.losses, one.ties, one.unanswered) for one in tallies}

    assert told(facts.by_clip) == {"drums": (2, 1, 0, 0), "strings": (0, 1, 1, 1)}
    assert told(facts.by_listener) == {"L1": (1, 1, 0, 1), "L2": (1, 1, 1, 0)}
    assert told(facts.by_order) == {"heron": (1, 1, 1, 0), "plover": (1, 1, 0, 1)}
    assert [(one.who, one.decided, one.answered) for one in facts.listeners] == [("L1", 2, 2), ("L2", 2, 3)]


def test_single_listeners_are_corrected_for_one_another():
    """Holm by hand: p of 10 of 10 and 9 of 10, two-sided, are 2/1024 and 22/1024; times 2 and times 1."""
    rows = [("heron", "plover", "first", "L1", "c")] * 10 + [("heron", "plover", "first", "L2", "c")] * 9
    table = pairs(*rows, ("heron", "plover", "second", "L2", "c"))
    both = PreferenceFacts.of(
        conclude_preference(19, 1, margin=0.3), device="heron", comparator="plover", table=table
    ).listeners
    assert [one.p_value for one in both] == pytest.approx([2 / 1024, 22 / 1024])
    assert [one.adjusted_p_value for one in both] == pytest.approx([4 / 1024, 22 / 1024])
    (alone,) = PreferenceFacts.of(
        conclude_preference(10, 0, margin=0.3), device="heron", comparator="plover", table=table[:10]
    ).listeners
    assert alone.adjusted_p_value is None


def test_chances_of_a_plan_of_pairs_are_scipys():
    """28 pairs, two-sided: 2 x P(20 or more) = .036, 2 x P(19 or more) = .087: shown from 20, refuted up to 8."""
    plan = PreferencePlanFacts.of(28, margin=0.25)
    assert 2 * binom.sf(19, 28, 0.5) < 0.05 < 2 * binom.sf(18, 28, 0.5)
    assert (plan.critical_number, plan.refuting_number) == (20, 8)
    for p in (0.0, 0.25, 0.6, 1.0):
        assert plan.chance("shown", p) == pytest.approx(binom.sf(19, 28, p))
        assert plan.chance("refuted", p) == pytest.approx(binom.cdf(8, 28, p))
    low, high = plan.negligible_numbers
    assert plan.chance("negligible", 0.5) == pytest.approx(binom.cdf(high, 28, 0.5) - binom.cdf(low - 1, 28, 0.5))
    assert plan.chance("shown", 0.605) == pytest.approx((binom.sf(19, 28, 0.6) + binom.sf(19, 28, 0.61)) / 2)
    assert PreferencePlanFacts.of(28, margin=None).chance("negligible", 0.5) == 0.0
    with pytest.raises(ValueError, match="2 probabilities, but 1 chances of shown"):
        PreferencePlanFacts(trials=2, probabilities=(0.0, 1.0), chances=(("shown", (1.0,)),))


def test_chances_of_a_plan_of_choices_are_scipys():
    """protocols/abx.toml: 28 trials, shown from 19, negligible up to 16 at a margin of .5 (three quarters right)."""
    plan = PlanFacts.of(28, method="abx", margin=0.5)
    assert (plan.critical_number, plan.similarity_critical_number) == (19, 16)
    assert plan.shares == pytest.approx(np.arange(101) / 100)
    right = 0.5 + 0.5 * np.array(plan.shares)
    assert plan.chance_shown == pytest.approx(binom.sf(18, 28, right))
    assert plan.chance_negligible == pytest.approx(binom.cdf(16, 28, right))
    assert plan.chance_shown_at_margin == pytest.approx(binom.sf(18, 28, 0.75))
    # Where both tests succeed the word is negligible: 2000 trials, margin .5.
    many = PlanFacts.of(2000, method="abx", margin=0.5)
    assert many.critical_number < many.similarity_critical_number
    assert many.chance_shown[20] == pytest.approx(binom.sf(many.similarity_critical_number, 2000, 0.6))
    few = PlanFacts.of(4, method="abx", margin=None)
    assert (few.critical_number, few.detectable, few.chance_negligible) == (None, None, ())
    assert set(few.chance_shown) == {0.0}
    for wrong, match in (({"chance_shown": ()}, "101 shares, but 0"), ({"chance_negligible": (1.0,)}, "do|chances")):
        with pytest.raises(ValueError, match=match):
            PlanFacts(**{"trials": 4, "shares": few.shares, "chance_shown": few.chance_shown, **wrong})


def test_results_of_all_of_each_and_of_what_stayed_open():
    """P of 12 or more of 16 by a thrown coin; four more trials that nobody answered are counted once each way."""
    found = Results.of(conclude(12, 16, method="abx", margin=0.5, unanswered=4))
    wrong, right = found.unanswered_as_wrong, found.unanswered_as_right
    assert [(one.who, one.correct, one.trials) for one in (found.pooled, wrong, right)] == [
        ("all answers", 12, 16),
        ("as wrong", 12, 20),
        ("as right", 16, 20),
    ]
    for one in (found.pooled, wrong, right):
        assert one.p_value == pytest.approx(binom.sf(one.correct - 1, one.trials, 0.5))
        assert one.similarity_p_value == pytest.approx(binom.cdf(one.correct, one.trials, 0.75))
    whole = Results.of(conclude(12, 16, method="abx", margin=None))
    assert (whole.unanswered_as_wrong, whole.unanswered_as_right, whole.pooled.similarity_p_value) == (None,) * 3
    single = tuple(discrimination_test(n, 16, method="abx") for n in (14, 9))
    of = {"listeners": ("L1", "L2"), "results": single, "adjusted_p_values": (0.004, 0.4)}
    both = Results.of(conclude(23, 32, method="abx", margin=0.5), SimpleNamespace(**of)).listeners
    assert [(one.who, one.correct, one.adjusted_p_value) for one in both] == [("L1", 14, 0.004), ("L2", 9, 0.4)]
    of = {"listeners": ("L1",), "results": single[:1], "adjusted_p_values": (0.004,)}
    (one,) = Results.of(conclude(14, 16, method="abx", margin=0.5), SimpleNamespace(**of)).listeners
    assert (one.who, one.adjusted_p_value) == ("L1", None)


@pytest.mark.parametrize(
    ("right", "unanswered", "rests_on"),
    [(24, 0, "answered"), (23, 1, "against"), (1, 1, "favouring"), (14, 2, "answered"), (0, 4, "against")],
)
def test_what_an_attribute_rests_on(right, unanswered, rests_on):
    """Unanswered trials stand against the word: as wrong where it is shown, as right where it is refuted."""
    answered = 0 if unanswered == 4 else 24 - unanswered
    one = conclude_attribute(right, answered, method="2afc", margin=1.0, unanswered=unanswered)
    word = {"against": "shown", "favouring": "refuted"}.get(rests_on)
    if word and answered:
        assert one.word == word
    facts = AttributeFacts(conclusion=one)
    assert ClaimResult(claim=ClaimFacts(kind="attribute"), attribute=facts).word == one.word
    assert facts.decisive is getattr(one, rests_on)
    listener = AttributeListenerFacts(who="L1", conclusion=one)
    assert listener.tested is (one.answered if answered else one.against)


def contrast(word, p):
    return SimpleNamespace(word=word, p_value=p)


def test_whom_a_difference_of_ratings_rests_on():
    everybody, kept = contrast("shown", 0.01), contrast("open", 0.2)

    def told(**more):
        facts = ScaleFacts(**{"method": "multi-stimulus", "everybody": everybody, **more})
        return facts.rests_on, facts.word, facts.p_value

    assert told() == ("everybody", "shown", 0.01)
    assert told(kept=kept) == ("those kept", "open", 0.2)
    assert told(kept=kept, about_reference=True) == ("everybody", "shown", 0.01)
    assert told(nobody_kept=True) == ("nobody", "open", 1.0)
    names = {
        method: (one.unit, one.scale)
        for method in ("multi-stimulus", "small-impairment", "rating")
        for one in (ScaleFacts(method=method, everybody=everybody),)
    }
    assert names == {
        "multi-stimulus": ("points", "basic audio quality"),
        "small-impairment": ("grades", "basic audio quality"),
        "rating": ("points", "overall quality"),
    }
    assert ScaleFacts(method="rating", attribute="bass", everybody=everybody).scale == "bass"


def test_an_impression_of_any_shape():
    bare = ImpressionFacts.of("ab", {"quote": "warm", "unit": "heron", "known": "its price", "clips": ["a", "b"]})
    assert (bare.unit, bare.known, bare.clips, bare.when, bare.who) == ("heron", ("its price",), ("a", "b"), None, "")
    stored = datetime(2026, 1, 2, tzinfo=UTC)
    whole = {
        "unit": {"id": "heron", "name": "Heron", "serial_suffix": "42", "revision": "B", "firmware": "1.2"},
        "when": "2026-01-01T10:00:00+00:00",
        "files": {"a.txt": "ff"},
        "known": "",
        "worn": "an hour",
    }
    one = ImpressionFacts.of("ab", whole, stored)
    assert (one.unit, one.serial_suffix, one.known, one.files) == ("Heron", "42", (), (("a.txt", "ff"),))
    assert (one.revision, one.firmware, one.worn) == ("B", "1.2", "an hour")
    assert one.when == datetime(2026, 1, 1, 10, tzinfo=UTC)
    assert ImpressionFacts.of("ab", {**whole, "when": ""}, stored).when == stored
    assert ImpressionFacts.of("ab", {"files": [("b", "00")]}).files == (("b", "00"),)
    gone = ImpressionFacts.of("ab", None, stored)
    assert (gone.withheld, gone.when, one.withheld) == (True, stored, False)


def trial(**more):
    slots = (("A", "heron"), ("B", "plover"), ("X", "heron"))
    return TrialFacts(**{
        "listener": "L1", "sitting": 1, "trial": 1, "clip": "c", "slots": slots, "answer": "B", "correct": None, **more,
    })  # fmt: skip


def test_what_a_trial_chose_and_whether_it_counts():
    assert (trial().chosen, trial(answer="none").chosen, trial(answer=None).chosen) == ("plover", "", "")
    assert [trial(phase=phase).counted for phase in ("blind", "labelled", "practice", "control")] == [
        True,
        True,
        False,
        False,
    ]
    assert (trial().answered, trial(answer=None).answered, trial(answer="").answered) == (True, False, True)


def test_a_trial_counts_once_by_its_first_answer():
    of = {"listener": "L1", "sitting": 2, "trial": 7}
    attempts = (
        trial(**of, attempt=0, answer=None),
        trial(**of, attempt=1),
        trial(**of, attempt=2, answer="A"),
        trial(**{**of, "trial": 99}, phase="practice"),
        trial(**{**of, "trial": 98}, answer=None, attempt=0),
        trial(**{**of, "trial": 98}, answer=None, attempt=1),
    )
    kept = ReportInput.counted_trials(SimpleNamespace(trials=attempts))
    assert [(one.trial, one.attempt, one.answer) for one in kept] == [(7, 1, "B"), (98, 1, None)]


def test_names_that_are_taken_stand_behind_the_id():
    conditions = [SimpleNamespace(id=i, name=name) for i, name in (("a", "Heron"), ("b", "Heron"), ("c", ""))]
    assert names_of(conditions) == {"a": "Heron", "b": "b, Heron", "c": "c"}


def curve(level):
    return StageCurve(name="x", level_db=np.array(level))


def test_what_there_is_to_draw_of_a_chain():
    flat = {"condition": "a", "frequency": np.array([20.0, 200.0]), "sum_db": np.zeros(2)}
    bare = ChainFacts(**flat)
    assert (bare.empty, bare.several) == (True, False)
    one = ChainFacts(**flat, stages=(curve([0, 1]),))
    assert (one.empty, one.several) == (False, False)
    assert ChainFacts(**flat, stages=(curve([0, 1]),) * 2).several
    assert ChainFacts(**flat, ears=(curve([0, 1]),)).several
    louder, recorded = ChainFacts(**flat, offset_db=1.0), ChainFacts(**flat, recording=True)
    assert (louder.empty, louder.several, recorded.empty) == (False, False, False)
    with pytest.raises(ValueError, match="2 frequencies, but 3 levels"):
        ChainFacts(**flat, ears=(curve([0, 1, 2]),))


def test_curves_are_as_long_as_what_they_lie_over():
    two, three = [20.0, 200.0], [0.0, 1.0, 2.0]
    assert DelayFacts(name="x", frequency=two, delay_ms=[0.0, 1.0]).delay_ms.tolist() == [0.0, 1.0]
    with pytest.raises(ValueError, match="2 frequencies, but 3 delays"):
        DelayFacts(name="x", frequency=two, delay_ms=three)
    room = {"interaural_ms": (0.3, 0.3), "crosstalk_db": (-6.0, -6.0), "length_s": 1.0, "common_delay_ms": 3.0}
    assert RoomFacts(name="x", frequency=two, paths=(curve([0, 1]),) * 4, **room).frequency.tolist() == two
    with pytest.raises(ValueError, match="paths of other lengths than 2 frequencies"):
        RoomFacts(name="x", frequency=two, paths=(*[curve([0, 1])] * 3, curve(three)), **room)


def test_a_plan_of_listening_fails_by_its_better_chance():
    def plan(refuted, negligible):
        nothing = SimpleNamespace(refuted=0.99, negligible=0.99)
        return ListenedPlan(
            more=nothing,
            less=SimpleNamespace(refuted=refuted, negligible=0.99),
            alike=SimpleNamespace(refuted=0.99, negligible=negligible),
        )

    assert (plan(0.2, 0.7).chance_to_fail, plan(0.8, 0.1).chance_to_fail) == (0.7, 0.8)


def ratings(*rows):
    return pd.DataFrame(rows, columns=["listener", "sound", "label", "rating"])


def test_means_under_either_name():
    result = SimpleNamespace(device="heron", comparator="plover", sound_conclusion=SimpleNamespace(word="shown"))
    one = [("L1", "heron", "heron", 60.0), ("L1", "heron", "heron", 70.0), ("L1", "heron", "plover", 50.0)]
    more = [("L1", "plover", "plover", 30.0), ("L1", "low", "heron", 5.0), ("L1", "heron", "low", 5.0)]
    facts = UnreliableFacts.of(result, table=ratings(*one, *more))
    assert facts.word == "shown"
    assert [(c.sound, c.label, c.mean, c.ratings) for c in facts.cells] == [
        ("heron", "heron", 65.0, 2),
        ("heron", "plover", 50.0, 1),
        ("plover", "plover", 30.0, 1),
    ]
    assert (facts.mean("heron", "heron"), facts.mean("plover", "heron")) == (65.0, None)
    assert facts.listeners == (), "one listener's are those of all"
    two = UnreliableFacts.of(result, table=ratings(*one, ("L2", "heron", "heron", 20.0), ("L2", "low", "heron", 5.0)))
    assert {(c.listener, c.sound, c.label): c.mean for c in two.listeners} == {
        ("L1", "heron", "heron"): 65.0,
        ("L1", "heron", "plover"): 50.0,
        ("L2", "heron", "heron"): 20.0,
    }
    assert two.mean("heron", "heron") == 50.0


def claim(wins, losses, *, adjusted=None, p=None, **more):
    facts = PreferenceFacts.of(conclude_preference(wins, losses, margin=0.2), device="heron", comparator="plover")
    return ClaimResult(
        claim=ClaimFacts(id="liked", kind="preferred", **{"primary": False, **more}),
        preferred=facts,
        adjusted_p_value=adjusted,
        p_value=p,
    )


def test_a_word_that_the_correction_does_not_leave_standing_is_open():
    assert claim(22, 6, adjusted=0.04).word == "shown"
    assert claim(22, 6, adjusted=0.05).word == "shown", "at most alpha"
    assert (claim(22, 6, adjusted=0.051).word, claim(22, 6, adjusted=0.051).word_alone) == ("open", "shown")
    assert claim(22, 6, adjusted=0.9, primary=True).word == "shown", "the primary claim is not corrected"
    exploratory = claim(22, 6, adjusted=0.9, primary=True, confirmatory=False)
    assert (exploratory.claim.role, exploratory.word) == ("exploratory", "open")
    # A p against a thrown coin says nothing of a preference that is negligible.
    coin = claim(44, 46).preferred.answered.p_value
    assert claim(44, 46, adjusted=0.9, p=coin).word == "negligible"
    assert claim(44, 46, adjusted=0.9, p=coin / 2).word == "open"


def test_a_result_is_of_its_claims_kind_and_one_alone():
    facts = claim(22, 6).preferred
    with pytest.raises(ValueError, match="is of kind 'heard', its result is of another"):
        ClaimResult(claim=ClaimFacts(id="x", kind="heard"), preferred=facts)
    with pytest.raises(ValueError, match="ends in 2 kinds of result"):
        ClaimResult(claim=ClaimFacts(id="x", kind="preferred"), preferred=facts, heard=SimpleNamespace())
    assert [ClaimResult(claim=ClaimFacts(kind=kind)).word for kind in ("rated", "heard")] == ["undecided", "open"]
    assert ClaimResult(claim=ClaimFacts(kind="rated", unreliable=True)).word == "open"
    assert not ClaimResult(claim=ClaimFacts(kind="rated")).done
    assert claim(22, 6).done


def report_input(**more):
    both = (ConditionFacts(id="heron", name="Heron"), ConditionFacts(id="plover"))
    given = {"conditions": both, "compared": ("heron", "plover"), "protocol": ProtocolFacts(name="p", trials=16)}
    return ReportInput(title="t", generated_at=datetime(2031, 5, 1, tzinfo=UTC), **{**given, **more})


def test_claims_of_a_report_the_primary_first():
    second = claim(22, 6)
    first = ClaimResult(claim=ClaimFacts(id="x", kind="heard"))
    told = report_input(claims=(second, first))
    assert told.answers == (first, second)
    assert (told.of_kind("preferred"), told.of_kind("rated")) == ((second,), ())
    assert told.heard is first
    assert report_input(claims=(second,)).heard is None


def test_a_report_without_claims_is_about_what_is_compared():
    protocol = ProtocolFacts(name="p", trials=16, margin=0.3, alpha=0.01)
    (alone,) = report_input(protocol=protocol).answers
    assert (alone.claim.kind, alone.claim.device, alone.claim.comparator) == ("heard", "heron", "plover")
    assert (alone.claim.margin, alone.alpha) == (0.3, 0.01)
    (named,) = report_input(claim=ClaimFacts(device="wren", comparator="crane")).answers
    assert (named.claim.device, named.claim.comparator) == ("wren", "crane")


def test_who_sat_and_what_is_called_how():
    sat = tuple(SittingFacts(number=n, listener=who, state="open") for n, who in enumerate(("L2", "L1", "L2"), 1))
    told = report_input(sittings=sat)
    assert told.listeners == ("L2", "L1")
    assert [told.name_of(one) for one in ("heron", "plover", "gone")] == ["Heron", "plover", "gone"]
    with pytest.raises(ValueError, match=r"compared \('heron', 'wren'\) are not among the conditions"):
        report_input(compared=("heron", "wren"))


def correction(**more):
    """Return what `blindtest.device` says of a correction, by hand."""
    curves = dict.fromkeys(("response_db", "target_db", "gain_db", "error_db"), (0.0, 1.0, 2.0))
    numbers = dict.fromkeys(("headroom_db", "rms_before_db", "rms_error_db", "worst_error_db", "worst_error_hz"), 1.5)
    plain = {"align_hz": (200.0, 2e3), "band_hz": (20.0, 1e4), "max_boost_db": 6.0, "rate": 48_000, "remarks": ()}
    lists = dict.fromkeys(("held_back", "bands", "uncertain", "without_hz"), ())
    return SimpleNamespace(frequency=[100.0, 1e3, 1e4], **{**curves, **numbers, **plain, **lists, **more})


def test_a_correction_is_taps_or_sections():
    fir = CorrectionFacts.of(correction(impulse=np.zeros(512)), condition="heron")
    assert (fir.taps, fir.sections, fir.rate_hz) == (512, None, 48_000)
    peak = SimpleNamespace(type="peaking", frequency_hz=1e3, gain_db=-3.0, q=2.0)
    sections = CorrectionFacts.of(correction(chain=[peak]), condition="heron")
    assert (sections.taps, sections.sections) == (None, (("peaking", 1e3, -3.0, 2.0),))


def test_curves_are_columns_of_one_length_that_nobody_changes():
    lists = ([100.0, 1e3], [0.0, 1.0])
    response = ResponseCurve(name="u", frequency=lists[0], level_db=lists[1])
    applied = FilterCurve(condition="heron", frequency=lists[0], magnitude_db=lists[1])
    made = CorrectionFacts.of(correction(impulse=np.zeros(8)), condition="heron")
    for one in (response.frequency, response.level_db, applied.frequency, applied.magnitude_db, made.error_db):
        assert (one.dtype, one.flags.writeable) == (np.float64, False)
    assert response.spread_db is None
    with pytest.raises(ValueError, match="2 frequencies, but 1 levels"):
        ResponseCurve(name="u", frequency=lists[0], level_db=lists[1], spread_db=[0.5])
    with pytest.raises(ValueError, match="2 frequencies, but 3 levels"):
        FilterCurve(condition="heron", frequency=lists[0], magnitude_db=[0.0, 1.0, 2.0])
    with pytest.raises(ValueError, match="3 frequencies, but 2 of gain_db"):
        CorrectionFacts.of(correction(impulse=np.zeros(8), gain_db=[0.0, 1.0]), condition="heron")
    with pytest.raises(ValueError, match=r"a curve is one column, got shape \(2, 1\)"):
        FilterCurve(condition="heron", frequency=[[100.0], [1e3]], magnitude_db=lists[1])
