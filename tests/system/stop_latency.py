"""How long sound goes on after a stop, by a clock outside the program.

Both ends are read off what passed the server's sinks: when a fault's first sample could first
be read at the sink "mic", and the last sounding sample's turn at the sink "spk".
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rig import NICE, RATE_HZ, Rig
from stop_once import DRIVE_DBFS, GAIN_DB, MODEL

SOUNDING = 10 ** ((DRIVE_DBFS - 60.0) / 20)
"""60 dB under the sweep is silence."""

SWEEP = 10 ** ((DRIVE_DBFS - 3.0) / 20)


@dataclass(frozen=True)
class Stopped:
    """How one stop went: seconds from the fault, or the signal, to silence; NaN without one."""

    kind: str
    latency_s: float
    announced_s: float


def stop_by_gain(rig: Rig, *, eases: int, after_s: float, gain_db: float) -> Stopped:
    """Raise a gain ``after_s`` into the sweep."""
    fault = {"does": "gain", "threshold": SWEEP, "delay": round(after_s * RATE_HZ)}
    process = _start(rig, eases, {**MODEL, "fault": {**fault, "gain_db": gain_db}})
    return _end(rig, process, _fault_s)


def stop_by_signal(rig: Rig, *, eases: int, after_s: float) -> Stopped:
    """Send a signal as Ctrl-C does, ``after_s`` into the sweep."""
    process = _start(rig, eases, dict(MODEL))
    deadline = time.monotonic() + 20.0
    while np.max(np.abs(rig.sent()[-RATE_HZ:])) < SWEEP and process.poll() is None:
        if time.monotonic() > deadline:
            break  # a drop-out came before the sweep: the process tells
        time.sleep(0.01)
    time.sleep(after_s)
    sent_s = time.monotonic()
    process.send_signal(signal.SIGINT)
    return _end(rig, process, lambda _rig: sent_s)


def _start(rig: Rig, eases: int, model: dict) -> subprocess.Popen:
    rig.start_loudspeaker(model)
    rig.start_monitor()
    script = Path(__file__).with_name("stop_once.py")
    root = str(Path(__file__).parents[2])
    return subprocess.Popen(
        [*NICE, sys.executable, str(script), "--eases", str(eases)],
        env={**rig.environment, "PYTHONPATH": root},
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def _end(rig: Rig, process: subprocess.Popen, began) -> Stopped:
    try:
        out, _err = process.communicate(timeout=30)
        time.sleep(0.1)  # what is on its way to the monitors
        told = json.loads(out.splitlines()[-1])
        began_s = began(rig)
        return Stopped(str(told["stop"]), _silent_s(rig) - began_s, told["announced_s"])
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        rig.stop_monitor()
        rig.stop_loudspeaker()


def _silent_s(rig: Rig) -> float:
    played = rig.passed("spk")
    sounding = np.flatnonzero(np.abs(played.samples[:, 0]) > SOUNDING)
    return played.turn_s(int(sounding[-1])) if len(sounding) else np.nan


def _fault_s(rig: Rig) -> float:
    """Moment of the first sample that is above what the sweep gave, by 1 dB."""
    heard = rig.passed("mic")
    usual = 10 ** ((DRIVE_DBFS + GAIN_DB + 1.0) / 20)
    above = np.flatnonzero(np.abs(heard.samples[:, 0]) > usual)
    return heard.first_read_s(int(above[0])) if len(above) else np.nan
