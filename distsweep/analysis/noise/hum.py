"""Mains hum, pass by pass: it may come or go while a ladder is recorded.

Each pass ends in a pause, in which the low frequencies of its sweep have long died away. What
lines stand there at multiples of the mains frequency, or stood in the pause before, may stand in
the pass itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.cut import CutLadder
from distsweep.analysis.noise.background import MAINS_HZ
from distsweep.fast_length import fast_length
from distsweep.results import Damage
from distsweep.units import FloatArray, db_to_power

MULTIPLES = 20
"""Multiples of the mains frequency that are looked at (chosen: up to 1 kHz, where a rectifier's
hum has fallen by 40 dB)."""

LINES_HZ = np.outer(MAINS_HZ, np.arange(1.0, MULTIPLES + 1.0)).ravel()
"""Frequencies of the lines, by the definition of harmonics, of both supplies."""

ABOVE_DB = 13.0
"""How far above the median beside it a line stands out (chosen: of mere noise one in a million
does)."""

BESIDE = (-8.0, -6.0, -4.0, 4.0, 6.0, 8.0)
"""Distances of what is beside, in reciprocals of a pause's length (chosen: past the main lobe of a
Hann window, and before the next multiple)."""

DEAD_S, LEAST_S = 0.15, 0.3
"""A pause is listened to from the first after its sweep on, if the second is left of it (chosen: a
room's bass has died away seconds before; 50 Hz are told from 60 Hz)."""

PADDED = 4
"""Length of the transform over a pause's (chosen: the nearest bin is then within an eighth of a
bin, and shows a line 0.1 dB low at most)."""

LISTENED_HZ = 4800.0
"""Rate to which a pause is averaged down (chosen: the highest line lies at a quarter of it)."""

CHANGE_DB, LEAST_LINES = 10.0, 3
"""Hum came or went where so many lines change by so much in power (chosen: it wanders by some
decibels, and a motor that starts brings more)."""


@dataclass(frozen=True)
class Hum:
    """Mean squares of hum's lines in the pauses around each pass; K are `LINES_HZ`.

    ``before`` and ``after`` have the shape ``(P, K)``; ``first`` are those at the beginning of the
    first silence, shape ``(K,)``.
    """

    before: FloatArray
    after: FloatArray
    first: FloatArray

    @property
    def during(self) -> FloatArray:
        """The larger of those before and after each pass, which may stand in it, ``(P, K)``."""
        return np.maximum(self.before, self.after)


def find_hum(cut: CutLadder, *, rate_hz: float, sweep_samples: int) -> Hum:
    """Look for hum in the pauses before and after each pass."""
    before, after = [], []
    file, heard = -1, np.zeros(len(LINES_HZ))
    for rung in cut.rungs:
        if rung.file != file:
            file = rung.file
            quiet = cut.quiet[file] if file < len(cut.quiet) else np.zeros(0)
            heard = lines_in(quiet[-int(rate_hz) :], rate_hz)
        for signal in rung.signals:
            pause = signal[sweep_samples + int(DEAD_S * rate_hz) :]
            before.append(heard)
            heard = lines_in(pause, rate_hz) if len(pause) >= LEAST_S * rate_hz else heard
            after.append(heard)
    first = cut.quiet[0][: int(rate_hz)] if cut.quiet else np.zeros(0)
    return Hum(np.array(before), np.array(after), lines_in(first, rate_hz))


def hum_density(hum: Hum, edges_hz: FloatArray, bin_hz: float) -> FloatArray:
    """Return what hum adds to the mean density of bands, shape ``(P, B)``.

    Seen through a Hann window a line fills the bin it falls into and the two beside it.
    """
    added = np.zeros((len(hum.during), len(edges_hz) - 1))
    for column, line_hz in enumerate(LINES_HZ):
        for beside_hz in (-bin_hz, 0.0, bin_hz):
            band = int(np.searchsorted(edges_hz, line_hz + beside_hz)) - 1
            if 0 <= band < added.shape[1]:
                width_hz = edges_hz[band + 1] - edges_hz[band]
                added[:, band] += hum.during[:, column] / width_hz
    return added


def lines_in(samples: FloatArray, rate_hz: float) -> FloatArray:
    """Return the mean square of each line, 0 where none stands out, shape ``(K,)``."""
    step = max(1, int(rate_hz / LISTENED_HZ))
    count = len(samples) // step
    if count * step < LEAST_S * rate_hz:
        return np.zeros(len(LINES_HZ))
    short = samples[: count * step].reshape(count, step).mean(axis=1)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(count) / count)
    length = fast_length(PADDED * count)
    spectrum = np.abs(np.fft.rfft(short * window, length))
    places_hz = LINES_HZ[:, None] + np.array([0.0, *BESIDE]) * rate_hz / step / count
    seen = spectrum[np.rint(places_hz * step * length / rate_hz).astype(np.int64)]
    power = 2.0 * (seen / np.sum(window)) ** 2
    stands_out = power[:, 0] > db_to_power(ABOVE_DB) * np.median(power[:, 1:], axis=1)
    lines = np.where(stands_out, power[:, 0], 0.0).reshape(len(MAINS_HZ), MULTIPLES)
    # One supply only: that with more lines, of those that both share.
    counts = np.sum(lines > 0.0, axis=1)
    lines[counts < np.max(counts)] = 0.0
    return lines.ravel()


def line_power(
    lines: FloatArray, heard_hz: FloatArray, energy_s: FloatArray, sum_s: FloatArray
) -> FloatArray:
    """Return the mean square that lines show through windows, per unit of the inverse's gain.

    A line of mean square P shows P/2·|W|² where W is the window's transform. Of half cosines it is
    about (∫w)²/(1 + (Δf/b)²)³, with the noise bandwidth b = ∫w²/(∫w)² (right to 3 dB down to −60).

    Parameters
    ----------
    lines : mean squares, shape ``(P, K)``.
    heard_hz, energy_s, sum_s : of the windows' points, shape ``(G,)``.
    """
    width_hz = (energy_s / sum_s**2)[:, None]
    shape = sum_s[:, None] ** 2 / (1.0 + ((heard_hz[:, None] - LINES_HZ) / width_hz) ** 2) ** 3
    return np.asarray(0.5 * lines @ shape.T)


def hum_damage(hum: Hum, cut: CutLadder, *, rate_hz: float) -> list[Damage]:
    """Return when hum came, from the pass during which it did, and when it went."""
    ends = [
        (first / rate_hz, (first + len(signal)) / rate_hz)
        for (_, first), signal in zip(
            cut.places(), (part for rung in cut.rungs for part in rung.signals), strict=True
        )
    ]
    # The first silence stands for a pass of its own.
    stretches = [(0.0, ends[0][0]), *ends]
    befores = np.concatenate([hum.first[None], hum.before])
    afters = np.concatenate([hum.before[:1], hum.after])
    damage = []
    for (start_s, end_s), before, after in zip(stretches, befores, afters, strict=True):
        for came, less, more in ((True, before, after), (False, after, before)):
            lines = LINES_HZ[(more > 0.0) & (less < db_to_power(-CHANGE_DB) * more)]
            if len(lines) >= LEAST_LINES:
                stretch_s = (start_s, ends[-1][1]) if came else (0.0, end_s)
                damage.append(Damage("hum", *stretch_s, None, 0.5 * lines[0], float(lines[-1])))
    return damage
