"""Modes in the products of loudspeakers whose harmonics are known in closed form, with noise."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from closed_form import Branch, cascade, harmonic_products, high_pass, low_pass, peak
from resonating import band_pass, echo

from distsweep.analysis.resonance.curves import SearchedTake
from distsweep.analysis.resonance.excited import find_in_products
from distsweep.analysis.resonance.mode import FoundMode
from distsweep.analysis.sweep.grid import frequency_grid
from distsweep.analysis.sweep.harmonics import SweptHarmonics
from distsweep.results import Rung

CALLED = 11.5
"""Likelier than anything else by so much as a logarithm is a call."""

GRID_HZ = frequency_grid((20.0, 20000.0))
DRIVES_DBFS = (-22.0, -16.0, -10.0)
OWN = (1.0, 0.02, 0.02, 0.003, 0.003)
ROOM = cascade(echo(4.1e-3, 0.4), echo(11.3e-3, 0.3))
EXCITED = [
    Branch(high_pass(60), OWN, ROOM),
    Branch(cascade(high_pass(60), band_pass(703.0, 30.0)), (0.0, 0.06, 0.12), ROOM),
]


def find_excited(takes: Sequence[SearchedTake]) -> list[FoundMode]:
    return [mode for mode in find_in_products(takes) if mode.kind == "excited"]


def find_lifted(takes: Sequence[SearchedTake]) -> list[FoundMode]:
    return [mode for mode in find_in_products(takes) if mode.kind == "radiated"]


def take(
    branches: Sequence[Branch],
    *,
    spoilt: np.ndarray | None = None,
    position: str = "axis",
    noise: float = 1e-6,
) -> SearchedTake:
    """Return a take of a sweep so slow that it shows what a steady tone would.

    ``spoilt`` is added to the products of the loudest rung, shape ``(order, F)``.
    """
    rng = np.random.default_rng(5)
    drives = 10.0 ** (np.array(DRIVES_DBFS) / 20.0)
    orders = np.arange(1, len(OWN) + 1)[:, None]
    values = np.array([harmonic_products(branches, GRID_HZ, d, len(OWN)) / d for d in drives])
    if spoilt is not None:
        values[-1] += spoilt
    floor = noise / drives[:, None, None] * np.ones(values.shape)
    values = values + floor * np.sqrt(0.5) * (
        rng.standard_normal(values.shape) + 1j * rng.standard_normal(values.shape)
    )
    beyond = orders * GRID_HZ > 20000.0
    linear = sum(
        b.coefficients[0] * b.pre(orders * GRID_HZ) * b.post(orders * GRID_HZ) for b in branches
    )
    swept = SweptHarmonics(
        GRID_HZ, np.where(beyond, np.nan, values).transpose(1, 0, 2), floor.transpose(1, 0, 2),
        np.where(beyond, np.nan, np.asarray(linear)), 30.0, 200.0,
    )  # fmt: skip
    rungs: list[Any] = [SimpleNamespace(drive_dbfs=d, clipped=False) for d in DRIVES_DBFS]
    return SearchedTake(position, GRID_HZ, cast(list[Rung], rungs), None, 30.0, swept=swept)


def called(modes: Sequence[FoundMode]) -> list[FoundMode]:
    return [
        mode
        for mode in modes
        if min(mode.log_ratio, mode.log_ratio - mode.other_log_ratio) >= CALLED
    ]


def test_an_excited_mode_is_found_in_a_room_with_what_every_order_says() -> None:
    (mode,) = called(find_excited([take(EXCITED)]))
    assert (mode.kind, mode.q) == ("excited", pytest.approx(30.0, rel=0.05))
    assert mode.frequency_hz == pytest.approx(703.0, rel=1e-3)
    said = {c.order: c.log_ratio for c in mode.contributions}
    # The branch makes a second and a third harmonic alone.
    assert said[2] > 10.0 and said[3] > 10.0 and said[4] < 2.0 and said[5] < 2.0


def test_positions_add_up() -> None:
    noise = 1.5e-4
    alone = take(EXCITED, noise=noise)
    (one,), (both,) = (
        find_excited(takes)[:1] for takes in ([alone], [alone, take(EXCITED, position="axis@30")])
    )
    assert both.log_ratio > one.log_ratio
    assert {c.position for c in both.contributions} == {"axis", "axis@30"}


@pytest.mark.parametrize(("gain_db", "q"), [(4.0, 10.0), (-3.0, 4.0)])
def test_a_bell_of_the_drive_is_not_called(gain_db: float, q: float) -> None:
    """It bends the products of all orders where it is played, as an excited mode does."""
    branches = [Branch(cascade(high_pass(60), peak(703.0, q, gain_db)), OWN, ROOM)]
    assert called(find_excited([take(branches)])) == []


def test_a_mode_that_the_equaliser_takes_off_the_response_is_no_excited_one() -> None:
    cut, mode = peak(1100.0, 25.0 / 10.0**0.5, -10.0), peak(1100.0, 25.0, 10.0)
    take_of_it = take([Branch(cascade(high_pass(60), cut), OWN, cascade(mode, low_pass(15000)))])
    assert called(find_excited([take_of_it])) == []
    lifted = called(find_lifted([take_of_it]))[0]
    assert lifted.frequency_hz == pytest.approx(1100.0, rel=0.005)
    assert (lifted.kind, lifted.in_response) == ("radiated", False)


def test_what_one_rung_alone_shows_is_not_called() -> None:
    motion = band_pass(703.0, 30.0)(GRID_HZ)
    heard = np.array([ROOM(n * GRID_HZ) for n in range(1, 6)])
    spoilt = 0.03 * heard * np.array([0.0 * motion, *(motion**n for n in range(2, 6))])
    seen = find_excited([take([Branch(high_pass(60), OWN, ROOM)], spoilt=spoilt)])
    assert any(abs(mode.frequency_hz - 703.0) < 10.0 for mode in seen)
    assert called(seen) == []
