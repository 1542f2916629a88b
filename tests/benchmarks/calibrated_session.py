"""One recording as a calibrated session on the axis, for benchmarks that need levels in dB SPL."""

from __future__ import annotations

import numpy as np
from conftest import Bench

from distsweep.pipeline import analyse
from distsweep.results import Results


def analysed_session(bench: Bench, heard: np.ndarray, pascal_per_fs: float) -> Results:
    """Write what was heard and a session of it into a bench's folder, and analyse it."""
    bench.record(heard, name="take.wav")
    session = bench.folder / "session.toml"
    session.write_text(
        '[device]\nname = "Ostrel Fen 3"\n[conditions]\ntemperature_c = 20.0\ndistance_m = 1.0\n'
        f"[calibration]\npascal_per_fs = {pascal_per_fs}\n"
        f'[[takes]]\nposition = "axis"\nstimulus = "{bench.sidecar.name}"\n'
        'recording = "take.wav"\nchannel = 1\n',
        encoding="utf-8",
    )
    return analyse(session)
