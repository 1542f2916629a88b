"""Peak memory and time of `analyse` and `inspect` on a long stereo recording: ladders, and talk.

``python tests/benchmarks/bench_long.py [--minutes 120] [--ladders 30] [--report]`` writes a WAV at
96 kHz in 16 bits into a temporary folder (2.8 GB for two hours; it is removed), its signal in the
second channel and noise in the first; before that one of a quarter of the length. Each is analysed
in a process of its own, and so is it written: where a process is started, the system counts the
memory of the one that starts it as its own. A process's memory is the operating system's count of
its resident pages at their most; at most 800 MB are allowed. The time of both lengths shows whether
it is linear.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus

RATE_HZ = 96000
MOST_MB = 800.0
RECIPE = {
    "kind": "ladder",
    "name": "long",
    "rate_hz": RATE_HZ,
    "band_hz": [20, 20000],
    "sweep_s": 8.0,
    "levels_dbfs": [-46, -42, -38, -34, -30, -26, -22, -18, -14, -10],
    "order": 10,
    "quiet_s": 3.0,
    "pause_s": 1.5,
    "return_rung": True,
}


def talk(rng: np.random.Generator, samples: int) -> np.ndarray:
    """Return a noise whose power falls as 1/f², in syllables of a fifth of a second."""
    slow = np.cumsum(rng.standard_normal(samples))
    slow -= np.linspace(slow[0], slow[-1], samples)
    size = np.repeat(rng.random(samples // (RATE_HZ // 5) + 1), RATE_HZ // 5)[:samples]
    return 0.2 * size * slow / np.max(np.abs(slow))


def write_recording(path: Path, stimulus: Path, minutes: float, ladders: int, seed: int) -> None:
    """Write a ladder every so often, talk in between, noise in both channels all the time."""
    waveform = soundfile.read(stimulus)[0]
    rng = np.random.default_rng(seed)
    played = 0.4 * (waveform + 0.02 * waveform**2 - 0.03 * waveform**3)
    place = round(minutes * 60.0 * RATE_HZ / ladders)
    if place < len(played) + 2 * RATE_HZ:
        raise SystemExit(f"{ladders} ladders of {len(played) / RATE_HZ:.0f} s do not fit")
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, subtype="PCM_16") as file:
        for _ in range(ladders):
            before = int(rng.integers(RATE_HZ, place - len(played)))
            parts = [talk(rng, before), played, talk(rng, place - len(played) - before)]
            signal = np.concatenate(parts)
            for first in range(0, len(signal), 2**20):
                block = 3e-5 * rng.standard_normal((min(2**20, len(signal) - first), 2))
                block[:, 1] += signal[first : first + 2**20]
                file.write(block)


def measured(*words: object, log: Path) -> tuple[float, float, float]:
    """Run a command of ours; return its seconds, its CPU seconds and its peak resident MB."""
    began = time.monotonic()
    with log.open("wb") as output:
        command = [sys.executable, "-m", "distsweep", *map(str, words)]
        child = subprocess.Popen(command, stdout=output, stderr=output)
        _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if status:
        raise SystemExit(f"{words[0]} ended with {child.returncode}: {log.read_text()[-2000:]}")
    # Linux counts in kilobytes of 1024 bytes.
    return time.monotonic() - began, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * 1024e-6


def told(what: str, took: tuple[float, float, float]) -> str:
    seconds, cpu_s, peak_mb = took
    return (
        f"  {what}: {seconds:.0f} s ({cpu_s:.0f} s CPU), {peak_mb:.0f} MB at the most"
        f" ({'within' if peak_mb <= MOST_MB else 'OVER'} {MOST_MB:.0f})"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=120.0)
    parser.add_argument("--ladders", type=int, default=30)
    parser.add_argument("--sweep-s", type=float, default=8.0)
    parser.add_argument("--report", action="store_true", help="with tables, figures and page")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="long-"))
    try:
        needed = given.minutes * 60.0 * RATE_HZ * 4.0
        if shutil.disk_usage(folder).free < 1.5 * needed:
            raise SystemExit(f"{folder}: {1.5e-9 * needed:.1f} GB must be free")
        recipe = parse_recipe(RECIPE | {"sweep_s": given.sweep_s}, "this benchmark")
        _, paths = write_stimulus(recipe, folder, sample_format="float")
        print(f"ladder of {soundfile.info(paths[0]).duration:.0f} s", flush=True)
        cpu_s = {}
        for share in (0.25, 1.0):
            minutes, ladders = share * given.minutes, max(1, round(share * given.ladders))
            recording = folder / f"{minutes:g}-minutes.wav"
            writing = multiprocessing.Process(
                target=write_recording, args=(recording, paths[0], minutes, ladders, given.seed)
            )
            writing.start()
            writing.join()
            if writing.exitcode:
                raise SystemExit("the recording could not be written")
            out, log = recording.with_suffix(""), recording.with_suffix(".log")
            named = recording, "--stimulus", paths[-1]
            less = () if given.report else ("--no-report",)
            analysed = measured("analyse", *named, "-o", out, *less, log=log)
            takes = json.loads((out / "results.json").read_text())["takes"]
            print(f"{minutes:g} min, {ladders} ladders, of which takes: {len(takes)}")
            print(told("analyse", analysed))
            print(told("inspect", measured("inspect", *named, log=log)), flush=True)
            recording.unlink()
            cpu_s[share] = analysed[1]
        print(f"analyse: four times as long takes {cpu_s[1.0] / cpu_s[0.25]:.2f} times the CPU")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
