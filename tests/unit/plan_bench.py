"""Sessions with a plan, captured on the bench without devices."""

from __future__ import annotations

import io
import sys
from pathlib import Path
from unittest import mock

import numpy as np
from capture_bench import FakeBench, Ran, calibrated_session, run_main, write_short_stimulus

from distsweep.capture import devices
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus
from distsweep.takes.session import read_session

LADDER_DBFS = [-55.0, -47.0, -39.0]

TONES = {
    "kind": "staircase",
    "name": "tones",
    "rate_hz": 48000,
    "frequencies_hz": [1000, 2000],
    "levels_dbfs": {"from": -55, "to": -52, "step": 3},
    "hold_s": 0.3,
    "rest_s": 0.15,
    "release_s": 0.3,
}

NOBODY = ("--placed", "--accept-level", "95")


class Terminal(io.StringIO):
    """Somebody who types the lines given."""

    def isatty(self) -> bool:
        return True


def planned_session(folder: Path, plan: str, drives_dbfs: list[float] = LADDER_DBFS) -> Path:
    """Make a session with a plan, and its stimuli: ``short.json`` and ``tones.json``."""
    session = calibrated_session(folder, 110.0)
    write_short_stimulus(session, levels_dbfs=drives_dbfs)
    write_stimulus(parse_recipe(TONES, "test"), session)
    with (session / "session.toml").open("a") as file:
        file.write(f"\n{plan}")
    return session


def run_plan(bench: FakeBench, session: Path, *options: str, typed: str | None = None) -> Ran:
    """Run ``capture`` without a stimulus; ``typed`` is what somebody at a terminal types."""
    stdin = io.StringIO("") if typed is None else Terminal(typed)
    with (
        mock.patch.object(devices, "open_backend", lambda: bench),
        mock.patch.object(sys, "stdin", stdin),
    ):
        return run_main("capture", str(session), "--input", "0", "--output", "bench", *options)


def stopping_at(drive_dbfs: float, times: int = 1):
    """Return a fault: whatever is played that loud is interrupted, so many times."""
    left = [times]

    def fault(_number: int, _count: int, heard: np.ndarray) -> np.ndarray:
        # The bench loses 10 dB, and an echo adds up to 1.6 dB.
        if left[0] and np.max(np.abs(heard)) > 10 ** ((drive_dbfs - 10.0 - 1.0) / 20):
            left[0] -= 1
            raise KeyboardInterrupt
        return heard

    return fault


def listed(session: Path) -> list[tuple[str, list[str], bool]]:
    """Position, recordings and whether it is partial, of each take that is listed."""
    takes = read_session(session, takes_required=False).takes
    return [(t.position, [path.name for path in t.recordings], t.partial) for t in takes]


def sounded_dbfs(bench: FakeBench) -> list[float]:
    """Peak of every exchange, dBFS."""
    peaks = [float(np.max(np.abs(sent), initial=0.0)) for sent in bench.sent]
    return [20 * float(np.log10(peak)) for peak in peaks if peak]
