"""Radiated modes are told from rooms, crossovers, equalisers and what is loose."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from distsweep.analysis.resonance.arrivals import first_reflection_s
from distsweep.analysis.resonance.curves import SearchedTake
from distsweep.analysis.resonance.mode import FoundMode
from distsweep.analysis.resonance.radiated import find_radiated
from distsweep.analysis.sweep.grid import frequency_grid
from distsweep.analysis.sweep.harmonics import ImpulseResponse, SweptHarmonics

RATE_HZ, LENGTH, ORIGIN = 48000, 1 << 15, 480
GRID_HZ = frequency_grid((40.0, 16000.0))
Heard = Callable[[np.ndarray], np.ndarray]

SURE = 60.0
"""A strength from which a mode would be called (chosen: what rooms make stays below)."""


def crossover(f: np.ndarray) -> np.ndarray:
    """A high-pass at 50 Hz, and a crossover of fourth order at 1.8 kHz with a late tweeter."""
    s = 1j * np.maximum(f, 1e-3)
    high = (s / 50.0) ** 2 / ((s / 50.0) ** 2 + 1.4 * s / 50.0 + 1.0)
    x = s / 1800.0
    square = (x**2 + np.sqrt(2.0) * x + 1.0) ** 2
    return high * (1.0 + x**4 * np.exp(-2j * np.pi * f * 0.1e-3)) / square


def mode(f: np.ndarray, centre_hz: float, q: float, ratio: complex) -> np.ndarray:
    f = np.maximum(f, 1e-3)
    return 1.0 + ratio / (1.0 + 1j * q * (f / centre_hz - centre_hz / f))


def impulse_of(heard: Heard, room: np.ndarray | None = None) -> ImpulseResponse:
    spectrum = heard(np.fft.rfftfreq(LENGTH, 1.0 / RATE_HZ))
    if room is not None:
        spectrum = spectrum * np.fft.rfft(room, LENGTH)
    samples = np.fft.irfft(spectrum, LENGTH)
    samples += 1e-7 * np.random.default_rng(1).standard_normal(LENGTH)
    kept = np.roll(samples, ORIGIN)[: ORIGIN + RATE_HZ // 2]
    return ImpulseResponse(kept, ORIGIN, RATE_HZ, 0)


def take(heard: Heard, position: str = "axis", **more: Any) -> SearchedTake:
    impulse = impulse_of(heard, more.pop("room", None))
    nothing = np.zeros((1, 0, len(GRID_HZ)))
    silent = SweptHarmonics(GRID_HZ, nothing + 0j, nothing, nothing[:, 0:0] + 0j, 0.85, 6.0)
    harmonics = more.pop("swept", silent)
    return SearchedTake(position, GRID_HZ, more.pop("rungs", ()), impulse, 0.85, harmonics, **more)


def room_of(rng: np.random.Generator, decay_s: float = 0.4, energy: float = 1.0) -> np.ndarray:
    """Direct sound and a tail of noise that falls by 60 dB in ``decay_s``."""
    time_s = np.arange(RATE_HZ // 2) / RATE_HZ
    tail = rng.standard_normal(len(time_s)) * 10.0 ** (-3.0 * time_s / decay_s)
    tail[: RATE_HZ // 500] = 0.0
    tail *= np.sqrt(energy / np.sum(tail**2))
    tail[0] = 1.0
    return tail


def sure(takes: Sequence[SearchedTake]) -> list[FoundMode]:
    return [found for found in find_radiated(takes) if found.direct and found.strength > SURE]


def swept(heard: Heard, products: Heard, loud: Heard | None = None) -> SweptHarmonics:
    """Two rungs whose products are smooth in what is played, and pass ``products`` at n·f."""
    orders = np.arange(1, 6)[:, None]
    linear = heard(orders * GRID_HZ)
    values = np.repeat(0.01 * products(orders * GRID_HZ)[:, None], 2, axis=1)
    values[0] = heard(GRID_HZ)
    values[0, 0] *= 1.0 if loud is None else loud(GRID_HZ)
    floors = np.full(values.shape, 1e-5)
    return SweptHarmonics(GRID_HZ, values, floors, linear, 0.85, 6.0)


RUNGS: Any = (
    SimpleNamespace(clipped=False, drive_dbfs=-10.0),
    SimpleNamespace(clipped=False, drive_dbfs=-30.0),
)


@pytest.mark.parametrize("reflection", [0.0, 0.4])
def test_a_pole_is_found_beside_a_crossover_and_a_reflection(reflection: float) -> None:
    def heard(f: np.ndarray) -> np.ndarray:
        bounced = 1.0 + reflection * np.exp(-2j * np.pi * f * 4.1e-3)
        return crossover(f) * mode(f, 712.0, 22.0, 2.0) * bounced

    (found,) = sure([take(heard)])
    assert found.frequency_hz == pytest.approx(712.0, rel=0.003)
    assert found.q == pytest.approx(22.0, rel=0.15)


def test_two_poles_that_overlap_are_both_found() -> None:
    def heard(f: np.ndarray) -> np.ndarray:
        return crossover(f) * mode(f, 700.0, 25.0, 1.5) * mode(f, 735.0, 30.0, 1.0 - 1.0j)

    low, high = sorted(sure([take(heard)]), key=lambda found: found.frequency_hz)
    assert low.frequency_hz == pytest.approx(700.0, rel=0.003)
    assert high.frequency_hz == pytest.approx(735.0, rel=0.003)
    assert (low.q, high.q) == pytest.approx((25.0, 30.0), rel=0.15)


def test_what_one_near_field_alone_shows_is_not_told() -> None:
    def heard(f: np.ndarray) -> np.ndarray:
        return crossover(f) * mode(f, 1402.0, 30.0, 1.5 + 1.0j)

    takes = [take(crossover), take(crossover, "woofer"), take(heard, "port")]
    assert not any(found.direct for found in find_radiated(takes))


def test_a_crossover_is_no_mode() -> None:
    assert find_radiated([take(crossover)]) == []


def test_a_room_shows_no_mode_at_three_positions() -> None:
    rng = np.random.default_rng(5)
    positions = ("axis", "axis@30", "axis@-25")
    assert sure([take(crossover, position, room=room_of(rng)) for position in positions]) == []


def test_a_mode_in_a_room_is_told_by_a_near_field_take_only() -> None:
    def heard(f: np.ndarray) -> np.ndarray:
        return crossover(f) * mode(f, 402.0, 30.0, 1.5 + 1.0j)

    rng = np.random.default_rng(6)
    axis = take(heard, room=room_of(rng))
    near = take(heard, "woofer", room=room_of(rng, energy=0.01))
    assert not any(found.direct for found in find_radiated([axis]))
    (found,) = sure([axis, near])
    assert found.frequency_hz == pytest.approx(402.0, rel=0.003)


def test_products_tell_an_equaliser_from_a_mode() -> None:
    def heard(f: np.ndarray) -> np.ndarray:
        return crossover(f) * mode(f, 640.0, 9.0, 0.6)

    behind = take(heard, swept=swept(heard, heard), rungs=RUNGS)
    in_drive = take(heard, swept=swept(heard, crossover), rungs=RUNGS)
    assert len(sure([behind])) == 1
    assert sure([in_drive]) == []


def test_what_shows_where_it_is_loud_only_is_no_mode() -> None:
    def heard(f: np.ndarray) -> np.ndarray:
        return crossover(f) * mode(f, 640.0, 20.0, 0.6)

    harmonics = swept(crossover, heard, loud=lambda f: mode(f, 640.0, 20.0, 0.6))
    assert sure([take(heard, swept=harmonics, rungs=RUNGS)]) == []


@pytest.mark.parametrize("delay_s", [1.3e-3, 4.1e-3, 11.0e-3])
def test_the_first_reflection_arrives_when_it_does(delay_s: float) -> None:
    def heard(f: np.ndarray) -> np.ndarray:
        later = 0.1 * np.exp(-2j * np.pi * f * 13.0e-3)
        return crossover(f) * (1.0 + 0.2 * np.exp(-2j * np.pi * f * delay_s) + later)

    assert first_reflection_s(impulse_of(heard)) == pytest.approx(delay_s, abs=0.2e-3)


def test_no_reflection_no_time() -> None:
    assert first_reflection_s(impulse_of(crossover)) is None
