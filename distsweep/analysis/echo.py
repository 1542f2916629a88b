"""The strongest reflection in a take: it makes a comb that looks like narrow resonances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.ladder import ImpulseResponse
from distsweep.units import ComplexArray, FloatArray, ratio_to_db

SHORTEST_S, LONGEST_S = 0.9e-3, 9e-3
"""Delays looked for: path differences of 0.3 to 3 m. Shorter ones cannot be told from the
loudspeaker's own crossover and baffle; longer ones make a comb too fine for the windows."""

DELAY_STEP_S = 0.03e-3
"""Chosen: at 4 kHz half a step turns the comb by a sixteenth of a period."""

BAND_HZ = (300.0, 4000.0)
"""The comb is looked for here (chosen: below lies the box, above the tweeter, with another
path); it is believed up to LAST_HZ."""

LAST_HZ = 6000.0
LOSS_CORNERS_HZ = (1500.0, 2500.0, 4000.0, 8000.0)
"""Soft surfaces swallow high frequencies: a first-order low-pass, tried at these corners."""

SMOOTH_TERMS = 9
"""What a polynomial of this many terms over log-frequency can follow is the loudspeaker's own
(chosen: it follows nothing narrower than half an octave)."""

LEAST_SHARE = 0.15
"""Share of the ripple's variance that one delay must explain (chosen: over simulated
loudspeakers without reflections the best delay explains 0.16 at most in nine of ten)."""

_WINDOW_S, _BIN_HZ = 0.15, 8.0


@dataclass(frozen=True)
class Echo:
    """One reflection: delay, strength re the direct sound, loss corner, and how clear it is."""

    delay_s: float
    strength: float
    corner_hz: float
    share: float

    def comb_db(self, frequency_hz: FloatArray) -> FloatArray:
        """What the reflection adds to the level at frequencies, dB; 0 above LAST_HZ."""
        factor = 1.0 + self.strength * _path(frequency_hz, self.delay_s, self.corner_hz)
        return np.where(frequency_hz <= LAST_HZ, ratio_to_db(np.abs(factor)), 0.0)

    @property
    def strength_db(self) -> float:
        """Level re the direct sound at low frequencies."""
        return float(ratio_to_db(self.strength))


def find_echo(impulse: ImpulseResponse) -> Echo | None:
    """Find the delay whose comb explains most of the response's ripple; None if none does.

    ln|H| is freed of what is smooth; for a weak echo the rest is a·Re(e^{−jωτ}/(1 + jf/f_c)),
    so that a follows by least squares at each delay and corner.
    """
    grid = np.arange(BAND_HZ[0], BAND_HZ[1], _BIN_HZ)
    if impulse.rate_hz < 2.0 * BAND_HZ[1]:
        return None
    magnitude = np.abs(_spectrum(impulse, grid))
    if not np.all(magnitude > 0.0):
        return None
    place = np.interp(np.log(grid), np.log(BAND_HZ), (-1.0, 1.0))
    smooth, _ = np.linalg.qr(np.polynomial.legendre.legvander(place, SMOOTH_TERMS - 1))
    ripple = np.log(magnitude)
    ripple = ripple - smooth @ (smooth.T @ ripple)
    delays_s = np.arange(SHORTEST_S, LONGEST_S, DELAY_STEP_S)
    turns = np.exp(-2j * np.pi * delays_s[:, None] * grid)
    best: Echo | None = None
    for corner_hz in LOSS_CORNERS_HZ:
        comb = (turns / (1.0 + 1j * grid / corner_hz)).real
        comb -= (comb @ smooth) @ smooth.T
        match = comb @ ripple
        strength = match / np.sum(comb**2, axis=1)
        share = np.where(strength > 0.0, strength * match / np.sum(ripple**2), 0.0)
        index = int(np.argmax(share))
        if best is None or share[index] > best.share:
            best = Echo(
                float(delays_s[index]), float(strength[index]), corner_hz, float(share[index])
            )
    return best if best is not None and best.share >= LEAST_SHARE else None


def _path(frequency_hz: FloatArray, delay_s: float, corner_hz: float) -> ComplexArray:
    turn = np.exp(-2j * np.pi * delay_s * frequency_hz)
    return np.asarray(turn / (1.0 + 1j * frequency_hz / corner_hz))


def _spectrum(impulse: ImpulseResponse, grid_hz: FloatArray) -> ComplexArray:
    """Spectrum of the windowed response on an even grid of step _BIN_HZ that starts at one."""
    last = impulse.origin + int(_WINDOW_S * impulse.rate_hz)
    kept = impulse.samples[:last].copy()
    fade = len(kept) // 3
    kept[len(kept) - fade :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    length = 1 << int(np.ceil(np.log2(max(len(kept), impulse.rate_hz / _BIN_HZ * 2.0))))
    spectrum = np.fft.rfft(kept, length)
    at = np.round(grid_hz * length / impulse.rate_hz).astype(int)
    return np.asarray(spectrum[at])
