"""A fixed-point iteration for long vectors, quickened after Anderson."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from distsweep.errors import DistsweepError
from distsweep.rehearsal.arrays import FloatArray

# Chosen because −140 dB of the drive is under every product that a microphone could show.
TOLERANCE = 1e-7

# Chosen because the demonstration's loudest rung takes about half of it.
MOST_STEPS = 100

# Chosen because sources a thousand times the drive mean polynomials far outside their range, and
# stopping there keeps their powers from overflowing.
DIVERGED = 1e3

# Chosen because a sweep at 0 dBFS, which did not settle with 6, does with 10 (about 60 steps).
DEPTH = 10


class NotConvergedError(DistsweepError):
    """The simulated loudspeaker has no motion that satisfies its equations, as far as was found."""


def fixed_point(
    update: Callable[[FloatArray], FloatArray], start: FloatArray, *, scale: float, what: str
) -> FloatArray:
    """The vector that `update` returns unchanged, [shape=(n,)].

    It has been found when no element of update(s) differs from s by more than 10⁻⁷ of `scale`.

    Raises
    ------
    NotConvergedError
        If that has not happened within 100 steps, or the vector runs away.

    References
    ----------
    D. G. Anderson, "Iterative procedures for nonlinear integral equations", J. ACM 12(4), 1965,
    in the form of H. F. Walker, P. Ni, SIAM J. Numer. Anal. 49(4), 2011.
    """
    history = _History()
    current = start
    for _ in range(MOST_STEPS):
        image = update(current)
        residual = image - current
        worst = float(np.max(np.abs(residual)))
        if not worst < DIVERGED * scale:
            break
        if worst <= TOLERANCE * scale:
            return image
        current = history.next(image, residual)
    raise NotConvergedError(
        f"{what} did not settle in {MOST_STEPS} steps or ran away: the drive is beyond what it can "
        "follow, lower it"
    )


class _History:
    """The latest changes of images and residuals, and the inner products of the latter."""

    def __init__(self) -> None:
        self._last: tuple[FloatArray, FloatArray] | None = None
        self._images: list[FloatArray] = []
        self._residuals: list[FloatArray] = []
        self._products = np.zeros((0, 0))

    def next(self, image: FloatArray, residual: FloatArray) -> FloatArray:
        """The combination of images so far whose residuals cancel best, weights summing to 1."""
        if self._last is not None:
            self._append(image - self._last[0], residual - self._last[1])
        self._last = (image, residual)
        if not self._residuals:
            return image
        # A trace of regularisation keeps nearly parallel residuals from making huge weights.
        size = len(self._residuals)
        normal = self._products + 1e-14 * np.trace(self._products) * np.eye(size)
        target = np.array([_inner(change, residual) for change in self._residuals])
        mixed = image.copy()
        for weight, change in zip(
            np.linalg.lstsq(normal, target, rcond=None)[0], self._images, strict=True
        ):
            mixed -= weight * change
        return mixed

    def _append(self, image: FloatArray, residual: FloatArray) -> None:
        self._images = [*self._images, image][-DEPTH:]
        self._residuals = [*self._residuals, residual][-DEPTH:]
        size = len(self._residuals)
        products = np.empty((size, size))
        # Earlier products are kept; the oldest falls out once the history is full.
        first = len(self._products) - (size - 1)
        products[:-1, :-1] = self._products[first:, first:]
        row = [_inner(change, residual) for change in self._residuals]
        products[-1, :] = products[:, -1] = row
        self._products = products


def _inner(one: FloatArray, other: FloatArray) -> float:
    # Not `@`: that goes through a library whose threads wait for each other on a busy machine.
    return float(np.einsum("i,i->", one, other))
