"""How long a staircase of 7 frequencies × 37 bursts takes as a whole process.

Run ``python tests/benchmarks/bench_staircase.py``; it prints CPU seconds of ``distsweep
analyse`` on the staircase that ships (19 levels up, 18 down: 37 bursts a frequency), and on
one with 37 different levels (73 bursts).
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parent.parent))

from protected_loudspeaker import TrueLimiter, limited, with_noise
from staircase_bench import stimulus_of

from distsweep.stimulus.bursts import render_staircase
from distsweep.stimulus.sidecar import sidecar_text

FREQUENCIES_HZ = [63, 125, 250, 500, 1000, 2000, 4000]


def cpu_seconds(folder: Path, step_db: float) -> float:
    stimulus = stimulus_of(
        frequencies_hz=FREQUENCIES_HZ, levels_dbfs={"from": -40, "to": -4, "step": step_db}
    )
    waveform = render_staircase(stimulus, stimulus.files[0])
    rng = np.random.default_rng(0)
    heard = limited(waveform, 48000, TrueLimiter(-18.0, 8.0, 6.0, 5.0, 300.0))
    heard = with_noise(0.5 * heard, rng, snr_db=50.0, loudest_rms=0.2)
    (folder / "steps.json").write_text(sidecar_text(stimulus), encoding="utf-8")
    soundfile.write(folder / "take.wav", heard, 48000, subtype="PCM_24")
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [
            *(sys.executable, "-m", "distsweep", "analyse", "take.wav"),
            *("--stimulus", "steps.json", "--no-report"),
        ],
        cwd=folder,
        check=True,
        capture_output=True,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (after.ru_utime - before.ru_utime) + (after.ru_stime - before.ru_stime)


def main() -> None:
    for step_db, bursts in ((2.0, 37), (1.0, 73)):
        with tempfile.TemporaryDirectory() as folder:
            runs = [cpu_seconds(Path(folder), step_db) for _ in range(3)]
        print(f"7 frequencies x {bursts} bursts: {min(runs):.2f} to {max(runs):.2f} s CPU, 3 runs")


if __name__ == "__main__":
    main()
