"""Speed of whole processes; quote the medians.

    python tests/benchmarks/speed.py [--runs 9]

Times ``distsweep analyse --no-report`` of a 10-rung, 8 s, 48 kHz take against a bare script that
reads the same file and does one forward and one inverse real FFT a rung with scipy.fft, in turn;
then the CPU time of ``distsweep --help`` above that of a bare interpreter. Modules are compiled
once, before anything is timed, as they are where the package is installed.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

RECIPE = """
kind = "ladder"
name = "ten"
rate_hz = 48000
band_hz = [20, 20000]
sweep_s = 8.0
levels_dbfs = [-40, -36, -32, -28, -24, -20, -16, -12, -8, -4]
return_rung = false
"""

BARE = """
import sys
import scipy.fft
import soundfile

samples, rate_hz = soundfile.read(sys.argv[1])
count = round(9.5 * rate_hz)
length = scipy.fft.next_fast_len(count, real=True)
for rung in range(10):
    part = samples[rung * count : (rung + 1) * count]
    scipy.fft.irfft(scipy.fft.rfft(part, length), length)
"""


def timed(command: list[str], environment: dict[str, str]) -> tuple[float, float]:
    """Return wall and CPU seconds of a process that must succeed."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, env=environment)
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def paired(ours: list[str], theirs: list[str], runs: int, bytecode: Path) -> None:
    """Time two commands in turn and print medians of both and of the pairs' ratios.

    Compiled modules are kept in ``bytecode``, whatever the environment says of them.
    """
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(bytecode)
    timed(ours, environment), timed(theirs, environment)
    pairs = [(timed(ours, environment), timed(theirs, environment)) for _ in range(runs)]
    for name, index in (("wall", 0), ("CPU", 1)):
        a = [pair[0][index] for pair in pairs]
        b = [pair[1][index] for pair in pairs]
        ratios = [x / y for x, y in zip(a, b, strict=True)]
        print(
            f"{name}: {statistics.median(a):.3f} s against {statistics.median(b):.3f} s,"
            f" ratio {statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})"
        )


def main() -> None:
    """Write a take into a scratch folder and time everything."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=9)
    runs = parser.parse_args().runs
    distsweep = [sys.executable, "-m", "distsweep"]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        (folder / "ten.toml").write_text(RECIPE)
        (folder / "bare.py").write_text(BARE)
        subprocess.run(
            [*distsweep, "stimulus", str(folder / "ten.toml"), "-o", scratch],
            check=True, capture_output=True,
        )  # fmt: skip
        played, rate_hz = soundfile.read(folder / "ten.wav")
        noise = 1e-5 * np.random.default_rng(0).standard_normal(len(played))
        heard = 0.9 * (played + 0.02 * played**2 + 0.01 * played**3 + noise)
        soundfile.write(folder / "take.wav", heard, rate_hz, subtype="PCM_24")
        print("analyse --no-report against the bare script")
        paired(
            [*distsweep, "analyse", str(folder / "take.wav"), "--stimulus",
             str(folder / "ten.json"), "--no-report"],
            [sys.executable, str(folder / "bare.py"), str(folder / "take.wav")],
            runs, folder / "bytecode",
        )  # fmt: skip
        print("distsweep --help against a bare interpreter")
        bare = [sys.executable, "-c", "pass"]
        paired([*distsweep, "--help"], bare, runs, folder / "bytecode")


if __name__ == "__main__":
    main()
