"""The part of a clip, and of recordings of it, that is heard; and what sounds before and behind it."""

from dataclasses import replace

import numpy as np
import pytest

from blindtest.audio import Clip, read_clip, write_clip
from blindtest.errors import BlindtestError
from blindtest.render.job import file_hashes, stimulus_key
from blindtest.render.programme import CLIP, read_programmes

RATE = 48_000


@pytest.mark.parametrize("late", [-700, 0, 1234])
def test_a_recording_is_read_where_it_lies_with_what_the_file_holds_around_it(bench, late):
    """Put together again, what is before, in and behind the part is the whole file."""
    sound = bench.pink(7.0)
    source = bench.clip("tune", sound[2000:], in_s=1.0, out_s=5.0)
    recording = bench.folder / "taken.wav"
    write_clip(Clip(frames=sound[2000 - late :], rate=RATE), recording, subtype="DOUBLE")
    found = read_programmes(source, {recording: True}, None)
    for path, shift in ((CLIP, 0), (recording, late)):
        one, whole = found[path], read_clip(source.path if path == CLIP else path).frames
        assert one.shift == shift
        assert (len(one.before), len(one.frames)) == (RATE + shift, 4 * RATE)
        assert np.array_equal(np.concatenate([one.before, one.frames, one.after]), whole)
    assert np.array_equal(found[recording].frames, found[CLIP].frames)
    unaligned = read_programmes(source, {recording: False}, None)[recording]
    assert (unaligned.shift, len(unaligned.before)) == (0, RATE)


def test_a_part_that_is_not_in_the_file_is_refused(bench):
    source = bench.clip("tune", bench.pink(6.0))
    for wrong, words in (
        ({"in_s": -0.5}, "in_s"), ({"in_s": 7.0}, "in_s"), ({"in_s": 1.0, "out_s": 6.1}, "out_s"),
    ):  # fmt: skip
        with pytest.raises(BlindtestError, match=words):
            read_programmes(replace(source, **wrong), {}, None)
    assert len(read_programmes(replace(source, in_s=1.0, out_s=6.0), {}, None)[CLIP].frames) == 5 * RATE


def test_a_stimulus_goes_by_what_decides_it_and_by_nothing_else(bench):
    """The playback's limit and the curve outside the band concern what was measured; the clip as it is, neither."""
    source = bench.clip("tune", bench.pink(4.0))
    job = bench.job(source)
    measured, plain = job.conditions[0], replace(job.conditions[0], id="clip", stages=())

    def keys(playback=job.playback, level=0.0, band=(20.0, 10_000.0), loudness=-23.0, **changes):
        from blindtest.render.curves import CommonCurve

        asked = replace(job, playback=playback, **changes)
        outside = CommonCurve(frequency=np.array([5.0, 40_000.0]), level_db=np.full(2, level), untouched=False)
        given = {"outside": outside, "band_hz": band, "loudness_lufs": loudness}
        return [stimulus_key(asked, file_hashes(asked), source, one, **given) for one in (measured, plain)]

    one = keys()
    assert one == keys()
    assert one[0] != one[1]
    for changed in (keys(level=1.0), keys(band=(30.0, 10_000.0)), keys(replace(job.playback, max_boost_db=6.0))):
        assert changed[0] != one[0]
        assert changed[1] == one[1]
    for changed in (keys(loudness=-24.0), keys(match="file"), keys(replace(job.playback, response=bench.plover))):
        assert not set(changed) & set(one)
