"""Grids that close in on the least misfit, on functions whose minimum is known."""

from __future__ import annotations

import numpy as np
import pytest

from distsweep.analysis.narrowing import Axis, narrowed_minimum


@pytest.mark.parametrize("true", [-7.3, 0.0, 4.21])
def test_one_quantity_is_found_to_a_step_of_the_last_grid(true: float) -> None:
    axis = Axis(np.linspace(-10.0, 10.0, 21), (7, 7, 7))
    found = narrowed_minimum(lambda x: (x - true) ** 2, axis)
    # Steps of 1, 1/3, 1/9 and 1/27: half of the last either way.
    assert found.place[0] == pytest.approx(true, abs=0.5 / 27.0)
    assert found.misfit == pytest.approx((found.place[0] - true) ** 2)


def test_two_that_trade_against_each_other_are_found_together() -> None:
    """A valley aslant: of x alone, or y alone, the misfit says nearly nothing."""
    axes = [Axis(np.linspace(0.0, 10.0, 31), (13,) * 8, reach=2.0) for _ in range(2)]
    found = narrowed_minimum(
        lambda x, y: (x[:, None] + y - 9.0) ** 2 + 0.01 * (x[:, None] - y + 3.0) ** 2, *axes
    )
    assert found.place == pytest.approx((3.0, 6.0), abs=1e-3)


def test_the_deeper_of_two_valleys_is_taken() -> None:
    axis = Axis(np.linspace(-10.0, 10.0, 41), (9, 9))
    found = narrowed_minimum(lambda x: np.minimum((x + 6.0) ** 2 + 0.5, (x - 6.1) ** 2), axis)
    assert found.place[0] == pytest.approx(6.1, abs=0.02)


def test_a_first_grid_may_be_uneven_and_ends_are_kept() -> None:
    tried: list[float] = []

    def misfits(x: np.ndarray) -> np.ndarray:
        tried.extend(x.tolist())
        return np.asarray((x - 40.0) ** 2)

    found = narrowed_minimum(misfits, Axis(np.geomspace(0.5, 30.0, 24), (9, 9), highest=30.0))
    assert found.place[0] == pytest.approx(30.0)
    assert max(tried) <= 30.0 + 1e-9
