"""A study of own files: nothing of the demo in it, responses in several dialects, clips in several formats."""

import io
import re
import shutil
from datetime import UTC, datetime
from hashlib import shake_256
from itertools import count
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
import soundfile

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.session import SimulatedListener, simulate_sitting, simulated_clock

SKETCH = b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 2 2"><path d="M0 0L2 2"/></svg>'


@pytest.fixture(scope="module", autouse=True)
def sketched():
    """Figures of reports are built whole, and kept as a stroke: pictures take longer than all else in a report.

    What they look like is looked at in tests/report; `drawn` has them drawn. Returns the way they are kept otherwise.
    """
    from matplotlib.figure import Figure
    from matplotlib.image import imsave

    dot = io.BytesIO()
    imsave(dot, np.ones((2, 2, 3)), format="png")
    kept = Figure.savefig

    def keep(figure, target, *, format, **how):
        target.write(SKETCH.decode() if format == "svg" else dot.getvalue())

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Figure, "savefig", keep)
        yield kept


@pytest.fixture
def drawn(sketched, monkeypatch):
    """Figures are drawn as for users."""
    from matplotlib.figure import Figure

    monkeypatch.setattr(Figure, "savefig", sketched)


class Sat(NamedTuple):
    """What came of somebody's sitting."""

    ended: Any
    """The result that `blindtest listen` prints."""
    said: Any
    """What was announced before it."""
    plan: Any


def entropy_of(*name):
    """Return `entropy(n)` that follows from a name: what a test says of a sitting may not hang on what was drawn."""
    counted = count()
    return lambda size: shake_256(f"{name}/{next(counted)}".encode()).digest(size)


@pytest.fixture(scope="session")
def sit():
    """Let a simulated listener sit, as `blindtest listen` lets a person, and go on with what they left open.

    listener: a pseudonym, who then hears with `d_prime`, or a SimulatedListener. They answer by the clock `ticking`, or
    a millisecond apart from `clock` (or now) on; `look` sees the sitting before it ends; the rest goes to
    `prepare_sitting`. Their plan is drawn from who they are and `seed`.
    """

    def sit(
        folder, listener="L-one", *, d_prime=2.5, seed=3, stop_after=None, ticking=None, look=lambda prepared: None,
        **options,
    ):  # fmt: skip
        rng = np.random.default_rng(seed) if isinstance(seed, int) else seed
        who = SimulatedListener(pseudonym=listener, d_prime=d_prime) if isinstance(listener, str) else listener
        own = {"entropy": entropy_of(who.pseudonym, seed if isinstance(seed, int) else "a generator"), **options}
        with steps.prepare_sitting(folder, listener=who.pseudonym, **own) as prepared:
            said, plan = prepared.announcement(), prepared.sitting.plan
            begins = options["clock"]() if "clock" in options else datetime.now(UTC)
            clock = simulated_clock(begins, rng, step_s=0.001) if ticking is None else ticking
            sitting = simulate_sitting(plan, who, rng, clock, study=prepared.sitting.study, stop_after=stop_after)
            for answer in sitting.answers[len(prepared.sitting.answers) :]:
                prepared.answered(answer)
            look(prepared)
            if sitting.over:
                prepared.ended(sitting, clock())
            return Sat(prepared.result(), said, plan)

    return sit


def _levels(frequency, bass, peak, ripple, noise, seed):
    rng = np.random.default_rng(seed)
    level = 88 + bass / (1 + (frequency / 130) ** 2) + peak * np.exp(-((np.log2(frequency / 3100) / 0.55) ** 2))
    return level + ripple * np.sin(2.3 * np.log2(frequency)) + rng.normal(0, noise, len(frequency))


def _write_responses(folder: Path) -> None:
    frequency = np.geomspace(16, 20_500, 260)
    one, other, worn = (folder / "measurements" / name for name in ("first", "second", "worn"))
    for place in (one, other, worn):
        place.mkdir(exist_ok=True)
    for seating in range(3):
        a = _levels(frequency, 4, 9, 1.5, 0.2, seating)
        lines = [f"{f:.3f}\t{level:.3f}" for f, level in zip(frequency, a, strict=True)]
        (one / f"take {seating}.txt").write_text("* own bench\n* Freq [Hz]\tSPL [dB]\n" + "\n".join(lines) + "\n")
        b = _levels(frequency, -3, 12, 3.0, 0.2, 10 + seating)
        rows = [f"{f:.3f};{left:.3f};{left + 0.3:.3f}".replace(".", ",") for f, left in zip(frequency, b, strict=True)]
        text = "Frequenz (Hz);links (dB);rechts (dB)\r\n" + "\r\n".join(rows) + "\r\n"
        (other / f"s{seating}.csv").write_bytes(text.encode("utf-16"))
    c = _levels(frequency, 1, 10, 0.5, 0.0, 20)
    rows = [f"{f / 1000:.6f},{level:.3f}" for f, level in zip(frequency[::-1], c[::-1], strict=True)]
    (worn / "only.csv").write_text("kHz,dB\n" + "\n".join(rows) + "\n")


def _write_worn(folder: Path) -> None:
    """Write the one unit of a correction, with a deep notch, and the target it is to be brought to."""
    frequency = np.geomspace(15, 21_000, 300)
    place = folder / "measurements" / "device"
    place.mkdir(exist_ok=True)
    for seating in range(5):
        level = _levels(frequency, 6, 8, 2.0, 0.3, 30 + seating)
        level = level - 9 * np.exp(-((np.log2(frequency / 5600) / 0.06) ** 2))
        lines = [f"{f:.2f} {db:.2f}" for f, db in zip(frequency, level, strict=True)]
        (place / f"seat-{seating}.txt").write_text("\n".join(lines) + "\n")
    coarse = np.geomspace(20, 20_000, 61)
    target = 1.5 / (1 + (coarse / 110) ** 2) + 10 * np.exp(-((np.log2(coarse / 2900) / 0.7) ** 2))
    rows = [f"{f:.1f};{db:.2f}".replace(".", ",") for f, db in zip(coarse, target, strict=True)]
    (folder / "measurements" / "wanted.csv").write_text("Hz;dB\n" + "\n".join(rows) + "\n")


def _write_clips(folder: Path) -> None:
    rng = np.random.default_rng(404)
    rate = 44_100
    t = np.arange(int(3.5 * rate)) / rate
    tone = sum(np.sin(2 * np.pi * h * 98 * t + h) / h for h in range(1, 40)) * (0.6 + 0.4 * np.sin(2 * np.pi * 1.5 * t))
    hiss = rng.standard_normal((len(t), 2)) * 0.3
    tune = tone[:, None] + hiss
    soundfile.write(folder / "clips" / "tune.flac", 0.4 * tune / np.abs(tune).max(), rate, subtype="PCM_16")
    rate = 48_000
    t = np.arange(4 * rate) / rate
    beat = rng.standard_normal((len(t), 2)) * np.exp(-6 * ((t * 2.5) % 1))[:, None]
    soundfile.write(folder / "clips" / "beat.mp3", 0.4 * beat / np.abs(beat).max(), rate, format="MP3")
    rate = 48_000
    t = np.arange(3 * rate) / rate
    choir = np.stack(
        [sum(np.sin(2 * np.pi * f * t * (1 + k * 1e-3) + k) / k for f in (220, 277, 330) for k in range(1, 20)) + side
         for side in rng.standard_normal((2, len(t))) * 0.2], axis=1
    )  # fmt: skip
    soundfile.write(folder / "clips" / "choir.wav", 0.35 * choir / np.abs(choir).max(), rate, subtype="PCM_24")


FILLED = {
    'title = ""                               # FILL IN: a line': 'title = "My two headphones"  # a line',
    'reviewer = ""': 'reviewer = "R-test"',
    'name = ""': 'name = "A headphone"',
    'rig = ""': 'rig = "own coupler"',
    'file = ""': 'file = "clips/tune.flac"',
    'title = ""                               # FILL IN: what': 'title = "A tune"  # what',
}


@pytest.fixture(scope="session")
def fill_in():
    """Do what a user does between `new` and `check`: drop in files, fill in study.toml, fewer trials."""

    def fill(folder: Path, trials: int = 28, practice: int = 1) -> None:
        _write_responses(folder)
        _write_clips(folder)
        path = folder / "study.toml"
        text = path.read_text(encoding="utf-8")
        for blank, filled in FILLED.items():
            assert blank in text, blank
            text = text.replace(blank, filled)
        second = '[[clip]]\nid = "beat"\nfile = "clips/beat.mp3"\nin_s = 0.5\nout_s = 3.5\n\n\n# What is claimed.'
        text = text.replace("# What is claimed.", second)
        text += f"\n[protocol.changes]\npractice.trials = {practice}\ntest.trials = {trials}\n"
        path.write_text(text, encoding="utf-8")

    return fill


BLANKS = {
    "title": "What a user would write",
    "reviewer": "R-test",
    "name": "A headphone of mine",
    "rig": "own coupler",
    "target": "measurements/wanted.csv",
    "attribute": "bass",
}
CLIPS = ("clips/tune.flac", "clips/beat.mp3", "clips/choir.wav")


@pytest.fixture(scope="session")
def fill_in_protocol():
    """Do what a user does between `new --protocol` and `check`, whichever the protocol."""

    def fill(
        folder: Path,
        *,
        changes: tuple[str, ...] = (),
        planned: int | None = None,
        edits: tuple[tuple[str, str], ...] = (),
    ) -> None:
        text = (folder / "study.toml").read_text(encoding="utf-8")
        if 'unit = "device"' in text:
            _write_worn(folder)
        else:
            _write_responses(folder)
        _write_clips(folder)
        for key, value in BLANKS.items():
            text = re.sub(rf'\b{key} = ""', f'{key} = "{value}"', text)
        files = iter(CLIPS)
        text = re.sub(r'\bfile = ""', lambda _: f'file = "{next(files)}"', text)
        if planned is not None:
            text = text.replace('planned = "" ', f"planned = {planned} ")
        if changes:
            assert "# [protocol.changes]" in text
            text = text.replace("# [protocol.changes]", "[protocol.changes]\n" + "\n".join(changes) + "\n#")
        for before, after in edits:
            assert text.count(before) == 1, before
            text = text.replace(before, after)
        (folder / "study.toml").write_text(text, encoding="utf-8")

    return fill


@pytest.fixture(scope="session")
def own_template(tmp_path_factory, fill_in):
    """A study folder made by `new`, filled in; not to be changed."""
    folder = tmp_path_factory.mktemp("own") / "my-study"
    main(["new", str(folder), "--quiet"], standalone_mode=False)
    fill_in(folder)
    return folder


@pytest.fixture
def own_study(own_template, tmp_path):
    """A copy of it, to be changed at will."""
    return Path(shutil.copytree(own_template, tmp_path / "my-study"))


@pytest.fixture(scope="session")
def own_rendered(own_template, tmp_path_factory):
    """It with its stimuli made; not to be changed."""
    from blindtest import steps

    folder = Path(shutil.copytree(own_template, tmp_path_factory.mktemp("own-rendered") / "my-study"))
    steps.render(folder)
    return folder
