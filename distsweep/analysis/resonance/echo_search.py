"""Finding the strongest reflections of a take: their combs look like narrow resonances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.noise.certainty import DEVIATION_OF_MEDIAN
from distsweep.analysis.resonance.echo import Echo, with_direct
from distsweep.analysis.resonance.linear_response import LinearResponse
from distsweep.units import BoolArray, ComplexArray, FloatArray

SHORTEST_S, LONGEST_S = 0.7e-3, 9e-3
"""Delays looked for (chosen: path differences of 0.24 to 3 m). Shorter ones look like the
loudspeaker's own crossover and baffle; longer ones make a comb too fine for the windows."""

HIGH_HZ, TOP_HZ = 3000.0, 9000.0
"""A reflection is looked for here (chosen: one driver plays, its response is smooth, and a comb
has many periods); its strength and loss follow from the same band."""

LOW_HZ, LOW_TOP_HZ = 300.0, 1800.0
"""Here another driver may play, whose way is longer or shorter (chosen: below lies the box)."""

WAYS_APART_S = 0.45e-3
"""Ways of two drivers of one loudspeaker differ by no more (chosen: 15 cm)."""

LEAST_SHARE, LEAST_STRENGTH = 0.25, 0.03
"""Share of the ripple's variance that one delay must explain up there, and its strength re the
direct sound, −30 dB, which makes a comb of half a decibel (chosen: with two alike each explains a
half; without any, 156 simulated loudspeakers showed −33 dB at most)."""

MOST_ECHOES = 4
"""No more are looked for (chosen: a floor, two walls and a table; what is left is weaker)."""

TRIED_CORNER_HZ, TRIED_CROSSOVER_HZ = 4000.0, 2300.0
"""Where the fit begins (chosen: carpet and curtains, and a common two-way loudspeaker)."""

TERMS_PER_OCTAVE, LEAST_TERMS = 2.2, 6
"""What a polynomial of so many terms over log-frequency can follow is the loudspeaker's own
(chosen: the comb of the shortest delay has more periods an octave, from 3 kHz up)."""

LOW_SHARES = (1.0, 0.7, 0.5)
"""Where the low driver plays, modes may bend the comb so that one as strong as up there fits worse
than none: then weaker ones are tried (chosen; the fit that follows finds the strength)."""

_STEP_HZ, _FFT_LENGTH = 12.0, 4096
"""Of the response looked at, and of its transform (chosen: delays are then 0.02 ms apart)."""


@dataclass(frozen=True)
class _Ripple:
    """What one more echo is fitted to.

    Attributes
    ----------
    grid_hz : even, shape ``(F,)``.
    level : ln|H| less that of the direct sound with the other echoes.
    beside : direct sound with the other echoes, re the direct sound.
    """

    grid_hz: FloatArray
    level: FloatArray
    beside: ComplexArray

    def part(self, kept: BoolArray) -> _Ripple:
        return _Ripple(self.grid_hz[kept], self.level[kept], self.beside[kept])

    def made_by(self, echo: Echo) -> FloatArray:
        """ln|1 + x| of an echo, x being re all that is there beside it."""
        return np.asarray(np.log(np.abs(1.0 + echo.added(self.grid_hz) / self.beside)))


def find_echoes(response: LinearResponse, *, top_hz: float) -> tuple[Echo, ...]:
    """Find the reflections whose combs explain a response's ripple, the strongest first.

    Each is looked for in what those before it leave, and then all are fitted once more, one
    beside the others.

    Parameters
    ----------
    response : of a take's loudest clean rung.
    top_hz : end of the sweep; where it lies below 6 kHz, nothing is looked for.
    """
    top_hz = min(top_hz, TOP_HZ)
    if top_hz < 2.0 * HIGH_HZ:
        return ()
    grid_hz, values = response.between(LOW_HZ, top_hz, step_hz=_STEP_HZ)
    magnitude = np.abs(values)
    if grid_hz[-1] < 0.99 * top_hz or not np.all(magnitude > 0.0):
        return ()
    level = np.log(magnitude)

    def beside(others: Sequence[Echo]) -> _Ripple:
        total = with_direct(others, grid_hz)
        return _Ripple(grid_hz, level - np.log(np.abs(total)), total)

    found: list[Echo] = []
    while len(found) < MOST_ECHOES and (echo := _one_more(beside(found))) is not None:
        found.append(echo)
        for index in range(len(found) if len(found) > 1 else 0):
            others = found[:index] + found[index + 1 :]
            found[index] = _fitted(beside(others), found[index], free=tuple(_BOUNDS))
    return tuple(sorted(found, key=lambda echo: -echo.strength))


def _one_more(ripple: _Ripple) -> Echo | None:
    """Find the strongest echo beside those known; None if no delay explains much of the ripple.

    Everything is fitted to ln|H|, less what is smooth; points far off the fit, such as a
    resonance's, count little (`_weights`). First its delay is looked for where the tweeter plays,
    and its strength and loss are fitted; then the delay of the low driver, and all of it again.
    """
    high = ripple.part(ripple.grid_hz >= HIGH_HZ)
    echo = _scanned(high)
    if echo is None:
        return None
    echo = _fitted(high, echo, free=("strength", "corner_hz", "high_delay_s"))
    low = ripple.part(ripple.grid_hz <= LOW_TOP_HZ)
    for share in LOW_SHARES:
        delay_s = _low_delay(low, replace(echo, strength=share * echo.strength))
        if delay_s is not None:
            return _fitted(ripple, replace(echo, delay_s=delay_s), free=tuple(_BOUNDS))
    return None


def _smooth(grid_hz: FloatArray) -> FloatArray:
    """Polynomials over log-frequency, shape ``(F, T)``."""
    octaves = float(np.log2(grid_hz[-1] / grid_hz[0]))
    terms = max(LEAST_TERMS, round(TERMS_PER_OCTAVE * octaves))
    place = np.interp(np.log(grid_hz), np.log(grid_hz[[0, -1]]), (-1.0, 1.0))
    return np.asarray(np.polynomial.legendre.legvander(place, terms - 1))


def _spread(rest: FloatArray) -> float:
    """Standard deviation of most of a rest: points far off do not move it."""
    return DEVIATION_OF_MEDIAN * float(np.median(np.abs(rest))) + 1e-6


def _weights(rest: FloatArray) -> FloatArray:
    """Cauchy weights of points by how far they are off the fit."""
    return 1.0 / (1.0 + (rest / (HALF_WEIGHT_DEVIATIONS * _spread(rest))) ** 2)


def _scanned(ripple: _Ripple) -> Echo | None:
    """Try every delay at once: for a weak echo ln|1 + x| is Re x, and its match with the rest a
    Fourier transform of it; what ln|1 + x| has besides is taken off in the next round."""
    grid_hz, level = ripple.grid_hz, ripple.level
    smooth = _smooth(grid_hz)
    delay_s = np.arange(_FFT_LENGTH) / (_FFT_LENGTH * (grid_hz[1] - grid_hz[0]))
    looked_at = (delay_s >= SHORTEST_S) & (delay_s <= LONGEST_S)
    path = 1.0 / (1.0 + 1j * grid_hz / TRIED_CORNER_HZ) / ripple.beside
    first = np.exp(-2j * np.pi * grid_hz[0] * delay_s)

    def over_delay(values: ComplexArray) -> ComplexArray:
        """Σ v·e^{−jωτ} for all delays."""
        return np.asarray(np.fft.fft(values, _FFT_LENGTH) * first)

    rest = level - smooth @ np.linalg.lstsq(smooth, level, rcond=None)[0]
    beyond = np.zeros_like(level)
    index, strength, share = 0, np.zeros(_FFT_LENGTH), np.zeros(_FFT_LENGTH)
    for _ in range(3):
        root = np.sqrt(_weights(rest))
        basis, _ = np.linalg.qr(smooth * root[:, None])
        target = (level - beyond) * root
        target = target - basis @ (basis.T @ target)
        match = over_delay(root * path * target).real
        # Σ w·(Re x)² = ½·Σ w·|x|² + ½·Re Σ w·x², less what the smooth terms follow of it.
        twice = np.fft.fft(root**2 * path**2, _FFT_LENGTH)[2 * np.arange(_FFT_LENGTH) % _FFT_LENGTH]
        power = 0.5 * np.sum(root**2 * np.abs(path) ** 2) + 0.5 * (twice * first**2).real
        power -= sum(over_delay(root * path * column).real ** 2 for column in basis.T)
        strength = match / power
        share = np.where(looked_at & (strength > 0.0), strength * match / np.sum(target**2), 0.0)
        index = int(np.argmax(share))
        added = strength[index] * path * np.exp(-2j * np.pi * grid_hz * delay_s[index])
        beyond = np.log(np.abs(1.0 + added)) - added.real
        left = target - root * added.real
        rest = (left - basis @ (basis.T @ left)) / root
    if share[index] < LEAST_SHARE or strength[index] < LEAST_STRENGTH:
        return None
    delay = float(delay_s[index])
    return Echo(delay, delay, float(strength[index]), TRIED_CORNER_HZ, TRIED_CROSSOVER_HZ)


def _low_delay(ripple: _Ripple, echo: Echo) -> float | None:
    """Find the delay where the low driver plays; None if no comb shows there.

    Of each delay the rest beside smooth terms is fitted, with Cauchy weights and one spread for
    all; the least sum of ln(1 + (rest/spread)²) wins, whose minimum that fit is.
    """
    grid_hz, level = ripple.grid_hz, ripple.level
    smooth = _smooth(grid_hz)
    delays_s = echo.high_delay_s + np.arange(-WAYS_APART_S, WAYS_APART_S, 0.02e-3)
    path = echo.strength / (1.0 + 1j * grid_hz / echo.corner_hz) / ripple.beside
    comb = np.log(np.abs(1.0 + path * np.exp(-2j * np.pi * delays_s[:, None] * grid_hz)))
    freed = level - np.vstack([comb, np.zeros_like(level)])
    weights = np.ones_like(freed)
    rest, spread = freed, 1.0
    for _ in range(4):
        square = smooth.T @ (weights[..., None] * smooth)
        right = (weights * freed) @ smooth
        rest = freed - np.linalg.solve(square, right[..., None])[..., 0] @ smooth.T
        spread = DEVIATION_OF_MEDIAN * float(np.min(np.median(np.abs(rest), axis=1))) + 1e-6
        weights = 1.0 / (1.0 + (rest / spread) ** 2)
    best = int(np.argmin(np.sum(np.log1p((rest / spread) ** 2), axis=1)))
    return None if best == len(delays_s) else float(delays_s[best])


HALF_WEIGHT_DEVIATIONS = 1.5
"""A point so far off the fit counts half (chosen: modes stand out, and shall not draw the comb)."""

_BOUNDS = {
    "strength": (0.3, 0.02, 1.0),
    "corner_hz": (0.3, 500.0, 30000.0),
    "delay_s": (0.03, 0.5 * SHORTEST_S, 1.2 * LONGEST_S),
    "high_delay_s": (0.01, 0.5 * SHORTEST_S, 1.2 * LONGEST_S),
    "crossover_hz": (0.2, 1000.0, 4500.0),
}
"""Of each quantity of an echo: the largest step of its logarithm in a round, the least and the most
it may be (chosen: what a room and a two-way loudspeaker can be)."""

_HELD = {"corner_hz": 1.0, "crossover_hz": 1.0}
"""How strongly the logarithm of a quantity is held where the fit began (chosen: the response hardly
depends on these two)."""

_ROUNDS = 6
"""Rounds of the fit (chosen: in the sessions of ``tests/benchmarks/same_results.py``, 40 rounds
move no level by more than 0.14 dB)."""


def _fitted(ripple: _Ripple, echo: Echo, *, free: tuple[str, ...]) -> Echo:
    """Fit ln|1 + x| beside smooth terms by Gauss and Newton's method with Cauchy weights.

    Notes
    -----
    The weights of `confidence` were fitted to what these rounds give, which end before the fit has
    settled. `scipy.optimize.least_squares` with the Cauchy loss goes on to the end: in the sessions
    of ``tests/benchmarks/same_results.py`` that moves levels by up to 0.27 dB, and one reflection
    is found instead of three at one position. It would be another search.
    """
    smooth = _smooth(ripple.grid_hz)
    begun = {name: float(np.log(getattr(echo, name))) for name in free}
    now = dict(begun)
    rest = _rest(ripple, echo)
    for _ in range(_ROUNDS):
        here, small = ripple.made_by(echo), 1e-4
        slopes = [
            (ripple.made_by(replace(echo, **{name: float(np.exp(now[name] + small))})) - here)
            / small
            for name in free
        ]
        columns = np.column_stack([*slopes, smooth])
        root = np.sqrt(_weights(rest)) / _spread(rest)
        held = np.zeros((len(free), columns.shape[1]))
        held[np.arange(len(free)), np.arange(len(free))] = [_HELD.get(name, 0.0) for name in free]
        pull = [_HELD.get(name, 0.0) * (begun[name] - now[name]) for name in free]
        solved = np.linalg.lstsq(
            np.vstack([columns * root[:, None], held]),
            np.concatenate([(ripple.level - here) * root, pull]),
            rcond=None,
        )[0]
        for name, step in zip(free, solved, strict=False):
            most, least, largest = _BOUNDS[name]
            moved = now[name] + float(np.clip(step, -most, most))
            now[name] = float(np.clip(moved, np.log(least), np.log(largest)))
        echo = replace(echo, **{name: float(np.exp(value)) for name, value in now.items()})
        rest = _rest(ripple, echo, root=root)
    return echo


def _rest(ripple: _Ripple, echo: Echo, *, root: FloatArray | float = 1.0) -> FloatArray:
    """What neither the echo nor smooth terms explain; ``root`` of the weights."""
    smooth, freed = _smooth(ripple.grid_hz), ripple.level - ripple.made_by(echo)
    terms = np.linalg.lstsq(smooth * np.reshape(root, (-1, 1)), freed * root, rcond=None)[0]
    return np.asarray(freed - smooth @ terms)
