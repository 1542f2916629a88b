"""A loudspeaker by its equation of motion, unlike the polynomials of ``closed_form``.

The cone: x'' + (ω₀/Q)·x' + ω₀²·(1 + k₁x + k₂x²)·x = ω₀²·(1 + b₁x + b₂x²)·u, whose stiffness and
motor depend on where it is; the sound is x''. It is solved by iteration: with the nonlinear terms
on the right, each turn is a linear filter. The tweeter saturates softly, tanh, with every order.
There is no closed form: what a recording of it in silence shows is what it does. Nothing here uses
the package's signal processing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

SLOWER = 4
"""The equation is solved at a quarter of the rate: above 2 kHz the cone hardly moves."""

TURNS, CLOSE = 60, 1e-9
"""Most turns of the iteration, and the change at which it ends, re the largest excursion."""


@dataclass(frozen=True)
class MovingCoil:
    """Excursion is re the one that a slow drive of 1 brings; drives larger than 1 are too large."""

    resonance_hz: float
    q: float
    stiffness: tuple[float, float]
    motor: tuple[float, float]
    crossover_hz: float
    saturation: float
    offset: float

    def play(self, waveform: np.ndarray, rate_hz: int) -> np.ndarray:
        """Return the sound of a waveform that ends in silence, same length.

        Raises
        ------
        ArithmeticError
            The iteration did not come to rest: the coefficients are too large for it.
        """
        half = scipy.fft.next_fast_len((len(waveform) + rate_hz) // (2 * SLOWER) + 1, real=True)
        length = 2 * SLOWER * half
        frequency_hz = np.arange(length // 2 + 1) * (rate_hz / length)
        spectrum = scipy.fft.rfft(waveform, length)
        ratio = 1j * frequency_hz / self.resonance_hz
        moves = 1.0 / (ratio**2 + ratio / self.q + 1.0)
        force = spectrum.copy()
        slow = length // (2 * SLOWER) + 1
        force[:slow] += SLOWER * self._pull(spectrum[:slow] / SLOWER, frequency_hz[:slow], moves)
        beside = 1j * frequency_hz / self.crossover_hz
        over = 1.0 / (beside**2 + beside / 0.6 + 1.0)
        cone = force * moves * ratio**2 * over
        high = spectrum * beside**2 * over
        return np.asarray(scipy.fft.irfft(cone + self._saturated(high), length)[: len(waveform)])

    def _pull(
        self, spectrum: np.ndarray, frequency_hz: np.ndarray, moves: np.ndarray
    ) -> np.ndarray:
        """Return the spectrum of the nonlinear forces, at the slower rate."""
        low = spectrum * np.clip((2500.0 - frequency_hz) / 500.0, 0.0, 1.0)
        response = moves[: len(low)]
        drive = scipy.fft.irfft(low)
        pulled, at = np.zeros(len(drive)), scipy.fft.irfft(low * response)
        for _ in range(TURNS):
            pulled = at * (self.motor[0] + self.motor[1] * at) * drive
            pulled -= at**2 * (self.stiffness[0] + self.stiffness[1] * at)
            after = scipy.fft.irfft((low + scipy.fft.rfft(pulled)) * response)
            change, at = np.max(np.abs(after - at)), after
            if change <= CLOSE * np.max(np.abs(at)):
                return np.asarray(scipy.fft.rfft(pulled))
        raise ArithmeticError(f"the cone does not come to rest: {change:.1e} after {TURNS} turns")

    def _saturated(self, spectrum: np.ndarray) -> np.ndarray:
        """Return what the tweeter makes of it, at four times the rate."""
        times, bins = 4, len(spectrum)
        length = 2 * (bins - 1)
        inner = times * scipy.fft.irfft(spectrum, times * length)
        shaped = np.tanh(self.saturation * inner + self.offset) - np.tanh(self.offset)
        return np.asarray(scipy.fft.rfft(shaped)[:bins]) / (times * self.saturation)


def random_moving_coil(rng: np.random.Generator) -> MovingCoil:
    """Draw one, from a good cone to a bent one."""
    bend = rng.uniform(0.2, 1.0)
    return MovingCoil(
        resonance_hz=float(rng.uniform(35.0, 90.0)),
        q=float(rng.uniform(0.4, 0.8)),
        stiffness=(float(bend * rng.uniform(-0.1, 0.1)), float(bend * rng.uniform(0.0, 0.15))),
        motor=(float(bend * rng.uniform(-0.1, 0.1)), float(bend * rng.uniform(-0.15, 0.0))),
        crossover_hz=float(rng.uniform(1500.0, 3500.0)),
        saturation=float(rng.uniform(0.1, 0.7)),
        offset=float(rng.uniform(-0.2, 0.2)),
    )
