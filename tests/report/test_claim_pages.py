"""Pages of studies with preferences, ratings, impressions and corrections: whole, honest, and deaf to users' markup."""

import importlib.util
import re
import shutil
from collections import Counter
from dataclasses import fields, is_dataclass, replace
from datetime import timedelta
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest

from blindtest.report import ImpressionFacts, RecordEvent, figures, html, markdown
from blindtest.report.page import LARGEST_BYTES
from blindtest.report.rating_figures import ratings_figure
from blindtest.report.rating_words import points, span
from blindtest.report.svg import DARK, LIGHT
from blindtest.report.timeline import before, condensed, timeline
from blindtest.report.words import decibel, number, p_words, percent

spec = importlib.util.spec_from_file_location("page_reader", Path(__file__).with_name("page_reader.py"))
page_reader = importlib.util.module_from_spec(spec)
spec.loader.exec_module(page_reader)
Reader, FORBIDDEN = page_reader.Reader, page_reader.FORBIDDEN


@pytest.fixture(scope="module")
def reports(make_tuning_report, make_survival_report):
    return {
        "tuning": make_tuning_report(),
        "panel": make_survival_report(),
        "single": make_survival_report(listeners=1, sittings=4, seed=11),
    }


@pytest.fixture(scope="module")
def drawn(reports):
    return {name: figures(report) for name, report in reports.items()}


@pytest.fixture(scope="module")
def pages(reports, drawn):
    return {name: html(report, figures=drawn[name]) for name, report in reports.items()}


KINDS = ["tuning", "panel", "single"]


@pytest.fixture(params=KINDS)
def kind(request):
    return request.param


# --- form -------------------------------------------------------------------------------------------------------


def test_every_figure_that_can_be_is_there(drawn):
    assert list(drawn["tuning"]) == [
        "results", "trials", "preference", "choices", "strengths", "times", "record", "responses", "correction",
        "filters", "match", "plan", "plan-preference",
    ]  # fmt: skip
    for name in ("panel", "single"):
        assert list(drawn[name]) == [
            "effects", "ratings", "record", "responses", "filters", "match", "plan-rating",
        ]  # fmt: skip


def test_what_the_model_leaves_is_drawn_where_it_was_looked_at(reports):
    """Residuals, quantiles and single listeners of the blind ratings, folded; their numbers are the companions' own."""
    import pandas as pd

    from blindtest.stats import fit_linear_mixed, rating_companions

    rows = [
        {"listener": f"L{who}", "clip": f"c{clip}", "device": device,
         "rating": 50 + 5 * who + 9 * (device == "a") + (7 * who * clip) % 5}
        for who in range(6) for clip in range(4) for device in "ab"
    ]  # fmt: skip
    ratings = pd.DataFrame(rows)
    fit = fit_linear_mixed("rating ~ device", ratings, random={"listener": "1", "clip": "1"})
    report = reports["panel"]
    claims = tuple(
        replace(one, companions=rating_companions(fit, ratings)) if one.rated is not None else one
        for one in report.claims
    )
    looked = replace(report, claims=claims)
    made = figures(looked)
    assert {"residuals", "quantiles", "influence"} <= set(made)
    assert len(made["influence"].rows) == 6
    text = html(looked, figures=made)
    folded = text.split("What a model of the blind ratings leaves, drawn</summary>")[1].split("</details>")[0]
    assert 'id="figure-residuals"' in folded
    assert "What a model of the blind ratings leaves" not in html(report)


@pytest.mark.slow
def test_same_input_same_bytes(reports, drawn, pages, kind):
    again = figures(reports[kind])
    assert {n: (f.svg, f.png, f.rows) for n, f in again.items()} == {
        n: (f.svg, f.png, f.rows) for n, f in drawn[kind].items()
    }
    assert html(reports[kind], figures=again) == pages[kind]
    assert markdown(reports[kind]) == markdown(reports[kind])


def test_page_is_whole_and_loads_nothing(pages, kind):
    text = pages[kind]
    read = Reader(text)
    assert len(text.encode()) <= LARGEST_BYTES
    assert not {"script", "link", "img", "iframe", "form"} & {tag for tag, _, _ in read.elements}
    assert "http" not in text.replace("http-equiv", "")
    ids = [a["id"] for _, a, _ in read.elements if "id" in a]
    assert [one for one, count in Counter(ids).items() if count > 1] == []
    for _, attributes, _ in read.elements:
        for name in ("aria-labelledby", "aria-describedby"):
            for one in attributes.get(name, "").split():
                assert one in ids
        if attributes.get("href", "").startswith("#"):
            assert attributes["href"][1:] in ids
        if "scroll" in attributes.get("class", "").split():
            assert attributes["tabindex"] == "0"
            assert attributes["aria-label"]
    levels = [int(tag[1]) for tag, _, _ in read.elements if re.fullmatch("h[1-6]", tag)]
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    for tag, attributes, inside in read.elements:
        if tag == "th":
            assert attributes.get("scope") in ("col", "row"), inside
    assert not re.search(r"\bNone\b|\bnan\b|Undefined", read.text)


def test_every_figure_carries_its_data(drawn, pages, kind):
    read = Reader(pages[kind])
    for figure in drawn[kind].values():
        rows = [t for t in read.tables if tuple(t[0]) == figure.columns and len(t) == len(figure.rows) + 1]
        assert len(rows) == 1, figure.name
        for printed, row in zip(rows[0][1:], figure.rows, strict=True):
            for cell, value in zip(printed, row, strict=True):
                assert cell == (number(value, figure.digits) if isinstance(value, float) else str(value))


def test_every_figure_names_and_describes_itself(drawn, kind):
    for name, figure in drawn[kind].items():
        root = ElementTree.fromstring(figure.svg.encode())
        assert root.get("role") == "img"
        assert (root[0].text, root[1].text) == (figure.title, figure.description)
        ids = [element.get("id") for element in root.iter() if element.get("id")]
        assert len(ids) == len(set(ids))
        assert all(one.startswith(f"{name}-") for one in ids)
        # Only colours that have a counterpart on dark ground.
        assert set(re.findall(r"#[0-9a-f]{6}", figure.svg)) <= {*LIGHT.values(), *DARK.values()}
        assert "http" not in figure.inline
        assert "<style" not in figure.inline


def test_what_is_never_said(reports, drawn, pages, kind):
    for said in (Reader(pages[kind]).text, markdown(reports[kind]), *(f.svg for f in drawn[kind].values())):
        for phrase in FORBIDDEN:
            assert phrase not in said.lower(), phrase


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("case", range(6))
def test_what_is_never_said_whatever_came_out(make_tuning_report, make_survival_report, kind, case):
    if kind == "tuning":
        options = [{"chance": c} for c in (0.05, 0.35, 0.5, 0.65, 1.0)] + [{"unanswered": 20}]
        report = make_tuning_report(**options[case])
    else:
        effects = [(24, 0), (24, -24), (0, 0), (24, 12), (40, 14), (-20, 20)][case]
        listeners = {"panel": 8, "single": 1}[kind]
        report = make_survival_report(
            listeners=listeners, sittings=3, labelled=float(effects[0]), blind=float(effects[1]), seed=case
        )
    for said in (Reader(html(report, figures={})).text, markdown(report)):
        for phrase in FORBIDDEN:
            assert phrase not in said.lower(), phrase


# --- content ----------------------------------------------------------------------------------------------------


def test_preferences_are_the_input(reports, pages):
    facts = reports["tuning"].answers[1].preferred
    rows = Reader(pages["tuning"]).table("Who", "Preferred Heron", "Preferred Plover", "No preference")
    for row, one in zip(rows, (*facts.listeners, facts.answered), strict=True):
        assert row[:5] == [one.who, str(one.wins), str(one.losses), str(one.ties), percent(one.proportion, 1)]
        assert row[5] == f"{percent(one.interval[0], 1)} to {percent(one.interval[1], 1)}"
        assert row[6] == f"{percent(one.lower_limit, 1)} to {percent(one.upper_limit, 1)}"
        assert row[7:9] == [p_words(one.p_value), p_words(one.adjusted_p_value)]
    by_clip = Reader(pages["tuning"]).table("Clip", "Preferred Heron")
    assert [row[1:4] for row in by_clip] == [[str(t.wins), str(t.losses), str(t.ties)] for t in facts.by_clip]
    strengths = Reader(pages["tuning"]).table("", "Estimate", "Standard error")
    assert [row[1] for row in strengths[:2]] == [decibel(one.estimate, 2) for one in facts.strengths.strengths]
    assert strengths[2][:2] == ["being heard first", decibel(facts.strengths.order_effect, 2)]


def test_every_claim_stands_in_one_table(reports, pages):
    rows = Reader(pages["tuning"]).table("Claim", "Kind", "Standing", "Ends as")
    assert [row[1:4] for row in rows] == [
        [one.claim.kind, one.claim.role, one.word] for one in reports["tuning"].answers
    ]
    for row in rows:
        assert re.search(r"\d+ of \d+", row[4])
        assert "interval" in row[4]


def test_primary_comes_first_whichever_it_is(make_tuning_report):
    said = Reader(html(make_tuning_report(primary="preferred"), figures={})).text
    assert "Is Heron preferred to Plover, blind and at equal loudness?" in said
    assert "Can it be heard? (confirmatory)" in said
    assert said.index("A preference for Heron") < said.index("A difference between Heron")


@pytest.mark.parametrize("kind", ["panel", "single"])
def test_effects_and_rejections_are_the_input(reports, pages, kind):
    facts = reports[kind].answers[0].rated
    read = Reader(pages[kind])
    rows = read.table("Effect", "Estimate", "Interval", "Lower and upper limit")
    for row, effect in zip(rows, (facts.labelled, facts.blind, facts.difference, facts.kept_contrast), strict=True):
        assert row[1:4] == [
            points(effect.estimate),
            span(effect),
            f"{points(effect.lower_limit)} and {points(effect.upper_limit)}",
        ]
    rejected = read.table("State", "It says", "Rejected if")
    assert [(row[0], row[3], row[4]) for row in rejected] == [
        (one.state, points(one.limit, 2), "yes" if one.rejected else "no") for one in facts.rejections
    ]
    repeats = read.table("By", "Ends as", "Labelled")
    assert [row[0] for row in repeats] == ["anchors", "signs"]
    recognised = read.table("Who", "Right", "Names to choose from")
    assert recognised[0][1].replace("\u00a0", " ") == "9 of 24"
    assert recognised[0][6] == p_words(facts.recognition[0].p_value)


def test_phases_are_explained_and_worn_is_kept_apart(pages, kind):
    said = Reader(pages[kind]).text
    explained = "minus labelled is what rendering loses" in said and "never an effect of blinding" in said
    assert explained == (kind != "tuning")


def test_anchors_decoys_and_corrections_are_named(pages):
    said = Reader(pages["panel"]).text
    for words in (
        "low anchor",
        "high anchor",
        "decoy",
        "Anchors, one plainly poor and one plainly good, were rated on average",
        "A decoy, Heron, tilted, whose name was never shown",
    ):
        assert words in said, words
    said = Reader(pages["tuning"]).text
    for words in (
        "Correction of Heron, open-back",
        "headroom",
        "a narrow dip, not filled",
        "filters/heron-corrected.wav",
    ):
        assert words in said, words


def test_the_doubter_is_answered(pages, kind):
    said = Reader(pages[kind]).text
    for heading in (
        "Was one of them simply louder?",
        "Who chose the music, and when?",
        "What was known before anybody listened?",
        "Was the claim made to fit the answers?",
        "Did listeners recognise what they heard?",
        "Were bad runs left out?",
        "Could the listeners hear anything at all?",
        "What could have been missed?",
        "What does rendering leave out?",
        "What does the seal show here?",
    ):
        assert heading in said, heading
    assert "in folders it came from" in said


def test_anchor_control_counts_pages(reports, pages):
    """By hand: pages (listener, sitting, clip) on which the poor anchor's mean is not below the good one's."""
    held = {}
    for r in reports["panel"].ratings:
        if r.condition in ("low", "high"):
            held.setdefault((r.listener, r.sitting, r.clip), {}).setdefault(r.condition, []).append(r.rating)
    turned = sum(sum(p["low"]) / len(p["low"]) >= sum(p["high"]) / len(p["high"]) for p in held.values())
    assert f"On {turned} of {len(held)} pages the poor one was not rated below" in Reader(pages["panel"]).text


def test_every_rating_is_drawn(reports, drawn):
    rows = drawn["panel"]["ratings"].rows
    assert len(rows) == len(reports["panel"].ratings)
    assert [row[5] for row in rows] == [r.rating for r in reports["panel"].ratings]
    many = replace(reports["panel"], ratings=reports["panel"].ratings * 2)
    averaged = ratings_figure(many)
    assert len(averaged.rows) == len({(r.listener, r.mode, r.clip, r.condition) for r in many.ratings})
    assert "mean over sittings and repeats is drawn instead" in averaged.description


def test_effects_figure_holds_units_and_means(reports, drawn):
    facts = reports["panel"].answers[0].rated
    rows = drawn["panel"]["effects"].rows
    assert [row[0] for row in rows[: len(facts.units)]] == [one.name for one in facts.units]
    assert rows[len(facts.units)] == ("mean", facts.labelled.estimate, facts.blind.estimate)
    words = drawn["panel"]["effects"].svg
    for state in ("survives", "shrinks", "vanishes", "reverses", "margin, +8", "two thirds kept"):
        assert f">{state}<" in words, state


def test_choices_are_in_the_order_heard(reports, drawn):
    trials = [t for t in reports["tuning"].trials if t.method == "preference"]
    rows = drawn["tuning"]["choices"].rows
    short = {"heron": "Heron", "plover": "Plover", "": "no preference"}
    assert [row[5] for row in rows] == [short[trial.chosen] for trial in trials]
    assert [row[4] for row in rows] == [short[trial.slots[0][1]] for trial in trials]
    # Right and wrong answers of the other block stay apart.
    assert len(drawn["tuning"]["trials"].rows) == 84


def test_trials_of_each_method_have_a_table_of_their_own(pages):
    read = Reader(pages["tuning"])
    groups = [t for t in read.tables if t[0][:3] == ["Sitting", "Listener", "Trial"]]
    assert [t[0][5:-5] for t in groups] == [
        ["A", "B", "X", "Right answer", "Answer"], ["1", "2", "Answer"],
    ]  # fmt: skip
    rated = [t for t in Reader(pages["panel"]).tables if t[0][:3] == ["Sitting", "Listener", "Trial"]]
    assert "1: 22; 2: 70; 3: 55; 4: 51; 5: 90" in rated[0][1]


# --- the record -------------------------------------------------------------------------------------------------


def test_the_quotation_is_verbatim_with_all_that_was_known(reports, pages, kind):
    said = Reader(pages[kind]).text
    one = reports[kind].impressions[0]
    for words in (one.quote, one.hash, one.who, "price, maker", "worn for 2 hours", "serial ends in 0417"):
        assert words in said
    assert "before the unit was measured; before the study was sealed; before the first sitting began" in said


def test_order_of_everything_on_record(reports):
    order = timeline(reports["panel"])
    assert [one.at for one in order] == sorted(one.at for one in order)
    kinds = [one.kind for one in order]
    assert kinds[:4] == ["clip chosen", "impression", "measurement", "seal"]
    assert kinds.count("sitting") == len(reports["panel"].sittings)
    assert len(condensed(order)) == 5
    assert condensed(order)[-1].what == "48\u00a0sittings until 2026-04-21"


def test_a_bare_day_leaves_the_order_open(reports):
    base = reports["panel"]
    said = base.impressions[0]
    same_day = replace(base, impressions=(replace(said, when=said.when + timedelta(days=3)),))
    order = {one.kind: one for one in timeline(same_day)}
    assert order["measurement"].only_day
    assert before(order["impression"], order["measurement"]) is None
    text = Reader(html(same_day, figures={})).text
    assert "which came first is not recorded" in text


def test_a_graph_seen_first_is_said(reports):
    base = reports["panel"]
    seen = RecordEvent(kind="graph seen", what="check drew the response", when=base.impressions[0].when - timedelta(1))
    text = Reader(html(replace(base, events=(seen,)), figures={})).text
    assert "after a graph was seen" in text


def test_measurements_in_the_folder_are_counted(reports):
    base = reports["panel"]
    known = replace(base.impressions[0], files=(("measurements/heron/1.txt", "ab" * 32),))
    text = Reader(html(replace(base, impressions=(known,)), figures={})).text
    assert "1 measurement file lay in the folder at that moment" in text


def test_withheld_words_stay_withheld(reports):
    base = reports["panel"]
    gone = ImpressionFacts.of("ee" * 32, None, base.impressions[0].when)
    page = html(replace(base, impressions=(gone,)), figures={})
    assert "Words withheld at the listener's request" in page
    assert "ee" * 32 in page
    assert base.impressions[0].quote not in page


def test_an_impression_of_the_store_is_read():
    row = {
        "quote": "a little warm",
        "who": "R-1",
        "unit": {"id": "heron", "serial_suffix": "0417", "revision": "B", "rig": "ear simulator 2"},
        "against": "plover",
        "clips": ["voice"],
        "known": ["price"],
        "worn": "2 hours",
        "when": "2026-02-27T21:40:00+00:00",
        "files": {"measurements/a.txt": "ab" * 32},
    }
    one = ImpressionFacts.of("12" * 32, row)
    assert (one.quote, one.unit, one.rig, one.clips, one.known) == (
        "a little warm", "heron", "ear simulator 2", ("voice",), ("price",),
    )  # fmt: skip
    assert one.when.isoformat() == "2026-02-27T21:40:00+00:00"
    assert one.files == (("measurements/a.txt", "ab" * 32),)


# --- Markdown ---------------------------------------------------------------------------------------------------


def test_markdown_tells_every_claim(reports, kind):
    said = markdown(reports[kind])
    for one in reports[kind].answers:
        assert f"**Result: {one.word}.**" in said
    assert "3f9c0a2b" in said
    assert "Plans ever sealed here" in said


# --- hostile text -----------------------------------------------------------------------------------------------

HOSTILE = (
    '"></title></style><script>alert(1)</script><img src=x onerror=alert(1)>{{ 7*7 }}{% raw %}</svg>&lt;\x00\u202e'
)
FIXED = {
    "state", "grade", "conclusion", "phase", "method", "over", "match", "player", "right", "answer", "kind", "word",
    "verdict", "remaining", "unit", "what", "mode", "direction", "side", "anchor", "device", "comparator", "id",
    "condition", "compared", "slots", "word_if_answered_only", "order", "by", "item", "chosen", "measured", "when",
    "separated", "chances",
}  # fmt: skip


def _replaced(value, text):
    if isinstance(value, str):
        return text
    if is_dataclass(value):
        return replace(
            value, **{f.name: _replaced(getattr(value, f.name), text) for f in fields(value) if f.name not in FIXED}
        )
    if isinstance(value, tuple):
        return tuple(_replaced(one, text) for one in value)
    if isinstance(value, dict):
        return {f"{text}{place}": _replaced(one, text) for place, one in enumerate(value.values())}
    return value


@pytest.mark.slow
def test_no_text_of_a_user_becomes_markup_anywhere(reports, kind):
    calm, hostile = _replaced(reports[kind], "calm words"), _replaced(reports[kind], HOSTILE)

    def structure(page):
        return [(tag, sorted(attributes)) for tag, attributes, _ in Reader(page).elements]

    assert structure(html(hostile, figures={})) == structure(html(calm, figures={}))
    whole = html(hostile)
    assert "<script" not in whole
    assert "<img" not in whole
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00]", whole)
    said = markdown(hostile)
    assert "<script" not in said
    assert "<img" not in said


# --- in a browser -----------------------------------------------------------------------------------------------


@pytest.mark.browser
def test_pages_fit_a_narrow_screen_and_are_silent(pages, tmp_path, require):
    """WCAG 2.2, 1.4.10: at 320 CSS pixels only figures and tables scroll sideways. No request, no console line."""
    chromium = shutil.which("chromium")
    require("browser", chromium is not None, "no chromium on this machine")
    require("browser", find_spec("playwright") is not None, "playwright is not installed")
    from playwright import sync_api as playwright

    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--headless", "--no-sandbox", "--disable-gpu"])
        try:
            for name, text in pages.items():
                page_file = tmp_path / f"{name}.html"
                page_file.write_text(text, encoding="utf-8")
                said, asked = [], []
                page = browser.new_page(viewport={"width": 320, "height": 800})
                page.on("console", lambda message, said=said: said.append(message.text))
                page.on("request", lambda request, asked=asked: asked.append(request.url))
                page.goto(page_file.as_uri())
                assert page.evaluate("document.documentElement.scrollWidth") <= 320
                assert page.locator("svg[role=img]").count() >= 7
                assert said == []
                assert asked == [page_file.as_uri()]
                page.close()
        finally:
            browser.close()
