"""Impulse and step response of known loudspeakers, against scipy's own responses of analogue ones.

The recording is made by FFT from the loudspeaker's transfer function; the truth comes from
`scipy.signal.step`, which solves the same system's differential equation in time.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from closed_form import Branch, cascade, flat, high_pass, play
from conftest import long
from whole_path import PlayedLadder, analysed, write_ladder

from distsweep import Take

LATE_SAMPLES = 96  # a path of 0.7 m


@pytest.fixture(scope="module")
def ladder(tmp_path_factory: pytest.TempPathFactory) -> PlayedLadder:
    folder = tmp_path_factory.mktemp("impulse")
    return write_ladder(folder, levels_dbfs=[-20, -14], order=3, band_hz=(20.0, 20000.0))


def one_pole(corner_hz: float) -> object:
    return lambda frequency_hz: 1.0 / (1.0 + 1j * frequency_hz / corner_hz)


def take_of(ladder: PlayedLadder, corner_hz: float, q: float, pole_hz: float, gain: float) -> Take:
    """Play a ladder through a high-pass of second order and a pole, late by a path's delay."""
    post = cascade(high_pass(corner_hz, q), one_pole(pole_hz))  # type: ignore[arg-type]
    heard = play([Branch(flat, (gain,), post)], ladder.samples, ladder.rate_hz)
    late = np.concatenate([np.zeros(LATE_SAMPLES), heard])[: len(heard)]
    return analysed(ladder, late)


def true_step(corner_hz: float, q: float, pole_hz: float, time_s: np.ndarray) -> np.ndarray:
    """The step response of s²/(s² + s·ω/Q + ω²) · ω_p/(s + ω_p), 0 before time 0."""
    w, p = 2.0 * np.pi * corner_hz, 2.0 * np.pi * pole_hz
    system = scipy.signal.lti([p, 0.0, 0.0], np.polymul([1.0, w / q, w**2], [1.0, p]))
    fine_s, step = scipy.signal.step(system, T=np.linspace(0.0, 0.021, 20001))
    return np.interp(time_s, fine_s, step, left=0.0)


CASES = [(80.0, 0.7, 2000.0, 1.0), (45.0, 1.1, 1000.0, -0.5), (120.0, 0.5, 3000.0, 0.3)]


def missing_below(corner_hz: float) -> float:
    """What a step lacks at most, of 1, without frequencies below where the sweep is faded in.

    There the high-pass is (f/f_c)², a step's spectrum 1/(2πf), and 2·∫ of both f²/(2π·f_c²).
    """
    return 14.0**2 / (2.0 * np.pi * corner_hz**2)


def missing_above(pole_hz: float) -> float:
    """The same above where it is faded out: the pole is f_p/f there, 2·∫ f_p/(π·f)."""
    return pole_hz / (np.pi * 22500.0)


@pytest.mark.parametrize("case", [CASES[0], *map(long, CASES[1:])])
def test_the_step_response_is_that_of_the_loudspeaker(
    ladder: PlayedLadder, case: tuple[float, float, float, float]
) -> None:
    """Within what the sweep's band leaves out: at the start all of it, later what is slow only.

    What is cut off above rings around the start, and has faded to a thousandth after 1 ms. The
    arrival is a whole sample, that of the largest pressure: which time fits best is looked for.
    """
    corner_hz, q, pole_hz, gain = case
    impulse = take_of(ladder, *case).impulse
    assert impulse is not None and impulse.drive_dbfs == -14.0
    assert impulse.window_s == pytest.approx((0.003, 0.02))
    off = []
    for shift in np.arange(-2.0, 2.01, 0.1):
        time_s = impulse.time_s + shift / ladder.rate_hz
        truth = np.sign(gain) * true_step(corner_hz, q, pole_hz, time_s)
        off.append(np.abs(impulse.step * np.max(np.abs(truth)) - truth))
    best = min(off, key=lambda one: float(np.max(one)))
    later = impulse.time_s > 0.001
    assert np.max(best) < missing_below(corner_hz) + missing_above(pole_hz)
    assert np.max(best[later]) < missing_below(corner_hz) + 0.001


def test_before_the_direct_sound_there_is_hardly_anything_and_polarity_is_kept(
    ladder: PlayedLadder,
) -> None:
    for gain in (0.5, -0.5):
        impulse = take_of(ladder, 80.0, 0.7, 2000.0, gain).impulse
        assert impulse is not None
        assert np.max(np.abs(impulse.pressure[impulse.time_s < -0.001])) < 0.01
        assert np.max(np.sign(gain) * impulse.pressure) == 1.0
        peak_s = impulse.time_s[np.argmax(np.abs(impulse.pressure))]
        assert abs(peak_s) < 1.5 / ladder.rate_hz
