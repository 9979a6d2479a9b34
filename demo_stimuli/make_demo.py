"""Make the demo's clips and measurements again.

    python demo_stimuli/make_demo.py [--clips-only | --measurements-only] [--into FOLDER]

Everything follows from the seeds in this file: the same samples to within rounding, the same text byte for byte.
Needs blindtest installed (numpy, scipy, soundfile come with it); about half a minute.
"""

import argparse
import zlib
from pathlib import Path

import numpy as np
import soundfile
from devices import DEVICES, measurement_files, target_file
from pieces import PIECES

from blindtest.audio import faded, from_db, integrated_loudness, quantised, true_peak

SEED = 20261125
LOUDNESS = -22.0
"""LUFS, what each clip is brought to unless its peaks stand in the way."""
CEILING = -3.2
"""dBTP; what is over comes down as a whole."""


def clip_samples(name: str) -> tuple[np.ndarray, int]:
    """Return a clip as 16-bit integer samples (n, 2) and its rate."""
    rng = np.random.default_rng([SEED, zlib.crc32(name.encode())])
    frames, rate = PIECES[name](rng)
    frames = faded(frames - frames.mean(axis=0), rate, 0.03)
    length = int(0.35 * rate)
    frames[-length:] *= np.cos(0.5 * np.pi * np.arange(length) / length)[:, None] ** 2
    gain = min(LOUDNESS - integrated_loudness(frames, rate), CEILING - true_peak(frames, rate))
    dither = rng.uniform(-0.5, 0.5, frames.shape) + rng.uniform(-0.5, 0.5, frames.shape)
    return quantised(frames * from_db(gain), dither, bits=16), rate


def main() -> None:
    """Write the files."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clips-only", action="store_true")
    parser.add_argument("--measurements-only", action="store_true")
    parser.add_argument("--into", type=Path, default=Path(__file__).parent)
    options = parser.parse_args()
    if not options.measurements_only:
        (options.into / "clips").mkdir(parents=True, exist_ok=True)
        for name in PIECES:
            samples, rate = clip_samples(name)
            path = options.into / "clips" / f"{name}.flac"
            soundfile.write(
                path, samples.astype(np.int16), rate, subtype="PCM_16", format="FLAC", compression_level=1.0
            )
            print(f"{path}: {len(samples) / rate:.1f} s, {rate} Hz")
    if not options.clips_only:
        for device in DEVICES:
            for place, content in measurement_files(device).items():
                path = options.into / "measurements" / place
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(content)
            print(f"{options.into / 'measurements' / device}: five seatings")
        target = options.into / "measurements" / "target.txt"
        target.write_bytes(target_file())
        print(f"{target}: a target")


if __name__ == "__main__":
    main()
