"""Plans of every method, through the command."""

import json
from importlib.resources import files

import pytest
from jsonschema import Draft202012Validator

from blindtest import steps
from blindtest.cli.commands import main

SCHEMA = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))


@pytest.fixture
def said(capsys):
    def run(*arguments):
        capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            main(["power", *map(str, arguments)])
        printed = capsys.readouterr()
        return printed.out, printed.err, int(left.value.code or 0)

    return run


CASES = [
    ("same-different", "--trials", 30, "--d-prime", 2),
    ("same-different-independent", "--minutes", 20),
    ("2-ac", "--trials", 28, "--d-prime", 1, "--tau", 0.4, "--one-sided"),
    ("contrast", "--listeners", 12, "--clips", 5, "--repeats", 2, "--margin", 8),
    ("contrast", "--these-clips", "--minutes", 20, "--studies", 2),
    ("stages", "--stages", 4, "--fraction", "1/2", "--listeners", 24, "--margin", 8),
    ("stage-pairs", "--stages", 2, "--trials", 32, "--listeners", 16, "--margin", 18),
    ("stages", "--listeners", 2, "--clips", 6, "--one-sided"),
    ("free-listening", "--trials", 12, "--share", 0.7, "--studies", 50),
    ("free-listening", "--listeners", 6, "--sd-listener", 0.1, "--minutes", 40, "--studies", 50),
    ("threshold", "--levels", "-1,0,1", "--threshold", 0, "--slope", 1.5, "--trials", 20, "--studies", 2),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: " ".join(map(str, case)))
def test_every_method_plans_in_words_and_in_json(case, said):
    method, *rest = case
    text, _, code = said("--method", method, *rest)
    assert code == 0
    out, _, _ = said("--method", method, *rest, "--json")
    found = json.loads(out)
    Draft202012Validator(SCHEMA).validate(found)
    assert found["method"] == method
    sentence = found["plan"]["sentence"] if "sentence" in found["plan"] else found["plan"]["choice"]["sentence"]
    assert sentence in text


def test_the_table_holds_the_plan_that_was_asked_about():
    shown = steps.plan_power("2-ac", trials=37, d_prime=1.0)
    (row,) = [row for row in shown.curves.rows() if row[0] == 37]
    assert shown.curves.curves[2][0] == "d' 1"
    assert row[3] == pytest.approx(shown.values["power"])
    assert "\n   37  " in shown.text()


@pytest.mark.parametrize(
    ("method", "minutes", "words"),
    [("2-ac", 20, "20 minutes hold 26 pairs"),
     ("contrast", 20, "20 minutes hold 2 ratings of each device on each clip"),
     ("stages", 60, "60 minutes hold 2 ratings of each combination on each clip"),
     ("free-listening", 42, "42 minutes hold 10 tracks of 240 s")],
)  # fmt: skip
def test_minutes_become_a_size(method, minutes, words, said):
    text, _, code = said("--method", method, "--minutes", minutes)
    assert code == 0
    assert words in text


@pytest.mark.parametrize("kind", ["svg", "png"])
@pytest.mark.parametrize("arguments", [("--method", "contrast"), ("--trials", "16"), ("--method", "preference")])
def test_the_figure_is_written(kind, arguments, said, tmp_path):
    place = tmp_path / f"plan.{kind}"
    _, err, code = said(*arguments, "--figure", place)
    assert code == 0
    assert f"Wrote {place}." in err
    begins = {"svg": b"<?xml", "png": b"\x89PNG"}[kind]
    assert place.read_bytes().lstrip().startswith((begins, b"<svg"))


def test_the_figure_says_in_words_what_it_shows():
    from blindtest.report import plan_figure

    shown = steps.plan_power("contrast", listeners=12)
    figure = plan_figure(shown.curves)
    assert figure.title == "What panels of different sizes show"
    assert "8 points: " in figure.description
    assert figure.rows == shown.curves.rows()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--method", "contrats"), "did you mean 'contrast'?"),
        (("--method", "2-ac", "--listeners", 3), "--listeners: a plan of the method 2-ac has no use for this"),
        (("--method", "abx", "--clips", 3), "--clips: a plan of the method abx has no use for this"),
        (("--method", "rating", "--minutes", 3), "--minutes: a plan of the method rating has no use for this"),
        (("--method", "2-ac", "--trials", 5, "--minutes", 5), "--trials and --minutes exclude each other"),
        (("--method", "2-ac", "--minutes", 2), "--minutes: no trial that counts fits in"),
        (("--method", "stages", "--stages", 4, "--fraction", "1/8"), "got '1/8' (allowed: 1, 1/2)"),
        (("--method", "threshold"), "a plan of levels needs the curve that is expected"),
        (("--method", "threshold", "--levels", "a,b", "--threshold", 0, "--slope", 1), "not numbers with commas"),
        (("--method", "contrast", "--figure", "plan.pdf"), "--figure: not a kind of figure, got 'plan.pdf'"),
        (("--method", "threshold", "--levels", "0,1", "--threshold", 0, "--slope", 1, "--studies", 1, "--trials", 9,
          "--figure", "x.svg"), "this plan has nothing to draw"),
    ],
)  # fmt: skip
def test_what_makes_no_sense_is_refused_in_a_line(arguments, words, said):
    _, err, code = said(*arguments)
    assert code in (2, 3)
    assert words in err
