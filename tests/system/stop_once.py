"""One sweep through PortAudio, watched as a rung is, to be stopped: a process of its own.

It has eased the audio system as often as drop-outs would have, hands out what ``stimulus``
returns, and prints as JSON why it stopped. The rig's loudspeaker must be ``MODEL``.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import sys

import numpy as np
import scipy.signal

from distsweep.capture.backend import Route
from distsweep.capture.conversation import Conversation
from distsweep.capture.devices import choose_device, open_backend
from distsweep.capture.follow import Follower, Scale
from distsweep.capture.gate import exchange
from distsweep.capture.interrupts import deferred
from distsweep.capture.take import ladder_stimulus
from distsweep.capture.watch import Watch, bounds
from distsweep.stimulus.layout import render
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.sidecar import LadderStimulus

RATE_HZ = 48000
DRIVE_DBFS, MARKER_DBFS = -26.0, -46.0
GAIN_DB = -14.0
MODEL = {
    "second": 0.0,
    "third": 0.0,
    "sos": scipy.signal.butter(2, 150.0, "highpass", fs=RATE_HZ, output="sos").tolist(),
    "gain_db": GAIN_DB,
}
USUAL_DELAY = round(0.35 * RATE_HZ)
"""The rig's loudspeaker holds 250 ms, and the server and the streams about 0.1 s."""

RECIPE = {
    "kind": "ladder",
    "name": "stopped",
    "rate_hz": RATE_HZ,
    "band_hz": [500, 8000],
    "sweep_s": 2.0,
    "levels_dbfs": [DRIVE_DBFS],
    "order": 2,
    "quiet_s": 0.7,
    "pause_s": 0.3,
    "return_rung": False,
}


def stimulus() -> LadderStimulus:
    """The marker is so much quieter that what strikes at a sample strikes in the sweep."""
    made = ladder_stimulus(parse_recipe(dict(RECIPE), "stop"), (DRIVE_DBFS,), "stopped")
    marker = dataclasses.replace(made.marker, level_dbfs=MARKER_DBFS)
    return dataclasses.replace(made, marker=marker)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--eases", type=int, default=0)
    given = parser.parse_args()
    backend = open_backend()
    for _ in range(given.eases):
        backend.ease()
    devices = backend.devices()
    route = Route(
        output=choose_device(devices, "spk", kind="output"),
        output_channel=1,
        input=choose_device(devices, "mic", kind="input"),
        input_channel=1,
        loopback_channel=None,
        input_channels=2,
        rate_hz=RATE_HZ,
    )
    made = stimulus()
    file = made.files[0]
    wave = render(made, file).astype(np.float32)
    start = file.rungs[0].start_sample
    sweep = wave[start : start + made.sweep.samples].astype(float)
    heard = 10 ** (GAIN_DB / 20) * scipy.signal.sosfilt(np.array(MODEL["sos"]), sweep)
    watch = Watch(
        rate_hz=RATE_HZ,
        loudest_power=np.inf,
        level_power=np.inf,
        expected=bounds(heard, heard, rate_hz=RATE_HZ, noise_power=10**-9.5),
    )
    conversation = Conversation(wave, route, watch, guarded_from=start)
    with deferred() as pending:
        follower = Follower(
            made,
            file,
            name="stop",
            marker_response=None,
            noise_power=10**-9.5,
            scale=Scale(0.0, "dBFS"),
            pending=pending,
            show=lambda _text: None,
            delay=USUAL_DELAY,
        )
        print("ready", flush=True)
        exchange(backend, conversation, follower.tick)
        pending.wanted = False  # it ends by itself, and tells how
    result = conversation.heard()
    told = {
        "stop": result.stop and result.stop.kind,
        "stop_sample": result.stop and result.stop.sample,
        "silent_sample": result.silent_at,
        "announced_s": backend.stop_within_s(),
    }
    json.dump(told, sys.stdout)


if __name__ == "__main__":
    main()
