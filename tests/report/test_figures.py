"""Figures: the same bytes on every run, text as text, data as drawn, colours that can be told apart."""

import hashlib
import os
import re
import struct
import subprocess
import sys
import zlib
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindtest.report import ConditionFacts, ResponseCurve, figures
from blindtest.report.curves import POINTS, thinned
from blindtest.report.heard_figures import trials_figure
from blindtest.report.sound_figures import match_figure, response_figure
from blindtest.report.svg import DARK, LIGHT

SVG = "{http://www.w3.org/2000/svg}"
NAMES = ["results", "trials", "times", "responses", "filters", "match", "plan"]


@pytest.fixture(scope="module")
def drawn(make_report):
    return figures(make_report())


def _digest(all_figures):
    whole = hashlib.sha256()
    for figure in all_figures.values():
        whole.update(figure.svg.encode() + figure.inline.encode() + figure.png)
    return whole.hexdigest()


def test_every_figure_is_there(drawn):
    assert list(drawn) == NAMES


def test_same_bytes_again_whatever_the_caller_has_set(make_report, drawn):
    import matplotlib

    with matplotlib.rc_context(
        {"svg.fonttype": "path", "font.size": 30, "axes.facecolor": "red", "path.simplify": True}
    ):
        assert _digest(figures(make_report())) == _digest(drawn)
        assert matplotlib.rcParams["font.size"] == 30


@pytest.mark.long
def test_same_bytes_in_other_processes(tmp_path):
    """Another hash seed, another folder, another time zone: the same bytes."""
    script = tmp_path / "draw.py"
    script.write_text(
        "import hashlib, numpy as np\n"
        "from blindtest.report.heard_figures import power_figure\n"
        "from blindtest.report.sound_figures import filters_figure\n"
        "from blindtest.report import *\n"
        "from datetime import datetime, timezone\n"
        "f = np.geomspace(20, 20000, 700)\n"
        "r = ReportInput(title='t', generated_at=datetime(2026, 1, 1, tzinfo=timezone.utc),\n"
        "  conditions=(ConditionFacts(id='a'), ConditionFacts(id='b')), compared=('a', 'b'),\n"
        "  protocol=ProtocolFacts(name='abx', trials=28, margin=.5), plan=PlanFacts.of(28, method='abx', margin=.5),\n"
        "  filters=(FilterCurve(condition='a', frequency=f, magnitude_db=np.sin(f / 900)),))\n"
        "for one in (filters_figure(r), power_figure(r)):\n"
        "    print(hashlib.sha256(one.svg.encode() + one.png).hexdigest())\n"
    )
    seen = set()
    for seed, zone in (("1", "UTC"), ("2", "Asia/Tokyo")):
        environment = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone}
        ran = subprocess.run([sys.executable, script], cwd=tmp_path, env=environment, capture_output=True, text=True)
        assert ran.returncode == 0, ran.stderr
        seen.add(ran.stdout)
    assert len(seen) == 1
    assert len(seen.pop().split()) == 2


@pytest.mark.parametrize("name", NAMES)
def test_a_file_names_and_describes_itself_for_all_readers(drawn, name):
    figure = drawn[name]
    root = ElementTree.fromstring(figure.svg.encode())
    assert root.tag == SVG + "svg"
    assert root.get("role") == "img"
    assert root[0].tag == SVG + "title"
    assert (root[0].get("id"), root[0].text) == (root.get("aria-labelledby"), figure.title)
    assert root[1].tag == SVG + "desc"
    assert (root[1].get("id"), root[1].text) == (root.get("aria-describedby"), figure.description)
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    assert all(one.startswith(f"{name}-") for one in ids)
    for reference in re.findall(r'(?:url\(#|href="#)([^)"]+)', figure.svg):
        assert reference in ids
    assert figure.svg.replace('xmlns="http://www.w3.org/2000/svg"', "").count("http") == 0
    assert "http" not in figure.inline
    assert "<style" not in figure.inline
    assert not re.search(r"\d{4}-\d\d-\d\dT", figure.svg)


def test_text_stays_text(drawn):
    words = {
        "results": ["guessing", "margin", "L-7001", "25 of 28 right", "all answers"],
        "trials": ["right", "wrong", "L-7002, sitting 2"],
        "responses": ["Heron", "Plover", "Heron minus Plover", "trusted", "frequency, Hz", "10k"],
        "filters": ["a limit acted here", "applied filter, dB"],
        "match": ["The strings", "heard, BS.1770", "A-weighted"],
        "plan": ["ends as shown", "ends as", "negligible"],
    }
    for name, expected in words.items():
        texts = [e.text for e in ElementTree.fromstring(drawn[name].svg.encode()).iter(SVG + "text")]
        joined = " | ".join(text or "" for text in texts)
        for word in expected:
            assert word in joined, (name, word, joined)


def _chunks(png):
    place = 8
    while place < len(png):
        length, kind = struct.unpack(">I4s", png[place : place + 8])
        data = png[place + 8 : place + 8 + length]
        assert struct.unpack(">I", png[place + 8 + length : place + 12 + length])[0] == zlib.crc32(kind + data)
        yield kind.decode(), data
        place += 12 + length


@pytest.mark.parametrize("name", NAMES)
def test_png_is_whole_described_and_undated(drawn, name):
    """Chunk layout and checksums by the PNG specification (W3C, third edition, 5)."""
    figure = drawn[name]
    assert figure.png.startswith(b"\x89PNG\r\n\x1a\n")
    chunks = list(_chunks(figure.png))
    assert chunks[0][0] == "IHDR"
    assert chunks[-1][0] == "IEND"
    words = b"".join(data for kind, data in chunks if kind in ("tEXt", "iTXt"))
    assert figure.title.encode() in words
    assert b"Software" not in words
    assert "tIME" not in [kind for kind, _ in chunks]


# --- data -------------------------------------------------------------------------------------------------------


def test_tables_hold_what_went_in(make_report, drawn):
    report = make_report()
    rows = drawn["results"].rows
    assert [row[0] for row in rows] == ["L-7001", "L-7002", "all answers"]
    for row, one in zip(rows, (*report.results.listeners, report.results.pooled), strict=True):
        assert row[1:] == (one.correct, one.trials, one.proportion, *one.interval)
    counted = [trial for trial in report.trials if trial.counted]
    assert [row[3] for row in drawn["trials"].rows] == ["right" if trial.correct else "wrong" for trial in counted]
    plan = drawn["plan"].rows
    assert [row[0] for row in plan] == list(report.plan.shares)
    assert [row[1] for row in plan] == list(report.plan.chance_shown)


def test_unanswered_trials_are_drawn(make_report):
    figure = trials_figure(make_report((20, 12), unanswered=3))
    assert sum(row[3] == "unanswered" for row in figure.rows) == 3
    assert "unanswered" in figure.svg
    assert ", 3 unanswered" in figure.description, "who hears the figure in words is told no wrong answers"
    assert "unanswered" not in trials_figure(make_report((20, 12))).description


def test_a_trial_offered_again_is_drawn_once(make_report):
    base = make_report((20,))
    last = base.trials[-1]
    torn = replace(last, answer=None, correct=None, answered_at=None)
    again = replace(base, trials=(*base.trials[:-1], torn, replace(last, attempt=1)))
    assert trials_figure(again).rows == trials_figure(base).rows
    assert len(trials_figure(base).rows) == 28


def test_difference_is_that_of_the_measurements(make_report):
    """Equal but for a shelf of -6 dB below 100 Hz, and 11 dB louder: the difference is +6 dB there and 0 at 1 kHz."""
    frequency = np.geomspace(20, 20_000, 1501)
    bumps = 5 * np.sin(3 * np.log(frequency))
    one = ResponseCurve(name="one", frequency=frequency, level_db=bumps + 80)
    other = ResponseCurve(name="other", frequency=frequency, level_db=bumps + 91 - 6.0 * (frequency < 100))
    figure = response_figure(make_report(responses=(one, other)))
    assert len(figure.rows) <= POINTS
    at = np.array([row[0] for row in figure.rows])
    difference = np.array([row[-1] for row in figure.rows])
    assert difference[at < 99] == pytest.approx(6.0, abs=1e-9)
    assert difference[at > 101] == pytest.approx(0.0, abs=1e-9)


def test_curves_on_different_grids_meet_where_both_were_measured(make_report):
    one = ResponseCurve(name="one", frequency=np.geomspace(10, 21_000, 333), level_db=np.linspace(0, 9, 333))
    other = ResponseCurve(name="other", frequency=np.geomspace(50, 15_000, 77), level_db=np.zeros(77))
    rows = response_figure(make_report(responses=(one, other))).rows
    assert (rows[0][0], rows[-1][0]) == (pytest.approx(50), pytest.approx(15_000))


def test_curves_that_share_no_frequency_are_refused(make_report):
    one = ResponseCurve(name="one", frequency=np.array([20.0, 100.0]), level_db=np.zeros(2))
    other = ResponseCurve(name="other", frequency=np.array([200.0, 1000.0]), level_db=np.zeros(2))
    with pytest.raises(ValueError, match="share no frequencies: from 200 to 100 Hz"):
        response_figure(make_report(responses=(one, other)))


def test_match_figure_is_device_minus_comparator(make_report):
    report = make_report()
    lines = {(line.clip, line.condition): line for line in report.match}
    for row in match_figure(report).rows:
        clip = row[0].removeprefix("The ")
        a, b = lines[clip, "heron"], lines[clip, "plover"]
        assert row[1:] == (
            a.heard_after - b.heard_after,
            a.file_after - b.file_after,
            a.a_weighted_after - b.a_weighted_after,
            a.rms_after - b.rms_after,
        )


@given(
    st.integers(1, 3000),
    st.integers(1, 4),
    st.integers(20, 500),
    st.integers(0, 2**32 - 1),
    st.booleans(),
)
def test_thinning_keeps_ends_and_extremes(length, columns, points, seed, by_ratio):
    rng = np.random.default_rng(seed)
    data = [rng.normal(size=length) for _ in range(columns)]
    along = np.geomspace(20, 20_000, length) if by_ratio else None
    kept = thinned(data, points, along=along)
    assert len(kept) <= points
    assert np.all(np.diff(kept) > 0)
    assert kept[0] == 0
    assert kept[-1] == length - 1
    for column in data:
        assert column[kept].max() == column.max()
        assert column[kept].min() == column.min()


# --- what is missing, and what is hostile -----------------------------------------------------------------------


def test_no_data_no_figure(make_report):
    bare = make_report(results=None, trials=(), responses=(), filters=(), match=())
    assert list(figures(bare)) == ["plan"]


@pytest.mark.parametrize(
    "name",
    [
        "$x_1^2$ \\frac{a}{b}",
        '"><script>alert(1)</script>',
        "\x00\x1b\u202e\ufffe",
        "カワセミ, 密閉型",
        "x" * 500,
        "",
        " ",
    ],
)
def test_any_name_can_be_drawn(make_report, name):
    base = make_report((20,))
    report = replace(
        base,
        conditions=(ConditionFacts(id="heron", name=name), ConditionFacts(id="plover", name=name)),
        responses=tuple(replace(curve, name=name) for curve in base.responses),
        clips=tuple(replace(clip, title=name) for clip in base.clips),
        results=replace(base.results, pooled=replace(base.results.pooled, who=name)),
        trials=tuple(replace(trial, listener=name) for trial in base.trials),
    )
    for figure in figures(report).values():
        ElementTree.fromstring(figure.svg.encode())
        assert "<script" not in figure.inline


# --- colours ----------------------------------------------------------------------------------------------------


def _luminance(colour):
    """Relative luminance, WCAG 2.2."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one, other):
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula_on_black_and_white():
    # WCAG 2.2: black on white is 21:1, the greatest there is.
    assert _contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize(("palette", "grounds"), [(LIGHT, ("#ffffff", "#fcfbf8")), (DARK, ("#15191b", "#1b2023"))])
def test_marks_stand_out_and_words_can_be_read(palette, grounds):
    """WCAG 2.2: 1.4.11 asks 3:1 of graphics, 1.4.3 asks 4.5:1 of text."""
    for ground in grounds:
        assert _contrast(palette["ink"], ground) >= 4.5
        for role in ("soft", "a", "b", "c", "d"):
            assert _contrast(palette[role], ground) >= 3, (role, ground)


def test_palette_is_the_published_one():
    """Okabe & Ito 2008: blue (0, 114, 178), vermillion (213, 94, 0), bluish green (0, 158, 115), sky blue
    (86, 180, 233), orange (230, 159, 0), reddish purple (204, 121, 167); from memory."""
    assert (LIGHT["a"], LIGHT["b"], LIGHT["c"]) == ("#0072b2", "#d55e00", "#009e73")
    assert (DARK["a"], DARK["b"], DARK["d"]) == ("#56b4e9", "#e69f00", "#cc79a7")


def test_every_colour_of_a_drawing_has_its_dark_twin(drawn):
    for figure in drawn.values():
        used = set(re.findall(r"#[0-9a-f]{6}", " ".join(re.findall(r'style="([^"]*)"', figure.svg))))
        assert used <= set(LIGHT.values()), (figure.name, used)
        assert not re.findall(r'style="[^"]*#[0-9a-f]{6}', figure.inline)
