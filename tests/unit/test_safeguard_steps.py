"""Steps inside an array: what the gate lets through of a staircase, and what it refuses."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from capture_bench import RATE_HZ, FakeBench
from conftest import draws
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from distsweep.capture.backend import Route
from distsweep.capture.gate import Gate
from distsweep.capture.safeguards import probe_licence, settle_ceiling
from distsweep.capture.watch import Watch
from distsweep.errors import SafetyRefusal

LICENCE = probe_licence(-40.0, worst_spl_db=70.0, ceiling=settle_ceiling(100.0, None))

FIRST_DBFS = -60.5
"""Nothing has been proven: up to −60 dBFS all may leave, and above that only in small steps."""

SETTINGS = settings(max_examples=draws(150, 40), deadline=None, derandomize=True)


def tone(
    steps: Sequence[tuple[float, float]],
    *,
    frequency_hz: float = 1000.0,
    rate_hz: int = RATE_HZ,
    silence_s: float = 0.3,
) -> NDArray:
    """A tone that stands at each level (dBFS) for so long (s), with ramps of 2 ms between.

    Times are made whole periods: what is left of one would be direct current.
    """
    steps = [(dbfs, np.ceil(seconds * frequency_hz) / frequency_hz) for dbfs, seconds in steps]
    levels = np.concatenate(
        [np.full(round(seconds * rate_hz), 10 ** (dbfs / 20)) for dbfs, seconds in steps]
    )
    ramp = round(0.002 * rate_hz)
    smooth = np.convolve(np.pad(levels, (ramp, 0), mode="edge"), np.ones(ramp) / ramp, "full")
    levels = np.minimum(smooth[ramp : ramp + len(levels)], np.max(levels))
    levels[: 10 * ramp] *= np.sin(0.5 * np.pi * np.arange(10 * ramp) / (10 * ramp)) ** 2
    wave = levels * np.sin(2 * np.pi * frequency_hz * np.arange(len(levels)) / rate_hz)
    quiet = np.zeros(round(silence_s * rate_hz))
    return np.concatenate([quiet, wave, quiet])


def passes(wave: NDArray, *, rate_hz: int = RATE_HZ) -> bool:
    """Send an array with a licence up to −40 dBFS through a gate that has proven nothing."""
    bench = FakeBench()
    device = bench.devices()[0]
    gate = Gate(bench, Route(device, 1, device, 1, None, 2, rate_hz))
    try:
        gate._admit(wave, LICENCE)
    except SafetyRefusal as refusal:
        assert "louder than anything that went well" in str(refusal)
        return False
    return True


def up(rises_db: Sequence[float], hold_s: float = 0.3) -> list[tuple[float, float]]:
    levels = FIRST_DBFS + np.concatenate([[0.0], np.cumsum(rises_db)])
    return [(float(level), hold_s) for level in levels]


rises = st.lists(st.floats(0.1, 3.0), min_size=1, max_size=5)
tones = st.one_of(
    st.sampled_from([40.0, 63.0, 441.0, 12000.1, 15999.0, 16000.0, 19999.0]),
    st.floats(40.0, 0.45 * 44100.0),
)

middle_tones = st.floats(60.0, 4000.0)
"""A block's mean square is right within 0.2 dB from 60 Hz on, samples meet a wave's peaks within
0.3 dB up to 4 kHz: what is refused can be told that closely."""


@SETTINGS
@given(
    rises_db=rises,
    hold_s=st.floats(0.3, 0.8),
    rest_s=st.floats(0.0, 0.5),
    frequency_hz=tones,
    rate_hz=st.sampled_from([44100, 48000, 96000]),
    silence_s=st.floats(0.1, 0.4),
)
def test_small_steps_that_are_held_may_leave(
    rises_db: list[float],
    hold_s: float,
    rest_s: float,
    frequency_hz: float,
    rate_hz: int,
    silence_s: float,
) -> None:
    """Whatever the tone, the block's place in it, and the rests at the lowest level between."""
    steps = []
    for step in up(rises_db, hold_s):
        steps += [step, (FIRST_DBFS, rest_s)]
    wave = tone(steps, frequency_hz=frequency_hz, rate_hz=rate_hz, silence_s=silence_s)
    assert passes(wave, rate_hz=rate_hz)


@SETTINGS
@given(
    rises_db=rises,
    place=st.integers(0, 5),
    excess_db=st.floats(0.6, 5.0),
    frequency_hz=middle_tones,
    hold_s=st.floats(0.3, 2.0),
)
def test_one_step_too_large_is_refused(
    rises_db: list[float], place: int, excess_db: float, frequency_hz: float, hold_s: float
) -> None:
    rises_db[place % len(rises_db)] = 3.0 + excess_db
    assert not passes(tone(up(rises_db, hold_s), frequency_hz=frequency_hz))


@SETTINGS
@given(
    rises_db=st.lists(st.floats(2.0, 3.0), min_size=2, max_size=6),
    place=st.integers(1, 5),
    short_s=st.floats(0.0, 0.17),  # a period of 60 Hz is added at most
    frequency_hz=middle_tones,
    silence_s=st.floats(0.1, 0.4),
)
def test_one_step_that_is_not_held_is_refused(
    rises_db: list[float], place: int, short_s: float, frequency_hz: float, silence_s: float
) -> None:
    """Two rises of 2 dB or more with less than 0.19 s between make one of 4 or more."""
    steps = up(rises_db)
    place = 1 + place % (len(rises_db) - 1)
    steps[place] = (steps[place][0], short_s)
    assert not passes(tone(steps, frequency_hz=frequency_hz, silence_s=silence_s))


def sweep(level_dbfs: float, seconds: float = 2.0) -> NDArray:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    phase = 2 * np.pi * 100.0 * seconds / np.log(50.0) * np.expm1(time_s / seconds * np.log(50.0))
    fade = np.clip(np.minimum(time_s, seconds - time_s) / 0.1, 0.0, 1.0)
    return 10 ** (level_dbfs / 20) * fade * np.sin(phase)


QUIET = np.zeros(RATE_HZ // 5)


@pytest.mark.parametrize(
    ("name", "wave"),
    [
        ("a sweep", [QUIET, sweep(-59.5)]),
        ("a sweep after a marker as loud", [QUIET, sweep(-60.2), QUIET, sweep(-57.5)]),
        ("a second tone, the first in steps", [tone(up([3.0, 3.0])), tone([(-57.5, 0.5)])]),
    ],
)
def test_a_silence_ends_what_vouches(name: str, wave: list[NDArray]) -> None:
    """Steps count within one sound only; a sweep keeps to 10 dB whatever came before it."""
    assert not passes(np.concatenate(wave)), name


def test_clicks_hold_no_level() -> None:
    """A quiet tone with a click every 20 ms reaches −60 dBFS in each block, and holds it in none"""
    quiet = tone([(-75.0, 1.0)])
    clicks = quiet.copy()
    clicks[RATE_HZ // 2 : RATE_HZ : RATE_HZ // 50] = 10 ** (-60.2 / 20)
    loud = tone([(-75.0, 1.0), (-57.5, 0.5)])
    loud[: len(clicks)][np.abs(clicks) > 2e-4] = 10 ** (-60.2 / 20)
    assert passes(clicks)
    assert not passes(loud)


def test_a_fade_that_never_stands_still_is_refused() -> None:
    """24 dB in a second: 3 dB each eighth of one, twice too fast."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    level_db = np.clip(FIRST_DBFS + 24.0 * (time_s - 0.5), FIRST_DBFS, -45.0)
    wave = 10 ** (level_db / 20) * np.sin(2 * np.pi * 1000 * time_s)
    assert not passes(wave)
    slow_db = np.clip(FIRST_DBFS + 6.0 * (time_s - 0.5), FIRST_DBFS, -45.0)
    assert passes(10 ** (slow_db / 20) * np.sin(2 * np.pi * 1000 * time_s))


def test_what_went_through_in_steps_is_proven_and_what_was_stopped_is_not() -> None:
    bench = FakeBench()
    device = bench.devices()[0]
    gate = Gate(bench, Route(device, 1, device, 1, None, 2, RATE_HZ))

    def send(wave: NDArray) -> None:
        watch = Watch(rate_hz=RATE_HZ, loudest_power=np.inf, level_power=np.inf, expected=None)
        gate.send(wave, LICENCE, watch=watch, tick=lambda _talk: None)

    with pytest.raises(SafetyRefusal, match="louder than anything"):
        send(tone([(-45.0, 0.5)]))
    send(tone(up([3.0, 3.0])))  # up to −54.5 dBFS
    send(tone([(-45.0, 0.5)]))
    assert bench.loudest == pytest.approx(10 ** (-45.0 / 20), rel=1e-3)
