"""Random modes of the unlike kind: pairs, pipes, panels, branches; and the truth about them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from closed_form import cascade
from unlike_drivers import LOUDEST, Loudspeaker, TrueMode, log_uniform, plain_loudspeaker, signs
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
    passing,
    polynomial,
    rattling,
    saturating,
)

RATE_CONSTANT_S = 0.847
"""L of a sweep of 6 s whose band is 40 Hz to 16 kHz."""

APART_OCTAVES = 1.0 / 3.0
"""Between modes of different groups: closer ones of Q 8 nobody tells apart."""


def _radiated(rng: np.random.Generator, group: int) -> list[TrueMode]:
    """Return the poles of a radiated mode of a family that is drawn, too."""
    family = str(rng.choice(("single", "pair", "pipe", "panel"), p=(0.5, 0.21, 0.2, 0.09)))
    lowest_hz, q = log_uniform(rng, 250.0, 2300.0), log_uniform(rng, 8.0, 60.0)
    lift_db, place = rng.uniform(4.0, 15.0), "port" if rng.random() < 0.5 else "woofer"
    frequencies, lifts_db = np.array([lowest_hz]), np.array([lift_db])
    if family == "pair":
        frequencies = lowest_hz * np.array([1.0, rng.uniform(1.02, 1.08)])
        lifts_db = rng.uniform(4.0, 13.0, 2)
    elif family == "pipe":
        lowest_hz, place = log_uniform(rng, 300.0, 900.0), "port"
        frequencies = lowest_hz * np.array(
            [1.0, 2.0 * rng.uniform(0.95, 1.0), 3.0 * rng.uniform(0.92, 0.99)]
        )
        lifts_db = lift_db * np.array([1.0, rng.uniform(0.6, 0.9), rng.uniform(0.3, 0.7)])
    elif family == "panel":
        place = "cabinet" if rng.random() < 0.4 else "woofer"
        lowest_hz, count = log_uniform(rng, 200.0, 600.0), int(rng.integers(4, 9))
        frequencies = lowest_hz * 2.0 ** np.sort(rng.uniform(0.0, rng.uniform(1.0, 2.0), count))
        lifts_db = rng.uniform(4.0, 10.0, count)
    hidden = family == "single" and rng.random() < 0.2
    found = []
    for k, (frequency_hz, lift) in enumerate(zip(frequencies, lifts_db, strict=True)):
        own_q = q if k == 0 else float(np.clip(q * log_uniform(rng, 0.6, 1.6), 8.0, 60.0))
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
    frequency_hz, q = log_uniform(rng, 150.0, 1200.0), log_uniform(rng, 8.0, 60.0)
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
    return polynomial(mask * rng.uniform(0.3, 1.0, 4) * signs(rng, 4))


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
        delayed(rng.uniform(0.0, 1e-3), float(signs(rng, 1)[0])),
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
    loudspeaker = plain_loudspeaker(rng)
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
            q = mode.q / 10.0 ** (cut_db / 20.0) * log_uniform(rng, 0.85, 1.2)
            bells.append(bell(mode.frequency_hz * log_uniform(rng, 0.996, 1.004), q, -cut_db))
            decoys.append(("cut at a mode", mode.frequency_hz, -cut_db))
    loudspeaker = replace(
        loudspeaker, drive=cascade(loudspeaker.drive, *bells), decoys=tuple(decoys)
    )
    emitters = []
    for group in sorted({mode.group for mode in truth if mode.kind == "excited"}):
        mine = [mode for mode in truth if mode.group == group]
        emitters.append((group, _branch(rng, loudspeaker, mine, distances_m)))
    return replace(loudspeaker, excited=tuple(emitters))
