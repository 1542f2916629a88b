"""Random loudspeakers of the unlike kind, without modes: drivers, crossovers, curves, decoys."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
from closed_form import Response, cascade, flat
from unlike_loudspeakers import (
    Curve,
    Emitter,
    Pole,
    band_pass,
    bell,
    butterworth,
    delayed,
    modes,
    of_levels,
    squared,
    total,
)

LOUDEST = 10.0 ** (-10.0 / 20.0)
"""Amplitude of the loudest rung, full scale 1."""


@dataclass(frozen=True)
class TrueMode:
    """One pole of a mode, as drawn.

    Attributes
    ----------
    kind : "radiated" or "excited".
    family : "single", "pair", "pipe" or "panel"; "branch" or "coupled".
    place : what radiates it: "woofer", "port" or "cabinet".
    group : the poles of one mode share it.
    lift_db : radiated: what 1 + M of this pole alone reaches; excited: what the harmonic that shows
        it best is to rise by.
    hidden : whether an equaliser takes some of it off the response.
    """

    frequency_hz: float
    q: float
    kind: str
    family: str
    place: str
    group: int
    lift_db: float
    pole: Pole | None = None
    hidden: bool = False


@dataclass(frozen=True)
class Loudspeaker:
    """A loudspeaker of woofer, port and tweeter, with its modes.

    ``excited`` are the emitters of the excited groups, by group. ``decoys``: name, frequency, dB.
    """

    drive: Response
    cone_inner: tuple[tuple[Response, Curve], ...]
    cone: Response
    port: Response
    tweeter: Emitter
    truth: tuple[TrueMode, ...] = ()
    excited: tuple[tuple[int, Emitter], ...] = ()
    decoys: tuple[tuple[str, float, float], ...] = ()
    crossover_hz: float = 0.0

    def emitters(self, lacking: Collection[TrueMode] = ()) -> list[Emitter]:
        """Return all that radiates, less some modes."""
        by_place: dict[str, list[Pole]] = {"woofer": [], "port": [], "cabinet": []}
        for mode in self.truth:
            if mode.pole is not None and mode not in lacking:
                by_place[mode.place].append(mode.pole)
        posts = {
            "woofer": cascade(self.cone, total(flat, modes(by_place["woofer"]))),
            "port": total(self.port, cascade(self.cone, modes(by_place["port"]))),
        }
        if by_place["cabinet"]:
            posts["cabinet"] = cascade(self.cone, modes(by_place["cabinet"]))
        gone = {mode.group for mode in lacking}
        return [
            Emitter(self.drive, self.cone_inner, True, posts),
            self.tweeter,
            *(emitter for group, emitter in self.excited if group not in gone),
        ]


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def signs(rng: np.random.Generator, count: int) -> np.ndarray:
    return rng.choice((-1.0, 1.0), count)


# Drivers -------------------------------------------------------------------------------------


def _cone_and_port(rng: np.random.Generator) -> tuple[Response, Response, Response]:
    """Return what cone and port radiate, and the cone's displacement, its largest value 1."""
    order = int(rng.integers(2, 5))
    lowest_hz = log_uniform(rng, 40.0, 80.0)
    tuned_hz, tuned_q = lowest_hz * rng.uniform(0.8, 1.1), rng.uniform(4.0, 10.0)
    high = butterworth(lowest_hz, order, high=True)
    loss = log_uniform(rng, 3500.0, 8000.0)
    breaking_up = butterworth(loss, int(rng.integers(1, 3)), high=False)

    def ratio(frequency_hz: np.ndarray) -> np.ndarray:
        return 1j * np.maximum(frequency_hz, 1.0) / tuned_hz

    if order == 4:  # a vented box: cone and port add up to the high-pass

        def own(frequency_hz: np.ndarray) -> np.ndarray:
            s = ratio(frequency_hz)
            return high(frequency_hz) * (1.0 + (s / tuned_q + 1.0) / (s * s))

        def vent(frequency_hz: np.ndarray) -> np.ndarray:
            s = ratio(frequency_hz)
            return -high(frequency_hz) * (s / tuned_q + 1.0) / (s * s)
    else:
        own = high
        vent = cascade(lambda f: -rng_share * band_pass(tuned_hz, 0.5 * tuned_q)(f), high)
        rng_share = rng.uniform(0.1, 0.4)
    cone = cascade(own, breaking_up)
    grid_hz = np.geomspace(20.0, 400.0, 400)

    def displaced(frequency_hz: np.ndarray) -> np.ndarray:
        return own(frequency_hz) / ratio(frequency_hz) ** 2

    most = float(np.max(np.abs(displaced(grid_hz))))
    return cone, vent, lambda f: displaced(f) / most


def _cone_curves(
    rng: np.random.Generator, displaced: Response
) -> tuple[tuple[Response, Curve], ...]:
    """Return the woofer's curves: on displacement, on what is like velocity, and on the drive."""
    velocity = butterworth(log_uniform(rng, 200.0, 800.0), 1, high=False)
    pairs = []
    for response, below_db in ((displaced, 0.0), (velocity, 8.0), (flat, 20.0)):
        levels = rng.uniform([-50.0, -54.0, -72.0, -76.0], [-40.0, -44.0, -60.0, -64.0]) - below_db
        pairs.append((response, of_levels(levels, signs(rng, 4), LOUDEST)))
    return tuple(pairs)


def plain_loudspeaker(rng: np.random.Generator) -> Loudspeaker:
    """Return a loudspeaker without modes."""
    crossover_hz = log_uniform(rng, 1200.0, 3500.0)
    order = int(rng.integers(1, 9))
    low = butterworth(crossover_hz, order, high=False)
    high = butterworth(crossover_hz, order, high=True)
    if order % 2 == 0 and rng.random() < 0.6:
        low = squared(butterworth(crossover_hz, order // 2, high=False))
        high = squared(butterworth(crossover_hz, order // 2, high=True))
    bells, decoys = [], []
    for _ in range(int(rng.integers(0, 3))):
        gain_db = float(rng.choice((-1.0, 1.0)) * rng.uniform(1.0, 4.0))
        middle_hz = log_uniform(rng, 150.0, 5000.0)
        bells.append(bell(middle_hz, log_uniform(rng, 1.0, 12.0), gain_db))
        decoys.append(("equaliser", middle_hz, gain_db))
    equaliser = cascade(*bells)
    cone, port, displaced = _cone_and_port(rng)
    delay = rng.uniform(0.0, 0.2e-3)
    own = cascade(
        butterworth(log_uniform(rng, 500.0, 900.0), 2, high=True),
        butterworth(log_uniform(rng, 17e3, 23e3), 2, high=False),
    )
    loudspeaker = Loudspeaker(
        drive=cascade(low, equaliser),
        cone_inner=_cone_curves(rng, displaced),
        cone=cone,
        port=port,
        tweeter=Emitter(flat, (), True, {}),
        decoys=tuple(decoys),
        crossover_hz=crossover_hz,
    )
    curve = of_levels(rng.uniform([-65, -75], [-50, -60]), signs(rng, 2), LOUDEST)
    gain = 10.0 ** (rng.uniform(-1.5, 1.5) / 20.0)
    tweeters = [
        Emitter(
            cascade(high, equaliser, delayed(delay, sign * gain)),
            ((flat, curve),),
            True,
            {"tweeter": own},
        )
        for sign in (1.0, -1.0)
    ]
    # Polarity as a designer chooses it, by the sum near the crossover; one in six chose badly.
    near_hz = crossover_hz * np.geomspace(0.7, 1.4, 21)
    cone_sum = (loudspeaker.drive(near_hz)) * cone(near_hz)
    sums = [np.min(np.abs(cone_sum + t.drive(near_hz) * own(near_hz))) for t in tweeters]
    best = int(np.argmax(sums))
    if rng.random() < 1.0 / 6.0:
        best, decoys = 1 - best, [*decoys, ("crossover notch", crossover_hz, 0.0)]
    return replace(loudspeaker, tweeter=tweeters[best], decoys=tuple(decoys))
