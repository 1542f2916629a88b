"""What was too loud: the sweep, only louder, or something else in the room."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from capture_bench import (
    RATE_HZ,
    FakeBench,
    calibrated_session,
    log_events,
    run_capture,
)
from numpy.typing import NDArray

MARKER_AT = round(0.25 * RATE_HZ)
SWEEP_AT = round((0.25 + 0.4 + 0.5 + 0.7) * RATE_HZ)
FIRST_RUNG = 2
RAISED, ELSE = "was a gain raised?", "something else sounds in the room"


LEVELS = ("--levels-spl", "72 and 82", "--accept-level", "85")


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return calibrated_session(tmp_path / "session", 135.0)


def raised(exchange: int, at: int, gain_db: float):
    def fault(number: int, count: int, heard: NDArray) -> NDArray:
        later = (number == exchange) & (count + np.arange(len(heard)) >= at)
        return np.where(later, 10.0 ** (gain_db / 20.0) * heard, heard)

    return fault


def noise(exchange: int, at: int, rms: float, *, lowest_hz: float | None = None):
    """Start a noise in the room: white, or a rumble (a wandering tone) around a frequency."""
    rng = np.random.default_rng(2)
    phase = [0.0]

    def fault(number: int, count: int, heard: NDArray) -> NDArray:
        samples = count + np.arange(len(heard))
        sound = rng.standard_normal(len(heard))
        if lowest_hz is not None:
            steps = 2.0 * np.pi * lowest_hz / RATE_HZ * (1.0 + 0.3 * sound)
            sound = np.sqrt(2.0) * np.sin(phase[0] + np.cumsum(steps))
            phase[0] += float(np.sum(steps))
        return np.where((number == exchange) & (samples >= at), heard + rms * sound, heard)

    return fault


def stopped(bench: FakeBench, session: Path, sidecar: Path) -> tuple[str, str]:
    ran = run_capture(bench, session, sidecar, *LEVELS)
    assert ran.exit_code == 4, ran.stderr
    last = [e for e in log_events(session) if e["event"] == "recorded"][-1]
    assert last["stop"] == "loud"
    assert last["why"] in ran.stderr
    return last["why"], ran.stderr


MOMENTS = {
    "in the marker": MARKER_AT - 4800,
    "early in the sweep": SWEEP_AT + round(0.25 * RATE_HZ),
    "late in the sweep": SWEEP_AT + round(0.5 * RATE_HZ),
}


@pytest.mark.parametrize("gain_db", [8.0, 26.0])
@pytest.mark.parametrize("moment", MOMENTS)
def test_a_gain_that_was_raised_is_asked_about(
    moment: str, gain_db: float, session: Path, sidecar: Path
) -> None:
    rung = FIRST_RUNG + (gain_db < 10.0)
    bench = FakeBench(fault=raised(rung, MOMENTS[moment], gain_db))
    why, _ = stopped(bench, session, sidecar)
    assert RAISED in why and ELSE not in why


# The first rung is heard at 72 dB SPL, −63 dBFS re a sine: an RMS of 5e-4.
@pytest.mark.parametrize(
    ("moment", "rms", "lowest_hz"),
    [
        *((moment, 1.5e-3, None) for moment in [*MOMENTS, "in the silence"]),
        *(("early in the sweep", 1.5e-3, 60.0), ("late in the sweep", 3e-2, 700.0)),
        *(
            pytest.param(moment, *sound, marks=pytest.mark.long)
            for moment in [*MOMENTS, "in the silence"]
            for sound in ((1.5e-3, 60.0), (3e-2, 700.0))
            if (moment, sound[1])
            not in (("early in the sweep", 60.0), ("late in the sweep", 700.0))
        ),
    ],
)
def test_noise_in_the_room_is_called_that(
    moment: str, rms: float, lowest_hz: float | None, session: Path, sidecar: Path
) -> None:
    at = MOMENTS.get(moment, SWEEP_AT - round(0.3 * RATE_HZ))
    bench = FakeBench(fault=noise(FIRST_RUNG, at, rms, lowest_hz=lowest_hz))
    why, _ = stopped(bench, session, sidecar)
    assert ELSE in why and RAISED not in why


def test_noise_before_anything_was_played_is_not_a_gain(session: Path, sidecar: Path) -> None:
    bench = FakeBench(fault=noise(FIRST_RUNG, 2400, 0.1))
    why, _ = stopped(bench, session, sidecar)
    assert "0 % of it is what was played" in why and ELSE in why


def test_during_a_probe_it_is_told_apart_as_well(session: Path, sidecar: Path, tmp_path) -> None:
    late = SWEEP_AT + round(0.3 * RATE_HZ)
    other = calibrated_session(tmp_path / "other", 135.0)
    for fault, folder, words in (
        (raised(1, late, 40.0), session, RAISED),
        (noise(1, late, 0.05), other, ELSE),
    ):
        ran = run_capture(FakeBench(fault=fault), folder, sidecar, *LEVELS)
        first = next(e for e in log_events(folder) if e["event"] == "recorded")
        assert first["stop"] == "loud" and words in first["why"]
        assert words in ran.stderr and "repeated 10 dB softer" in ran.stderr


def test_what_was_not_confirmed_is_said_with_what_was_played(sidecar: Path, tmp_path: Path) -> None:
    """The probe has sounded before the level is asked for; before a ceiling nothing has."""
    session = calibrated_session(tmp_path / "s", 120.0)
    ran = run_capture(FakeBench(), session, sidecar, "--levels-spl", "90", typed="no\n")
    assert ran.exit_code == 4
    assert "nothing louder than a probe was played" in ran.stderr
    bench = FakeBench()
    options = ("--levels-spl", "90", "--ceiling-spl", "115")
    ran = run_capture(bench, session, sidecar, *options, typed="no\n")
    assert ran.exit_code == 4 and not bench.sent
    assert "nothing was played" in ran.stderr
