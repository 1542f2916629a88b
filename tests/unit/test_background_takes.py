"""Recording the background with the loudspeaker on and off: order, what is kept, a resume."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from capture_bench import RATE_HZ, FakeBench, calibrated_session, log_events

from distsweep.capture.background_files import BackgroundFiles
from distsweep.capture.background_judge import what_disturbed
from distsweep.capture.background_takes import BackgroundOrder, record_background
from distsweep.capture.recovery import recover
from distsweep.capture.sending import Screen
from distsweep.errors import InputError
from distsweep.takes.session import read_session

ROOM, HISS = 1e-4, 2e-4


class Room(FakeBench):
    """A room's noise, and hiss of the state that the person has switched to."""

    def __init__(self, person: Person, *, knocks: set[int] = frozenset()) -> None:
        super().__init__()
        self.person, self.knocks, self.records = person, knocks, 0

    def record(self, device, *, channels, rate_hz, seconds, heard=None, dropped=None):
        self.records += 1
        level = np.hypot(ROOM, HISS) if self.person.state == "on" else ROOM
        out = level * self._rng.standard_normal((round(seconds * rate_hz), channels))
        if self.records in self.knocks:
            out[RATE_HZ : RATE_HZ + 2000] *= 40.0
        for end in range(0, len(out), RATE_HZ // 2):
            heard(out[:end])
        return out


class Person:
    """Does what is asked, and types Enter; answers can be given by their number."""

    accept_level_spl_db = accept_ceiling_spl_db = None

    def __init__(self, **answers: str) -> None:
        self.state, self.answers, self.asked = "", answers, []

    def is_terminal(self) -> bool:
        return True

    def tell(self, text: str) -> None:
        raise AssertionError(text)

    def typed(self, prompt: str) -> str:
        self.asked.append(prompt)
        for state in ("ON", "OFF"):
            if f"switch the loudspeaker {state}" in prompt:
                self.state = state.lower()
        return self.answers.get(f"at_{len(self.asked)}", "\n")


def record(folder: Path, person: Person, bench: Room | None = None, **changes) -> list[str]:
    bench = bench or Room(person)
    said: list[str] = []
    session = read_session(folder, takes_required=False)
    order = BackgroundOrder(
        folder, "tweeter", 3, bench.devices()[0], seconds=4.0, distance_m=0.05,
        calibration=session.calibration, **changes,
    )  # fmt: skip
    said += recover(folder)  # as the capture does that holds the session
    try:
        record_background(
            order, backend=bench, asker=person, screen=Screen(said.append, lambda text: None)
        )
    except KeyboardInterrupt:
        said.append("stopped")
    return said


def test_states_alternate_about_the_middle_and_pairs_stand_in_the_session(tmp_path: Path) -> None:
    session = calibrated_session(tmp_path / "s")
    person = Person()
    said = record(session, person)
    asked = [prompt.split(",")[0] for prompt in person.asked]
    assert asked == ["on", "off", "off", "on", "on", "off"]
    assert "leave the loudspeaker off" in person.asked[2]
    on, off = read_session(session).backgrounds
    assert (on.state, off.state, on.distance_m, on.channel) == ("on", "off", 0.05, 1)
    assert [len(one.recordings) for one in (on, off)] == [3, 3]
    assert on.calibration is not None and on.calibration.source == (
        "tweeter-background-calibration.json"
    )
    powers = {
        one.state: [np.mean(soundfile.read(path)[0] ** 2) for path in one.recordings]
        for one in (on, off)
    }
    assert np.allclose(powers["off"], ROOM**2, rtol=0.05)
    assert np.allclose(powers["on"], ROOM**2 + HISS**2, rtol=0.05)
    # White noise over 24 kHz of −80 dBFS peak-sine scale is −77 dB re a full-scale sine, and 2.8 dB
    # less A-weighted: full scale is 120 dB SPL.
    told = next(line for line in said if line.startswith("off, pair 1 of 3"))
    assert float(told.split(": ")[1].split()[0]) == pytest.approx(40.2, abs=0.1)


def test_a_stop_keeps_whole_pairs_and_the_next_run_goes_on(tmp_path: Path) -> None:
    session = calibrated_session(tmp_path / "s")
    said = record(session, Person(at_4="stop\n"))
    assert "1 pair(s) of background takes are in the session now" in said
    assert "tweeter-background-off-2.wav has no counterpart, and is left out of the session" in said
    before = {path: path.read_bytes() for path in session.glob("*.wav")}
    person = Person()
    record(session, person)
    assert [prompt.split(",")[0] for prompt in person.asked] == ["off", "on", "on", "off"]
    assert all(path.read_bytes() == content for path, content in before.items())
    assert [len(one.recordings) for one in read_session(session).backgrounds] == [1, 1, 2, 2]
    assert record(session, Person()) == ["'tweeter' has 3 pair(s) of background takes already"]


def test_what_a_killed_run_has_kept_is_entered_once(tmp_path: Path) -> None:
    session = calibrated_session(tmp_path / "s")
    files = BackgroundFiles(
        session, "port", rate_hz=RATE_HZ, distance_m=0.02,
        calibration=read_session(session, takes_required=False).calibration,
    )  # fmt: skip
    files.begin()
    for pair, state in ((0, "on"), (0, "off"), (1, "off")):
        with files.recording(state, pair, 100) as kept:
            kept.keep(np.full((100, 1), 1e-3))
    said = record(session, Person())  # at another position
    assert said[0].startswith("an earlier capture left 1 pair(s) of background takes at 'port'")
    assert [one.position for one in read_session(session).backgrounds].count("port") == 2
    text = (session / "session.toml").read_text()
    assert record(session, Person()) == ["'tweeter' has 3 pair(s) of background takes already"]
    assert (session / "session.toml").read_text() == text


def test_a_knock_is_noticed_and_the_recording_made_again(tmp_path: Path) -> None:
    session = calibrated_session(tmp_path / "s")
    person = Person()
    bench = Room(person, knocks={2})
    record(session, person, bench)
    assert bench.records == 7
    assert "a knock, or speech" in person.asked[2]
    assert sum(event["event"] == "background_repeated" for event in log_events(session)) == 1
    assert len(list(session.glob("*.wav"))) == 6
    assert not list(session.glob(".recording-*"))


def test_muting_that_ends_while_it_is_recorded_is_noticed(rng: np.random.Generator) -> None:
    noise = 1e-4 * rng.standard_normal(10 * RATE_HZ)
    assert what_disturbed(noise, rate_hz=RATE_HZ) is None
    noise[4 * RATE_HZ :] *= 2.0
    assert "grew louder by 6 dB" in str(what_disturbed(noise, rate_hz=RATE_HZ))
    assert "digital silence" in str(what_disturbed(np.zeros(RATE_HZ), rate_hz=RATE_HZ))


def test_pairs_of_another_distance_are_another_position(tmp_path: Path) -> None:
    session = calibrated_session(tmp_path / "s")
    record(session, Person())
    text = (session / "session.toml").read_text().replace("distance_m = 0.05", "distance_m = 0.1")
    (session / "session.toml").write_text(text)
    with pytest.raises(InputError, match="another position's name"):
        record(session, Person())


def test_the_record_says_what_was_recorded(tmp_path: Path) -> None:
    session = calibrated_session(tmp_path / "s")
    record(session, Person())
    events = [json.loads(line) for line in (session / "capture-log.jsonl").read_text().splitlines()]
    assert [event["event"] for event in events] == ["background_recorded"] * 6 + ["background"]
