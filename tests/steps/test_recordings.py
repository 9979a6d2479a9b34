"""Recordings that were aligned: their delay and polarity, known because they were made here."""

import json
import math
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from blindtest import steps
from blindtest.audio import Clip, channel_correlations, write_clip

RATE = 48_000
LATE = 480
SCHEMA = Path(steps.__file__).parents[1] / "cli" / "results.schema.json"


def _rendered(tmp_path: Path, turned: tuple[float, float], other: bool = False) -> steps.RenderShown:
    """Return what is rendered of a clip, and of the same 10 ms late with each channel times `turned`."""
    rng = np.random.default_rng(11)
    sound = 0.1 * rng.standard_normal((RATE, 2))
    late = np.concatenate([np.zeros((LATE, 2)), sound * turned])
    if other:
        late = 0.1 * rng.standard_normal(late.shape)
    write_clip(Clip(frames=sound, rate=RATE), tmp_path / "clip.flac")
    write_clip(Clip(frames=late, rate=RATE), tmp_path / "late.flac")
    study = steps.pair(tmp_path / "clip.flac", tmp_path / "late.flac", folder=tmp_path / "pair", align=True)
    return steps.render(study)


@pytest.mark.parametrize(
    ("turned", "channels", "words"),
    [
        ((1.0, 0.5), [], None),
        ((-1.0, -0.5), ["left", "right"], "is upside down in both channels (correlation with the clip -1.00, 10.00 ms"),
        ((1.0, -0.5), ["right"], "is upside down in the right channel alone (correlation with the clip -1.00, 10.00"),
    ],
)
def test_a_recording_upside_down_is_told(tmp_path, turned, channels, words):
    shown = _rendered(tmp_path, turned)
    (one,) = shown.to_dict()["recordings"]
    assert one["turned"] == channels
    assert one["late_ms"] == 1000.0 * LATE / RATE
    assert one["correlation"] == pytest.approx(np.sign(turned), abs=1e-3)
    assert (words in shown.text()) if words else ("upside down" not in shown.text())
    whole = {"schema_version": 1, "command": "render", **json.loads(json.dumps(shown.to_dict()))}
    jsonschema.validate(whole, json.loads(SCHEMA.read_text()))


def test_a_report_says_that_a_recording_was_heard_upside_down(tmp_path, sit):
    _rendered(tmp_path, (-1.0, -1.0))
    sit(tmp_path / "pair")
    shown = steps.report(tmp_path / "pair")
    for text in (shown.page.read_text(encoding="utf-8"), shown.block.read_text(encoding="utf-8")):
        assert "is upside down in both channels (inverted polarity: correlation with the clip −1.00)" in text


def test_a_recording_of_something_else_is_told(tmp_path):
    """Two noises drawn apart: by chance alone n numbers correlate by about 1 / sqrt(n)."""
    shown = _rendered(tmp_path, (1.0, 1.0), other=True)
    assert "is hardly like its clip (correlation" in shown.text()
    assert all(abs(one) < 0.1 for one in shown.recordings[0].correlation)


def test_correlation_by_channel():
    """numpy's own coefficient of numbers without a mean; a silent channel has none."""
    rng = np.random.default_rng(2)
    a = rng.standard_normal((500, 3))
    b = -0.3 * a + rng.standard_normal((500, 3))
    a, b = np.concatenate([a, -a]), np.concatenate([b, -b])
    b[:, 2] = 0.0
    found = channel_correlations(a, b)
    assert found[:2] == pytest.approx([np.corrcoef(a[:, place], b[:, place])[0, 1] for place in range(2)])
    assert math.isnan(found[2])
    with pytest.raises(ValueError, match="both must be"):
        channel_correlations(a, b[:10])
