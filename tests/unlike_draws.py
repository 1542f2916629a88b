"""Random loudspeakers of the unlike kind: crossovers, curves, modes, and the truth about them."""

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
    harmonics,
    loose,
    modes,
    of_levels,
    passing,
    polynomial,
    rattling,
    saturating,
    squared,
    total,
)

LOUDEST = 10.0 ** (-10.0 / 20.0)
"""Amplitude of the loudest rung, full scale 1."""

RATE_CONSTANT_S = 0.847
"""L of a sweep of 6 s whose band is 40 Hz to 16 kHz."""

APART_OCTAVES = 1.0 / 3.0
"""Between modes of different groups: closer ones of Q 8 nobody tells apart."""


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


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _signs(rng: np.random.Generator, count: int) -> np.ndarray:
    return rng.choice((-1.0, 1.0), count)


# Drivers -------------------------------------------------------------------------------------


def _cone_and_port(rng: np.random.Generator) -> tuple[Response, Response, Response]:
    """Return what cone and port radiate, and the cone's displacement, its largest value 1."""
    order = int(rng.integers(2, 5))
    lowest_hz = _log_uniform(rng, 40.0, 80.0)
    tuned_hz, tuned_q = lowest_hz * rng.uniform(0.8, 1.1), rng.uniform(4.0, 10.0)
    high = butterworth(lowest_hz, order, high=True)
    loss = _log_uniform(rng, 3500.0, 8000.0)
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
    velocity = butterworth(_log_uniform(rng, 200.0, 800.0), 1, high=False)
    pairs = []
    for response, below_db in ((displaced, 0.0), (velocity, 8.0), (flat, 20.0)):
        levels = rng.uniform([-50.0, -54.0, -72.0, -76.0], [-40.0, -44.0, -60.0, -64.0]) - below_db
        pairs.append((response, of_levels(levels, _signs(rng, 4), LOUDEST)))
    return tuple(pairs)


def _plain(rng: np.random.Generator) -> Loudspeaker:
    """Return a loudspeaker without modes."""
    crossover_hz = _log_uniform(rng, 1200.0, 3500.0)
    order = int(rng.integers(1, 9))
    low = butterworth(crossover_hz, order, high=False)
    high = butterworth(crossover_hz, order, high=True)
    if order % 2 == 0 and rng.random() < 0.6:
        low = squared(butterworth(crossover_hz, order // 2, high=False))
        high = squared(butterworth(crossover_hz, order // 2, high=True))
    bells, decoys = [], []
    for _ in range(int(rng.integers(0, 3))):
        gain_db = float(rng.choice((-1.0, 1.0)) * rng.uniform(1.0, 4.0))
        middle_hz = _log_uniform(rng, 150.0, 5000.0)
        bells.append(bell(middle_hz, _log_uniform(rng, 1.0, 12.0), gain_db))
        decoys.append(("equaliser", middle_hz, gain_db))
    equaliser = cascade(*bells)
    cone, port, displaced = _cone_and_port(rng)
    delay = rng.uniform(0.0, 0.2e-3)
    own = cascade(
        butterworth(_log_uniform(rng, 500.0, 900.0), 2, high=True),
        butterworth(_log_uniform(rng, 17e3, 23e3), 2, high=False),
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
    curve = of_levels(rng.uniform([-65, -75], [-50, -60]), _signs(rng, 2), LOUDEST)
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


# Modes ---------------------------------------------------------------------------------------


def _radiated(rng: np.random.Generator, group: int) -> list[TrueMode]:
    """Return the poles of a radiated mode of a family that is drawn, too."""
    family = str(rng.choice(("single", "pair", "pipe", "panel"), p=(0.5, 0.21, 0.2, 0.09)))
    lowest_hz, q = _log_uniform(rng, 250.0, 2300.0), _log_uniform(rng, 8.0, 60.0)
    lift_db, place = rng.uniform(4.0, 15.0), "port" if rng.random() < 0.5 else "woofer"
    frequencies, lifts_db = np.array([lowest_hz]), np.array([lift_db])
    if family == "pair":
        frequencies = lowest_hz * np.array([1.0, rng.uniform(1.02, 1.08)])
        lifts_db = rng.uniform(4.0, 13.0, 2)
    elif family == "pipe":
        lowest_hz, place = _log_uniform(rng, 300.0, 900.0), "port"
        frequencies = lowest_hz * np.array(
            [1.0, 2.0 * rng.uniform(0.95, 1.0), 3.0 * rng.uniform(0.92, 0.99)]
        )
        lifts_db = lift_db * np.array([1.0, rng.uniform(0.6, 0.9), rng.uniform(0.3, 0.7)])
    elif family == "panel":
        place = "cabinet" if rng.random() < 0.4 else "woofer"
        lowest_hz, count = _log_uniform(rng, 200.0, 600.0), int(rng.integers(4, 9))
        frequencies = lowest_hz * 2.0 ** np.sort(rng.uniform(0.0, rng.uniform(1.0, 2.0), count))
        lifts_db = rng.uniform(4.0, 10.0, count)
    hidden = family == "single" and rng.random() < 0.2
    found = []
    for k, (frequency_hz, lift) in enumerate(zip(frequencies, lifts_db, strict=True)):
        own_q = q if k == 0 else float(np.clip(q * _log_uniform(rng, 0.6, 1.6), 8.0, 60.0))
        turn = rng.uniform(-np.pi, np.pi) if not hidden else rng.uniform(-0.6, 0.6)
        pole = Pole(float(frequency_hz), own_q, turn, 10.0 ** (lift / 20.0))
        found.append(
            TrueMode(
                pole.frequency_hz,
                own_q,
                "radiated",
                family,
                place,
                group,
                float(lift),
                pole,
                hidden,
            )
        )
    return found


def _excited(rng: np.random.Generator, group: int) -> list[TrueMode]:
    frequency_hz, q = _log_uniform(rng, 150.0, 1200.0), _log_uniform(rng, 8.0, 60.0)
    place = str(rng.choice(("woofer", "port", "cabinet"), p=(0.55, 0.3, 0.15)))
    lift_db = rng.uniform(4.0, 15.0)
    if rng.random() < 0.75:
        return [TrueMode(frequency_hz, q, "excited", "branch", place, group, lift_db)]
    second_hz = frequency_hz * rng.uniform(1.015, 1.05)
    return [
        TrueMode(f, q, "excited", "coupled", place, group, lift_db)
        for f in (frequency_hz, second_hz)
    ]


def _static_curve(rng: np.random.Generator) -> Curve:
    """Return a curve without slope at rest, for inputs whose largest peak is 1."""
    kind = rng.choice(("saturating", "rattling", "loose", "polynomial"), p=(0.3, 0.25, 0.1, 0.35))
    if kind == "saturating":
        return saturating(rng.uniform(0.6, 1.8), rng.uniform(0.0, 0.5))
    if kind == "rattling":
        return rattling(rng.uniform(0.15, 0.5), rng.uniform(0.08, 0.2))
    if kind == "loose":
        return loose(rng.uniform(0.15, 0.4), rng.uniform(0.05, 0.15))
    shape = int(rng.integers(0, 4))
    mask = np.array(((1, 0, 0, 0), (0, 1, 0, 0), (1, 1, 0, 0), (1, 1, 1, 1))[shape])
    return polynomial(mask * rng.uniform(0.3, 1.0, 4) * _signs(rng, 4))


def _branch(
    rng: np.random.Generator,
    loudspeaker: Loudspeaker,
    mode: list[TrueMode],
    distances: dict[str, float],
) -> Emitter:
    """Return an excited mode's emitter, so strong that the second or third harmonic rises.

    The one that rises more does so by the lift, its own part and the mode's adding in power.
    """
    first = mode[0]
    grid_hz = first.frequency_hz * np.geomspace(0.9, 1.15, 500)
    pre = cascade(*(band_pass(m.frequency_hz, m.q) for m in mode))
    peak = np.abs(pre(grid_hz))
    top_hz, most = float(grid_hz[np.argmax(peak)]), float(np.max(peak))
    amplitude = float(np.abs(loudspeaker.drive(np.array([top_hz])))[0]) * LOUDEST
    amplitude *= passing(top_hz, first.q, RATE_CONSTANT_S)
    shape = _static_curve(rng)
    angle = 2.0 * np.pi * np.arange(128) / 128
    sizes = np.abs(np.fft.rfft(shape(np.cos(angle))))[:4] / 64.0
    post = cascade(
        butterworth(top_hz * rng.uniform(0.3, 1.0), int(rng.integers(1, 3)), high=True),
        butterworth(top_hz * rng.uniform(2.0, 8.0), int(rng.integers(1, 3)), high=False),
        delayed(rng.uniform(0.0, 1e-3), float(_signs(rng, 1)[0])),
    )
    around_hz = top_hz * np.geomspace(2.0**-0.3, 2.0**0.3, 15)
    own = harmonics(loudspeaker.emitters(), around_hz, LOUDEST, distances)[1:3]
    orders = np.array([2, 3])
    radiated = sizes[orders] * np.abs(post(orders * top_hz)) / distances[first.place]
    over_own = float(np.max(radiated / np.median(np.abs(own), axis=1)))
    scale = float(np.sqrt(10.0 ** (first.lift_db / 10.0) - 1.0)) / over_own
    return Emitter(
        loudspeaker.drive,
        ((lambda f: pre(f) / most, lambda x: scale * shape(x / amplitude)),),
        False,
        {first.place: post},
    )


def _clear(mode: list[TrueMode], others: list[TrueMode]) -> bool:
    return all(
        abs(np.log2(a.frequency_hz / b.frequency_hz)) > APART_OCTAVES for a in mode for b in others
    )


def draw_loudspeaker(
    rng: np.random.Generator, distances_m: dict[str, float], *, resonant: bool = True
) -> Loudspeaker:
    """Draw a loudspeaker with none to three modes; not ``resonant``: with none.

    ``distances_m`` from each of its places to the microphone on the axis.
    """
    loudspeaker = _plain(rng)
    truth: list[TrueMode] = []
    for group in range(int(rng.integers(0, 4)) if resonant else 0):
        draw = _excited if rng.random() < 0.45 else _radiated
        for _ in range(20):
            mode = draw(rng, group)
            if _clear(mode, truth):
                truth += mode
                break
    loudspeaker = replace(loudspeaker, truth=tuple(truth))
    bells, decoys = [], list(loudspeaker.decoys)
    for mode in truth:
        if mode.hidden:
            cut_db = mode.lift_db * rng.uniform(0.4, 1.0)
            q = mode.q / 10.0 ** (cut_db / 20.0) * _log_uniform(rng, 0.85, 1.2)
            bells.append(bell(mode.frequency_hz * _log_uniform(rng, 0.996, 1.004), q, -cut_db))
            decoys.append(("cut at a mode", mode.frequency_hz, -cut_db))
    loudspeaker = replace(
        loudspeaker, drive=cascade(loudspeaker.drive, *bells), decoys=tuple(decoys)
    )
    emitters = []
    for group in sorted({mode.group for mode in truth if mode.kind == "excited"}):
        mine = [mode for mode in truth if mode.group == group]
        emitters.append((group, _branch(rng, loudspeaker, mine, distances_m)))
    return replace(loudspeaker, excited=tuple(emitters))
