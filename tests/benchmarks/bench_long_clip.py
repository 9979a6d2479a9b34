"""A clip of an hour rendered from file to file: memory, and time against decoding and encoding alone.

    python tests/benchmarks/bench_long_clip.py [--minutes 60] [--devices 2] [--bent] [--rate 44100]

A synthetic FLAC (stereo, 48 kHz, 24 bit) is decoded block by block and encoded once for each stimulus by the library
(soundfile), in one thread: the floor. Then it is rendered by a process of its own, everything included (see
bench_render.py), whose largest resident memory is read from the system. Goals: under 500 MB, and at most 3 times the
floor with both cores; the ratio of the processor's times, shared by two, says what two cores would need alone. Needs
about 1 GB of disk for each stimulus of an hour, and as much for the clip and the floor. Exit code 1 if the memory's
goal is missed, or the time's by both ratios. --bent puts measured harmonics ahead of every device, --rate brings the
clip to another rate: both are left out of the floor, so that only the memory is held to its goal then.
"""

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import soundfile
from bench_render import RATE, device, programme

from blindtest.device import diffuse_field_curve
from blindtest.render import ClipSource, Condition, DistortionStage, Playback, RenderJob, ResponseStage, render

MEMORY_GOAL_MB = 500
TIME_GOAL = 3.0
PIECE_S = 10


def write_clip(place: Path, minutes: float) -> None:
    """Write pieces of music-like noise one behind the other."""
    pieces = [np.asarray(programme(PIECE_S, seed)) for seed in range(6)]
    with soundfile.SoundFile(place, "w", RATE, 2, "PCM_24") as file:
        for number in range(max(1, round(minutes * 60 / PIECE_S))):
            file.write(pieces[number % len(pieces)])


def floor(clip: Path, folder: Path, devices: int) -> tuple[float, float]:
    """Return how long decoding once and encoding each stimulus takes: s, and s of processor."""
    start, processor = time.perf_counter(), time.process_time()
    folder.mkdir()
    outs = [soundfile.SoundFile(folder / f"{n}.wav", "w", RATE, 2, "PCM_24") for n in range(devices)]
    with soundfile.SoundFile(clip) as file:
        for block in file.blocks(1 << 16, always_2d=True):
            for out in outs:
                out.write(block)
    for out in outs:
        out.close()
    return time.perf_counter() - start, time.process_time() - processor


def harmonics() -> DistortionStage:
    """Return a stage of orders 2 and 3, another level at each frequency."""
    rows = [
        (hz, 104.0, order, -35.0 - 5 * order - np.log2(hz / 100)) for hz in (50, 200, 1000, 5000) for order in (2, 3)
    ]
    table = pd.DataFrame(rows, columns=["frequency_hz", "level_db", "order", "distortion_db"])
    return DistortionStage(unit_id="d0", table=table, full_scale_db=104.0)


def rendering(clip: Path, folder: Path, devices: int, *, bent: bool = False, rate: int | None = None) -> None:
    """Render, and print what it took as JSON: the process that was started for it."""
    start = time.perf_counter()
    responses = [device(number) for number in range(devices)]
    ahead = (harmonics(),) if bent else ()
    job = RenderJob(
        clips=(ClipSource(id="long", path=clip),),
        conditions=tuple(
            Condition(id=f"d{n}", stages=(*ahead, ResponseStage(unit_id=f"d{n}", response=response)))
            for n, response in enumerate(responses)
        ),
        playback=Playback(
            unit_id="d0",
            response=responses[0],
            field=diffuse_field_curve(),
            field_named="ISO 11904-1",
            max_boost_db=12.0,
        ),
        rate_hz=rate,
    )
    made = render(job, folder).made
    used = resource.getrusage(resource.RUSAGE_SELF)
    print(
        json.dumps(
            {
                "made": made,
                "clock_s": time.perf_counter() - start,
                "processor_s": used.ru_utime + used.ru_stime,
                "memory_mb": used.ru_maxrss / 1000,  # Linux counts in kB
            }
        )
    )


def main() -> int:
    """Measure, print, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--devices", type=int, default=2)
    parser.add_argument("--bent", action="store_true")
    parser.add_argument("--rate", type=int)
    parser.add_argument("--render", nargs=2, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.render:
        rendering(Path(chosen.render[0]), Path(chosen.render[1]), chosen.devices, bent=chosen.bent, rate=chosen.rate)
        return 0
    folder = Path(tempfile.mkdtemp(prefix="bench-long-"))
    try:
        clip = folder / "long.flac"
        write_clip(clip, chosen.minutes)
        base, base_processor = floor(clip, folder / "floor", chosen.devices)
        shutil.rmtree(folder / "floor")
        more = ["--devices", str(chosen.devices), *(["--bent"] if chosen.bent else [])]
        more += ["--rate", str(chosen.rate)] if chosen.rate else []
        more += ["--render", str(clip), str(folder / "stimuli")]
        run = subprocess.run([sys.executable, __file__, *more], check=True, capture_output=True, text=True)
        found = json.loads(run.stdout)
        assert found["made"] == chosen.devices
        wall, shared = found["clock_s"] / base, found["processor_s"] / base_processor / 2
        light = found["memory_mb"] < MEMORY_GOAL_MB
        print(f"{chosen.devices} devices, one clip of {chosen.minutes:g} minutes")
        print(f"floor (decode and encode alone, one thread)  {base:7.1f} s   ({base_processor:.1f} s of processor)")
        print(
            f"rendering, everything included               {found['clock_s']:7.1f} s   "
            f"({found['processor_s']:.1f} s of processor, starting up included)"
        )
        print(f"ratio                                        {wall:7.2f}     (goal: at most {TIME_GOAL:g})")
        print(f"ratio of processor times, shared by two      {shared:7.2f}")
        print(
            f"largest memory                               {found['memory_mb']:7.0f} MB  "
            f"(goal: under {MEMORY_GOAL_MB}): {'met' if light else 'MISSED'}"
        )
        plain = not chosen.bent and chosen.rate is None
        return int(not light or (plain and min(wall, shared) > TIME_GOAL))
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    sys.exit(main())
