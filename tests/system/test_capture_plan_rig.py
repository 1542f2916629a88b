"""A session of four positions on a real audio server, stopped and gone on with by one command.

What reached the loudspeaker is searched for every rung and tone that the session lists.
"""

from __future__ import annotations

import json
import signal
import time
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
from rig import RATE_HZ, Rig, loudspeaker_model, write_session

from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.sidecar import read_sidecar
from distsweep.stimulus.write import rendered, write_stimulus
from distsweep.takes.session import Session, read_session

pytest_plugins = ["audio_fixtures"]
pytestmark = [pytest.mark.system, pytest.mark.long, pytest.mark.real_time]

COMMON = {"rate_hz": RATE_HZ, "order": 4, "quiet_s": 0.7, "pause_s": 0.3}
LADDER = {
    **COMMON,
    "kind": "ladder",
    "name": "short",
    "band_hz": [200, 8000],
    "sweep_s": 0.8,
    "levels_dbfs": [-56, -51],
    "return_rung": False,
}
SINGLE = {**LADDER, "name": "single", "levels_dbfs": [-53]}
TONES = {
    **COMMON,
    "kind": "staircase",
    "name": "tones",
    "frequencies_hz": [1000],
    "levels_dbfs": {"from": -55, "to": -52, "step": 3},
    "hold_s": 0.3,
    "rest_s": 0.2,
    "release_s": 0.3,
}

LOUDER = {**LADDER, "name": "louder", "levels_dbfs": [-51]}
POSITIONS = {
    "axis": ("single", "tones"),
    "left": ("short", "single"),
    "port": ("single", "louder"),
    "tweeter": ("single", "louder"),
}
FILES = {"short": 2, "tones": 1, "single": 1, "louder": 1}
STRONG = {"second": 10.0, "third": 400.0, "gain_db": 14.0, "noise_dbfs": -106.0}
"""As for single captures: with 112 dB SPL for full scale one probe will do."""

DROPPED_OUT, TRIES = 5, 4
"""Exit code where drop-outs of a busy machine have ended the command; the same one goes on then,
as after any stop."""

SAME = 1e-3
"""Largest residual of a match, as a part of the energy (single precision leaves 1e-13; a rung that
was faded out, or is of another level or layout, leaves more than a tenth)."""


@pytest.fixture
def session(tmp_path: Path) -> Path:
    folder = write_session(tmp_path / "session", spl_at_0dbfs_in_db=112.0)
    for recipe in (LADDER, TONES, SINGLE, LOUDER):
        write_stimulus(parse_recipe(dict(recipe), "test"), folder)
    with (folder / "session.toml").open("a") as file:
        for position, stimuli in POSITIONS.items():
            names = [f"{name}.json" for name in stimuli]
            file.write(f'\n[[positions]]\nposition = "{position}"\nstimuli = {json.dumps(names)}\n')
    return folder


def events(session: Path, kind: str) -> list[dict]:
    log = session / "capture-log.jsonl"
    lines = log.read_text().splitlines() if log.exists() else []
    return [event for event in map(json.loads, lines) if event["event"] == kind]


def waves_listed(session: Session) -> list[np.ndarray]:
    """What the session's takes say was played, from each file's first rung or burst on."""
    waves = []
    for take in session.takes:
        stimulus = read_sidecar(take.stimulus)
        assert len(stimulus.files) == len(take.recordings)
        waves += [
            rendered(stimulus, file)[file.first_sample : file.end_marker_sample]
            for file in stimulus.files
        ]
    return waves


def times_sounded(sent: np.ndarray, wave: np.ndarray) -> int:
    """How often a wave is in what was sent, whole and at its own level."""
    energy = float(np.sum(wave**2))
    match = scipy.signal.fftconvolve(sent, wave[::-1], mode="valid") / energy
    places, _ = scipy.signal.find_peaks(match, height=0.99, distance=len(wave) // 2)
    return sum(
        float(np.sum((sent[place : place + len(wave)] - wave) ** 2)) < SAME * energy
        for place in places
    )


def stop_in_the_second_position(rig: Rig, session: Path, command: tuple[str, ...]) -> None:
    """Interrupt the command in the last rung of the ladder at the second position."""
    for _ in range(TRIES):
        process = rig.popen(*command)
        try:
            deadline = time.monotonic() + 120.0
            while len(events(session, "rung")) < 2 and process.poll() is None:
                assert time.monotonic() < deadline, "it did not come to the second position"
                time.sleep(0.05)
            time.sleep(1.3)  # into the next sweep
            process.send_signal(signal.SIGINT)
            err = process.communicate(timeout=20)[1]
        finally:
            process.kill()
        if process.returncode != DROPPED_OUT:
            break
    assert process.returncode == 130, err


def test_four_positions_are_complete_after_a_stop_and_nothing_sounds_twice(
    rig: Rig, session: Path
) -> None:
    rig.start_loudspeaker(loudspeaker_model(**STRONG))
    command = ("capture", str(session), "--input", "mic", "--output", "spk")
    # The longest buffer from the start: drop-outs of a busy machine are no matter here.
    command += ("--placed", "--accept-level", "95", "--buffer-ms", "80")
    stop_in_the_second_position(rig, session, command)
    assert [take.partial for take in read_session(session).takes] == [False, False, True]

    gone_on = [rig.run(*command, timeout_s=240.0)]  # the same
    while gone_on[-1].exit_code == DROPPED_OUT and len(gone_on) < TRIES:
        gone_on.append(rig.run(*command, timeout_s=240.0))
    assert gone_on[-1].exit_code == 0, gone_on[-1].stderr[-3000:]
    assert "short.json: 1 of 2 rungs there (left), to be gone on with" in gone_on[0].stderr

    made = read_session(session)
    expected = [(at, FILES[name]) for at, names in POSITIONS.items() for name in names]
    assert [(take.position, len(take.recordings)) for take in made.takes] == expected
    assert not any(take.partial for take in made.takes)
    recordings = [path for take in made.takes for path in take.recordings]
    assert len(recordings) == len(set(recordings))

    sent, waves = rig.sent(), waves_listed(made)
    distinct = {wave.tobytes(): wave for wave in waves}
    listed = [sum(wave.tobytes() == key for wave in waves) for key in distinct]
    sounded = [times_sounded(sent, wave) for wave in distinct.values()]
    # What the machine's drop-outs have spoilt is repeated, and the record says so.
    assert sum(sounded) - sum(listed) <= len(events(session, "repeated"))
    assert all(count >= once for count, once in zip(sounded, listed, strict=True))
    assert events(session, "rise") == []

    analysed = rig.run("analyse", str(session), "--no-report", "--json", "-")
    assert analysed.exit_code == 0, analysed.stderr
    results = json.loads(analysed.stdout)["takes"]
    found = [(take["position"], len(take["rungs"] or take["staircase"])) for take in results]
    assert found == expected
