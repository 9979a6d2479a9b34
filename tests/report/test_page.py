"""The page and the Markdown block: whole, self-contained, honest, and deaf to what a user's text would like to be."""

import importlib.util
import re
import shutil
from collections import Counter
from dataclasses import fields, is_dataclass, replace
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from blindtest.report import ConditionFacts, SealFacts, figures, html, markdown
from blindtest.report import page as page_module
from blindtest.report.page import LARGEST_BYTES
from blindtest.report.svg import DARK, LIGHT
from blindtest.report.words import escaped_markdown, number, p_words, percent

spec = importlib.util.spec_from_file_location("page_reader", Path(__file__).with_name("page_reader.py"))
page_reader = importlib.util.module_from_spec(spec)
spec.loader.exec_module(page_reader)
Reader, FORBIDDEN = page_reader.Reader, page_reader.FORBIDDEN


@pytest.fixture(scope="module")
def report(make_report, truth):
    return make_report((25, 16), unanswered=3, truth=truth, invented=True)


@pytest.fixture(scope="module")
def text(report):
    return html(report)


@pytest.fixture(scope="module")
def read(text):
    return Reader(text)


# --- form -------------------------------------------------------------------------------------------------------


def test_same_input_same_bytes(report, text):
    assert html(report) == text
    assert html(report, figures=figures(report)) == text
    assert markdown(report) == markdown(report)


def test_page_is_small_and_loads_nothing(text, read):
    assert len(text.encode()) <= LARGEST_BYTES
    assert "http://" not in text
    assert "https://" not in text
    assert "@import" not in text
    assert "url(" not in re.sub(r"url\(#[\w-]+\)", "", text)
    tags = {tag for tag, _, _ in read.elements}
    assert not tags & {"script", "link", "img", "iframe", "object", "embed", "base", "form", "audio", "video"}
    for tag, attributes, _ in read.elements:
        assert not [name for name in attributes if name.startswith("on") or name in ("src", "srcset", "action")], tag
        assert attributes.get("href", "#").startswith("#")
    policy = [a["content"] for t, a, _ in read.elements if t == "meta" and "http-equiv" in a]
    assert policy == ["default-src 'none'; style-src 'unsafe-inline'"]


def test_a_long_test_stays_under_the_limit(make_report):
    """20 listeners of 28 trials: every trial printed."""
    assert len(html(make_report((20,) * 20)).encode()) <= LARGEST_BYTES


def test_ids_are_unique_and_every_reference_arrives(read):
    ids = [a["id"] for _, a, _ in read.elements if "id" in a]
    assert [one for one, count in Counter(ids).items() if count > 1] == []
    for _, attributes, _ in read.elements:
        for name in ("aria-labelledby", "aria-describedby"):
            for one in attributes.get(name, "").split():
                assert one in ids
        if attributes.get("href", "").startswith("#"):
            assert attributes["href"][1:] in ids


def test_headings_are_in_order_and_the_language_is_named(read):
    levels = [int(tag[1]) for tag, _, _ in read.elements if re.fullmatch("h[1-6]", tag)]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert next(a for t, a, _ in read.elements if t == "html")["lang"] == "en"
    first_link = next(a for t, a, _ in read.elements if t == "a")
    assert first_link == {"class": "skip", "href": "#main"}


def test_every_figure_has_name_words_and_data(report, read, text):
    drawn = figures(report)
    pictures = [a for t, a, _ in read.elements if t == "svg"]
    assert len(pictures) == len(drawn) == 7
    assert all(a["role"] == "img" for a in pictures)
    for figure in drawn.values():
        # Once in the drawing itself, once beside its data.
        assert read.text.count(figure.description.replace("\u00a0", " ")) == 2
        rows = [t for t in read.tables if tuple(t[0]) == figure.columns]
        assert len(rows) == 1
        assert len(rows[0]) == len(figure.rows) + 1
        for printed, row in zip(rows[0][1:], figure.rows, strict=True):
            for cell, value in zip(printed, row, strict=True):
                assert cell == (number(value, figure.digits) if isinstance(value, float) else str(value))


def test_tables_have_headers_with_scope(read):
    for tag, attributes, inside in read.elements:
        if tag == "th":
            assert attributes.get("scope") in ("col", "row"), inside


def test_what_scrolls_can_be_reached_by_keyboard(read):
    for _, attributes, _ in read.elements:
        if "scroll" in attributes.get("class", "").split():
            assert attributes["tabindex"] == "0"
            assert attributes["aria-label"]


def test_light_dark_and_print(text):
    style = re.search(r"<style>(.*?)</style>", text, re.S).group(1)
    assert "@media (prefers-color-scheme:dark)" in style
    assert "@media print" in style
    for palette in (LIGHT, DARK):
        for role, colour in palette.items():
            assert f"--fig-{role}:{colour}" in style


def _luminance(colour):
    colour = colour if len(colour) == 7 else "#" + "".join(2 * c for c in colour[1:])
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_words_can_be_read_on_every_ground():
    """WCAG 2.2, 1.4.3: 4.5:1, in all three styles."""
    style = (Path(page_module.__file__).parent / "templates" / "report.css").read_text(encoding="utf-8")
    blocks = re.findall(r":root\{(.*?)\}", style, re.S)
    assert len(blocks) == 3
    for block in blocks:
        colour = dict(re.findall(r"--([\w-]+):(#[0-9a-f]{3,6})", block))
        for ground in (colour["ground"], colour["sheet"]):
            for role in ("ink", "soft", "link", "shown", "negligible", "open", "refuted", "shrinks"):
                high, low = sorted((_luminance(colour[role]), _luminance(ground)), reverse=True)
                assert (high + 0.05) / (low + 0.05) >= 4.5, (role, colour[role], ground)


# --- words ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", [(25, 24), (15, 14), (17,), (28, 28), (0,)])
@pytest.mark.parametrize("grade", ["consistent", "anchored", "witnessed", "broken", "unsealed"])
def test_what_is_never_said(make_report, case, grade):
    report = make_report(case, seal=SealFacts(grade=grade))
    for said in (Reader(html(report, figures={})).text, markdown(report)):
        for phrase in FORBIDDEN:
            assert phrase not in said.lower(), phrase


def test_figures_never_say_it_either(report):
    for figure in figures(report).values():
        for phrase in FORBIDDEN:
            assert phrase not in figure.svg.lower()


def test_sections_a_reader_needs(read):
    headings = (
        "Question and result",
        "How it was done",
        "Results in full",
        "What the score means beyond guessing",
        "Unanswered trials, counted both ways",
        "Result beside the truth",
        "What was heard",
        "Units measured",
        "Clips",
        "Level",
        "If you doubt it",
        "Was one of them simply louder?",
        "Who chose the music, and when?",
        "Were bad runs left out?",
        "Could the listeners hear anything at all?",
        "What could have been missed?",
        "What this does not tell",
        "What the seal shows here: consistent",
        "What it does not show",
        "Register of all sittings",
        "Every trial",
        "Versions, files, seeds",
        "Hearing and data",
    )
    for heading in headings:
        assert heading in read.text, heading
    for words in (
        "as rendered from measurement",
        "differencing",
        "leakage on the listener's own head",
        "8 to 10 kHz",
        "trusted from 20 Hz to 10 kHz",
        "played by a web browser",
        "A pseudonym is still personal data",
        "The level of the sitting is unknown.",
        "The listener could have read the plan",
        "chosen by reviewer on 2026-01-15",
        "the browser's own rate was 44.1 kHz",
        "Devices, clips and listeners are invented",
    ):
        assert words in read.text, words


def test_recordings_are_not_said_to_be_rendered(make_report):
    files = tuple(ConditionFacts(id=i, chain=("a recording",), from_measurement=False) for i in ("heron", "plover"))
    said = Reader(html(make_report(conditions=files), figures={})).text
    assert not re.search(r"\bas rendered from measurement", said)
    assert "Nothing was rendered from measurement" in said


def test_a_sealed_plan_stays_sealed(make_report):
    base = make_report((20,))
    open_sitting = replace(base.sittings[0], state="open", nonce=None, ended=None)
    said = Reader(html(replace(base, sittings=(open_sitting,), results=None, trials=()), figures={})).text
    assert "still sealed" in said
    assert "No sitting has been finished yet." in said
    assert base.sittings[0].nonce not in said


def test_a_page_without_any_sitting(make_report):
    bare = make_report(results=None, trials=(), sittings=(), responses=(), filters=(), match=(), units=(), clips=())
    assert "Nobody has finished a sitting yet" in Reader(html(bare)).text
    assert "Nobody has finished a sitting yet" in markdown(bare)


def test_an_unsealed_test_claims_no_seal(make_report):
    said = Reader(html(make_report(seal=SealFacts(grade="unsealed")), figures={})).text
    assert "No seal was made" in said
    assert "a fingerprint (commitment)" not in said


# --- numbers ----------------------------------------------------------------------------------------------------


def test_result_table_is_the_input(report, read):
    rows = read.table("Who", "Right", "Proportion", "Interval")
    tested = (*report.results.listeners, report.results.pooled)
    for row, one in zip(rows, tested, strict=True):
        assert row == [
            one.who,
            f"{one.correct}\u00a0of\u00a0{one.trials}",
            percent(one.proportion, 1),
            f"{percent(one.interval[0], 1)} to {percent(one.interval[1], 1)}",
            percent(one.lower_limit, 1),
            p_words(one.p_value),
            p_words(one.adjusted_p_value),
            percent(one.upper_limit, 1),
            p_words(one.similarity_p_value),
        ]
    for row, one in zip(read.table("Who", "Distinguishers"), tested, strict=True):
        assert row[1:] == [
            percent(one.share, 1),
            f"{percent(one.share_interval[0], 1)} to {percent(one.share_interval[1], 1)}",
            number(one.d_prime),
            f"{number(one.d_prime_interval[0])} to {number(one.d_prime_interval[1])}",
        ]


def test_both_ways_of_counting_stand_side_by_side(report, read):
    results = report.results
    rows = read.table("Counting")
    for row, one in zip(rows, (results.pooled, results.unanswered_as_wrong, results.unanswered_as_right), strict=True):
        assert row[1] == f"{one.correct}\u00a0of\u00a0{one.trials}"
        assert row[2] == percent(one.proportion, 1)
        assert row[5] == p_words(one.p_value)
    assert [row[1].replace("\u00a0", " ") for row in rows] == ["41 of 53", "41 of 56", "44 of 56"]


def test_match_table_is_the_input(report, read):
    for row, line in zip(read.table("Clip", "Condition"), report.match, strict=True):
        assert row[:2] == [line.clip, line.condition]
        printed = [float(cell.replace("\u2212", "-")) for cell in row[2:]]
        assert printed == pytest.approx(
            [
                line.heard_before,
                line.gain_db,
                line.heard_after,
                line.file_before,
                line.file_after,
                line.a_weighted_before,
                line.a_weighted_after,
                line.rms_before,
                line.rms_after,
                line.true_peak_after,
            ],
            abs=0.0050001,
        )
        assert printed[2] == pytest.approx(line.heard_after, abs=0.00050001)


def test_every_trial_is_printed_with_its_truth(report, read):
    rows = read.table("Sitting", "Listener", "Trial")
    assert len(rows) == len(report.trials) == 60
    for row, trial in zip(rows, report.trials, strict=True):
        held = dict(trial.slots)
        result = "unanswered" if trial.correct is None else "right" if trial.correct else "wrong"
        assert row[:11] == [
            str(trial.sitting),
            trial.listener,
            str(trial.trial),
            trial.phase,
            trial.clip,
            held["A"],
            held["B"],
            held["X"],
            trial.right,
            trial.answer or "–",
            result,
        ]
        assert held["X"] == held[trial.right]


def test_register_lists_every_sitting_with_commitment_and_nonce(report, read):
    rows = read.table("Sitting", "Listener", "State")
    assert [(row[0], row[1], row[5], row[6]) for row in rows] == [
        (str(s.number), s.listener, str(s.planned), str(s.answered)) for s in report.sittings
    ]
    assert "abandoned: the deadline of its plan passed" in rows[1][2]
    for sitting in report.sittings:
        for value in (sitting.commitment, sitting.nonce, sitting.chain_head):
            assert value in read.text


def test_truth_stands_beside_the_result(report, read):
    rows = read.table("Simulated listener")
    for row, told, found in zip(rows, report.truth, report.results.listeners, strict=True):
        assert row[1] == percent(told.proportion, 1)
        assert row[2] == percent(found.proportion, 1)
        assert row[8] == ("yes" if found.interval[0] <= told.proportion <= found.interval[1] else "no")


def test_a_hash_that_the_seal_holds_is_not_listed_again(report):
    (one, *_) = [clip.sha256 for clip in report.clips if clip.sha256]
    read = html(replace(report, hashes={"file clips/one.flac": one}), figures={})
    assert read.count(f"<code>{one}</code>") == 1


def test_hashes_versions_and_seeds_are_all_there(report, read):
    for value in (*report.hashes.values(), *report.seeds.values(), "ab" * 32, "cd" * 32, report.seal.study_nonce):
        assert value in read.text
    assert "blindtest 0.1.0" in read.text


def test_markdown_says_the_same(report):
    said = markdown(report)
    results = report.results
    assert said.startswith("### Heron against Plover\n")
    assert f"**Result: {results.conclusion}.**" in said
    for one in (*results.listeners, results.pooled):
        assert f"| {one.correct} of {one.trials} | {percent(one.share)} |" in said
    assert report.seal.study_commitment in said
    assert "rendered from measurement" in said


# --- hostile text -----------------------------------------------------------------------------------------------

HOSTILE = (
    '"></title></style><script>alert(1)</script><img src=x onerror=alert(1)>{{ 7*7 }}{% raw %}</svg>&lt;\x00\u202e'
)
FIXED = {"state", "grade", "conclusion", "phase", "method", "over", "match", "player", "right", "answer"}


def _replaced(value, text):
    """Return `value` with every free text in it, at any depth, replaced."""
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


def _structure(page):
    return [(tag, sorted(attributes)) for tag, attributes, _ in Reader(page).elements]


def test_no_text_of_a_user_becomes_markup_anywhere(report):
    """Every text, down to nonces and clip names, exchanged for a hostile one: the elements stay what they were."""
    calm, hostile = _replaced(report, "calm words"), _replaced(report, HOSTILE)
    assert _structure(html(hostile, figures={})) == _structure(html(calm, figures={}))
    whole = html(hostile)
    assert "<script" not in whole
    assert "<img" not in whole
    assert "{{ 7*7 }}" in Reader(whole).text
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00]", whole)
    said = markdown(hostile)
    assert "<script" not in said
    assert "<img" not in said


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(words=st.text(max_size=80))
def test_any_title_is_printed_as_it_is(make_report, words):
    report = make_report((20,), title=words, question=words)
    page = html(report, figures={})
    expected = _structure(html(make_report((20,), title="calm", question="calm"), figures={}))
    assert _structure(page) == expected


@given(st.text(max_size=200))
def test_markdown_of_any_text_has_no_markup_of_its_own(words):
    """As read by markdown-it-py (CommonMark, tables): only the elements of a calm block."""
    markdown_it = pytest.importorskip("markdown_it")
    parser = markdown_it.MarkdownIt("commonmark").enable(["table", "strikethrough"])

    def kinds(text):
        block = f"### {escaped_markdown(text)}\n\n- **x** {escaped_markdown(text)}\n"
        return [
            (token.type, [child.type for child in token.children or () if child.type != "text"])
            for token in parser.parse(block)
        ]

    assert kinds(words) == kinds("calm")


# --- in a browser -----------------------------------------------------------------------------------------------


@pytest.mark.browser
def test_page_fits_a_narrow_screen_and_is_silent(text, tmp_path, require):
    """WCAG 2.2, 1.4.10: at 320 CSS pixels only figures and tables scroll sideways. No request, no console line."""
    chromium = shutil.which("chromium")
    require("browser", chromium is not None, "no chromium on this machine")
    require("browser", find_spec("playwright") is not None, "playwright is not installed")
    from playwright import sync_api as playwright

    page_file = tmp_path / "report.html"
    page_file.write_text(text, encoding="utf-8")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--headless", "--no-sandbox", "--disable-gpu"])
        try:
            said, asked = [], []
            page = browser.new_page(viewport={"width": 320, "height": 800})
            page.on("console", lambda message: said.append(message.text))
            page.on("request", lambda request: asked.append(request.url))
            page.goto(page_file.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= 320
            assert page.locator("svg[role=img]").count() == 7
            page.get_by_text("60 trials").click()
            assert page.locator("#trials ~ details table").is_visible()
            assert said == []
            assert asked == [page_file.as_uri()]
        finally:
            browser.close()
