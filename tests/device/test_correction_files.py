"""What is exported can be read by others: two WAV readers, a CSV reader, and our own."""

import io

import numpy as np
import pytest

from blindtest.device import correction_fir, correction_text, correction_wav, impulse_wav, parse_response

RATE = 48_000


@pytest.fixture(scope="module")
def correction(messy, house_target):
    return correction_fir(messy, house_target, RATE, 8192, max_boost_db=6)


def test_floats_are_read_back_by_two_other_readers(correction):
    """libsndfile through soundfile, and scipy.io.wavfile."""
    import soundfile
    from scipy.io import wavfile

    data = correction_wav(correction)
    samples, rate = soundfile.read(io.BytesIO(data), dtype="float32")
    assert (rate, samples.shape) == (RATE, (8192,))
    assert np.array_equal(samples, correction.fir.astype(np.float32))
    assert soundfile.info(io.BytesIO(data)).subtype == "FLOAT"
    rate, samples = wavfile.read(io.BytesIO(data))
    assert rate == RATE
    assert np.array_equal(samples, correction.fir.astype(np.float32))


def test_integers_are_lowered_by_the_headroom(correction):
    import soundfile

    samples, rate = soundfile.read(io.BytesIO(correction_wav(correction, form="pcm24")), dtype="float64")
    assert rate == RATE
    assert correction.headroom_db > 3
    assert samples == pytest.approx(correction.fir * 10 ** (-correction.headroom_db / 20), abs=2**-24 * 1.01)
    level = 20 * np.log10(np.abs(np.fft.rfft(samples, 1 << 18)))
    assert level.max() == pytest.approx(0.0, abs=0.002)


def test_a_unit_impulse_fits_into_integers():
    import soundfile

    samples, _ = soundfile.read(io.BytesIO(impulse_wav([1.0, 0.0, -1.0], RATE, form="pcm24")), dtype="int32")
    assert list(samples >> 8) == [2**23 - 1, 0, -(2**23)]


def test_the_text_is_read_back(correction):
    """By numpy's reader, and by the one that reads anybody's responses."""
    text = correction_text(correction, about=["an invented headphone\ntowards an invented target"])
    lines = text.splitlines()
    assert lines[:2] == ["# an invented headphone", "# towards an invented target"]
    columns = np.genfromtxt(io.StringIO(text), delimiter=",", skip_header=lines.index("frequency_hz,gain_db") + 1)
    assert columns[:, 0] == pytest.approx(correction.curve.frequency, abs=1e-4)
    assert columns[:, 1] == pytest.approx(correction.curve.gain_db, abs=5.1e-5)
    assert "-0.0000" not in text
    back = parse_response(text.encode())
    assert back.frequency == pytest.approx(correction.curve.frequency, abs=1e-4)
    assert back.magnitude[:, 0] == pytest.approx(correction.curve.gain_db, abs=5.1e-5)


def test_the_text_says_what_was_held_back(correction):
    text = correction_text(correction)
    assert f"lower_programme_by_db: {correction.headroom_db:.2f}" in text
    assert "# held_back_by_notch: " in text
    assert "# held_back_by_boost: " in text
    assert f"rms {correction.rms_before_db:.2f} before, {correction.rms_error_db:.2f} after" in text


@pytest.mark.parametrize(
    ("fir", "form", "match"),
    [
        ([1.5], "pcm24", "the largest tap is 1.500000 of full scale: lower the filter by its headroom first"),
        ([float("nan")], "float32", "all taps must be finite"),
        ([], "float32", "fir must be"),
        ([0.5], "mp3", "form must be 'float32' or 'pcm24', got 'mp3'"),
    ],
)
def test_refusals(fir, form, match):
    with pytest.raises(ValueError, match=match):
        impulse_wav(fir, RATE, form=form)
