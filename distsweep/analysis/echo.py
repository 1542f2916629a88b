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

LEAST_SHARE = 0.2
"""Share of the ripple's variance that one delay must explain, if the response over time shows
it as well."""

SHORT_S, SHORT_LEAST_SHARE, SHORT_LEAST_DB = 1.5e-3, 0.5, -22.0
"""A reflection earlier than 1.5 ms cannot be seen beside the direct sound: it must explain half
of the ripple and be strong (chosen on 105 simulated loudspeakers: 9 of 20 real ones pass, and
none of 14 that were not there)."""

SEEN_ABOVE_DB = 1.0
SEEN_BAND_HZ = (600.0, 5000.0)
SEEN_WITHIN_S, BESIDE_S = 0.25e-3, (0.5e-3, 1.2e-3)
"""Behind a band-pass, the response within 0.25 ms of the delay must rise above what comes 0.5
to 1.2 ms before and after (chosen on the same: real ones reach 0.9 to 18 dB, ripple of filters
and resonances −20 to −0.7 dB)."""

_WINDOW_S, _BIN_HZ = 0.15, 12.0


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
    turns = 2.0 * np.pi * delays_s[:, None] * grid
    cosine, sine = np.cos(turns), np.sin(turns)
    found: list[Echo] = []
    for corner_hz in LOSS_CORNERS_HZ:
        # Re(e^{−jθ}/(1 + jg)) = (cos θ − g·sin θ)/(1 + g²); ripple is free of what is smooth.
        ratio = grid / corner_hz
        straight, across = 1.0 / (1.0 + ratio**2), ratio / (1.0 + ratio**2)
        comb = cosine * straight - sine * across
        match = comb @ ripple
        power = np.einsum("df,df->d", comb, comb) - np.sum((comb @ smooth) ** 2, axis=1)
        strength = match / power
        share = np.where(strength > 0.0, strength * match / np.sum(ripple**2), 0.0)
        for late in (delays_s >= SHORT_S, delays_s < SHORT_S):
            index = int(np.argmax(np.where(late, share, -1.0)))
            found.append(
                Echo(float(delays_s[index]), float(strength[index]), corner_hz, float(share[index]))
            )
    found = [echo for echo in found if _is_real(impulse, echo)]
    return max(found, key=lambda echo: echo.share, default=None)


def _is_real(impulse: ImpulseResponse, echo: Echo) -> bool:
    if echo.delay_s < SHORT_S:
        return echo.share >= SHORT_LEAST_SHARE and echo.strength_db >= SHORT_LEAST_DB
    return echo.share >= LEAST_SHARE and seen_above_db(impulse, echo.delay_s) >= SEEN_ABOVE_DB


def seen_above_db(impulse: ImpulseResponse, delay_s: float) -> float:
    """Return by how much the response over time rises at a delay above what lies beside it.

    The response is looked at behind a band-pass whose gain is sin² over SEEN_BAND_HZ.
    """
    low_hz, high_hz = SEEN_BAND_HZ
    kept = impulse.samples[: impulse.origin + int(3.0 * LONGEST_S * impulse.rate_hz)]
    length = 1 << int(np.ceil(np.log2(len(kept))))
    frequency_hz = np.fft.fftfreq(length, 1.0 / impulse.rate_hz)
    place = np.clip((frequency_hz - low_hz) / (high_hz - low_hz), 0.0, 1.0)
    level = np.abs(np.fft.ifft(np.fft.fft(kept, length) * np.sin(np.pi * place) ** 2))[: len(kept)]
    away_s = (np.arange(len(kept)) - impulse.origin) / impulse.rate_hz - delay_s
    near = np.max(level[np.abs(away_s) < SEEN_WITHIN_S])
    first_s, last_s = BESIDE_S
    beside = [
        np.median(level[(side * away_s > first_s) & (side * away_s < last_s)]) for side in (-1, 1)
    ]
    return float(ratio_to_db(near / max(*beside, 1e-30)))


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
