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
    current = start
    images: list[FloatArray] = []
    residuals: list[FloatArray] = []
    for _ in range(MOST_STEPS):
        image = update(current)
        residual = image - current
        worst = float(np.max(np.abs(residual)))
        if not worst < DIVERGED * scale:
            break
        if worst <= TOLERANCE * scale:
            return image
        images, residuals = [*images, image][-DEPTH:], [*residuals, residual][-DEPTH:]
        current = _mix(images, residuals)
    raise NotConvergedError(
        f"{what} did not settle in {MOST_STEPS} steps or ran away: the drive is beyond what it can "
        "follow, lower it"
    )


def _mix(images: list[FloatArray], residuals: list[FloatArray]) -> FloatArray:
    """The combination of past images whose residuals cancel best, weights summing to one."""
    steps = [residuals[-1] - earlier for earlier in residuals[:-1]]
    if not steps:
        return images[-1]
    normal = np.array([[float(one @ other) for other in steps] for one in steps])
    # A trace of regularisation keeps nearly parallel residuals from making huge weights.
    normal += 1e-14 * np.trace(normal) * np.eye(len(steps))
    target = np.array([float(one @ residuals[-1]) for one in steps])
    weights = np.linalg.lstsq(normal, target, rcond=None)[0]
    mixed = images[-1].copy()
    for weight, earlier in zip(weights, images[:-1], strict=True):
        mixed -= weight * (images[-1] - earlier)
    return mixed
