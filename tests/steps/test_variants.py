"""One claim about harmonics over the four models of them: from one line of the study file to the verdict."""

import runpy
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from blindtest import steps
from blindtest.session import SimulatedListener
from blindtest.steps.answers.variant import Agreement
from blindtest.study import check_study, load_study
from blindtest.study.comparing import compared_by_block

HERE = Path(__file__).parent
P = runpy.run_path(str(HERE / "test_protocols.py"))
F = runpy.run_path(str(HERE.parent / "study" / "conftest.py"))
TABLE = "frequency_hz,level_db,H2 (dB),H3 (dB)\n" + "".join(
    f"{hz},{level},{-30 - (104 - level)},{-42 - 2 * (104 - level)}\n" for hz in (50, 500, 5000) for level in (94, 104)
)
CONDITIONS = """
[[condition]]
id = "bent"
stages = [{ harmonics = { unit = "heron", full_scale_db = 104 } }, { response = "heron" }]
variants = true

[[condition]]
id = "clean"
stages = [{ response = "heron" }]
"""
CLAIM = """
[[claim]]
id = "distortion"
kind = "heard"
device = "bent"
comparator = "clean"
margin = 0.6
"""
MODELS = ["bent", "bent.before", "bent.inverted", "bent.before.inverted"]


def written(place, conditions=CONDITIONS, claim=CLAIM, trials=20):
    for number in range(3):
        path = place / "measurements/heron" / f"seating-{number}.txt"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(F["response_text"](number, "\t"))
    for number in range(2):
        path = place / "measurements/plover" / f"{number}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(F["response_text"](number + 10, ","))
    F["write_noise"](place / "clips/strings.wav")
    (place / "measurements/h.csv").write_text(TABLE)
    text = F["STUDY"]
    first, last = text.index("[[condition]]"), text.index("[[clip]]")
    text = text[:first] + conditions + "\n" + text[last:]
    text = text.replace('id = "heron"\n', 'id = "heron"\nharmonics = "measurements/h.csv"\n', 1)
    text = text.replace("[protocol]", f"{claim}\n[protocol]")
    text += f"\n[protocol.changes]\npractice.trials = 2\ntest.trials = {trials}\n"
    (place / "study.toml").write_text(text)
    return place


@dataclass(frozen=True, kw_only=True)
class OfOneModel(SimulatedListener):
    """Hears all models but one."""

    deaf_to: str = ""

    def answer(self, trial, rng):
        deaf = self.deaf_to and self.deaf_to in trial.compared
        return replace(self, d_prime=0.0, deaf_to="").answer(trial, rng) if deaf else super().answer(trial, rng)


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    folder = written(tmp_path_factory.mktemp("variants") / "my-study")
    checked = steps.check(folder)
    assert not checked.faults, "\n".join(map(str, checked.faults))
    steps.render(folder)
    return folder


def test_one_line_stands_for_four_models_and_a_block_for_each(rendered):
    study = load_study(rendered)
    bent = {one.id: one.stages[0].harmonics for one in study.conditions if one.id != "clean"}
    assert {name: (own.filters, own.polarity) for name, own in bent.items()} == {
        "bent": ("after", "as measured"),
        "bent.before": ("before", "as measured"),
        "bent.inverted": ("after", "inverted"),
        "bent.before.inverted": ("before", "inverted"),
    }
    assert [claim.id for claim in study.claims if claim.primary] == ["distortion"]
    assert {claim.device: claim.variant_of for claim in study.claims} == {
        name: "distortion" if "." in name else "" for name in MODELS
    }
    pairs = compared_by_block(study)
    assert [pairs[block.id] for block in study.protocol.blocks if block.counted] == [(name, "clean") for name in MODELS]
    assert all(study.reaches[claim.id].trials == 20 for claim in study.claims)


@pytest.mark.parametrize(
    ("deaf_to", "word"),
    [
        ("", "shown"),
        pytest.param("all", "negligible", marks=pytest.mark.long),
        ("bent.before", "open"),
    ],
)
def test_it_stands_only_if_it_stands_for_each(rendered, tmp_path, deaf_to, word):
    """The truth of the simulated listener: all models heard, none, or all but one."""
    import shutil

    folder = tmp_path / "own"
    shutil.copytree(rendered, folder)
    listener = OfOneModel(pseudonym="L-1", d_prime=0.0 if deaf_to == "all" else 8.0, deaf_to=deaf_to)
    P["sit"](folder, listener, seed=2)
    text, told = P["analyzed"](folder)
    (found,) = told["models"]
    assert [one["device"] for one in found["words"]] == MODELS
    assert found["word"] == word
    assert found["sentence"] in text
    counted = {claim["device"]: claim["heard"]["conclusion"]["trials"] for claim in told["claims"]}
    assert counted == dict.fromkeys(MODELS, 20)
    words = {one["device"]: one["word"] for one in found["words"]}
    if word == "open":
        assert words.pop("bent.before") != "shown"
        assert set(words.values()) == {"shown"}
        assert "They disagree" in text
    else:
        assert set(words.values()) == {word}
    page, block, rows = P["reported"](folder)
    assert found["sentence"] in page.replace("&#39;", "'")
    assert f"over 4 models of the harmonics: {word}" in block
    assert {row["condition"] for row in rows if row["phase"] == "blind" and row["condition"]} <= {*MODELS, "clean"}


def test_the_largest_p_is_the_claims_own():
    """Berger 1982: each at the level of a single test; no correction is due."""
    words = (("a", "shown"), ("a.before", "shown"))
    assert "p 0.04, the largest" in Agreement(claim="c", words=words, p_value=0.04).sentence
    rng = np.random.default_rng(1)
    # Where one of four is not there and the others surely are, the claim is shown with that one's own error rate.
    p = np.column_stack([rng.uniform(size=4000), np.zeros((4000, 3))]).max(axis=1)
    assert np.mean(p <= 0.05) == pytest.approx(0.05, abs=0.011)  # three standard errors


def said(folder):
    return "\n".join(str(fault) for fault in check_study(folder))


@pytest.mark.parametrize(
    ("conditions", "claim", "words"),
    [
        (
            CONDITIONS.replace("{ harmonics = { unit = \"heron\", full_scale_db = 104 } }, ", ""),
            CLAIM,
            "condition.bent.variants: there are no other models of it",
        ),
        (CONDITIONS, CLAIM.replace('"bent"', '"x"').replace('"clean"', '"bent"').replace('"x"', '"clean"'),
         "the comparator stands for four models"),
        (CONDITIONS, CLAIM.replace('kind = "heard"', 'kind = "threshold"'),
         "claims of this kind can't be asked of four models at once"),
    ],
)  # fmt: skip
def test_what_has_no_four_models_is_refused(tmp_path, conditions, claim, words):
    assert words in said(written(tmp_path / "s", conditions, claim))


def test_how_often_all_models_end_alike_is_said_and_too_rarely_is_refused(rendered, tmp_path):
    """Chances of independent trials multiply; the counts are those of the binomial (see test_refutation)."""
    study = load_study(rendered)
    plan = study.reaches["distortion"]
    (note,) = (note for note in steps.check(rendered).notes if "over 4 models" in str(note))
    assert f"shown for each with chance {plan.chance_shown**4:.2f} where the margin is the truth" in str(note)
    assert f"negligible for each with {plan.chance_negligible**4:.2f} for a guesser" in str(note)
    words = said(written(tmp_path / "few", claim=CLAIM.replace("0.6", "0.5"), trials=28))
    # A guesser ends as negligible with chance .8275 for one model, so .47 for four (28 trials, 16 or fewer right).
    assert "the claim can't fail often enough over all models of the harmonics" in words
    assert "negligible for each with 0.47 for a guesser" in words
    assert "trials for each model are the fewest that could" in words


def test_ratings_hold_all_models_on_their_pages(tmp_path):
    folder = written(tmp_path / "s", claim="")
    text = (folder / "study.toml").read_text()
    text = text[: text.index("[protocol]")] + (
        '[[claim]]\nid = "worse"\nkind = "attribute"\ndevice = "bent"\ncomparator = "clean"\nmargin = 8\n\n'
        '[protocol]\nuse = "rating"\n\n[listeners]\nplanned = 24\n'
    )
    (folder / "study.toml").write_text(text)
    assert not said(folder)
    study = load_study(folder)
    assert [claim.id for claim in study.claims] == [
        "worse", "worse.before", "worse.inverted", "worse.before.inverted",
    ]  # fmt: skip
    assert {*MODELS, "clean"} <= set(compared_by_block(study)["rated"])
