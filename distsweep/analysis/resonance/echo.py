"""Reflections: what delayed copies of the sound add to a response, and its comb."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.units import ComplexArray, FloatArray, ratio_to_db


@dataclass(frozen=True)
class Echo:
    """One reflection of a loudspeaker with one or two drivers.

    Attributes
    ----------
    delay_s, high_delay_s : re the direct sound, of the drivers that play low and high frequencies.
    strength, corner_hz : re the direct sound; soft surfaces swallow high frequencies, as a
        first-order low-pass does.
    crossover_hz : where both drivers play alike.
    """

    delay_s: float
    high_delay_s: float
    strength: float
    corner_hz: float
    crossover_hz: float

    def added(self, frequency_hz: FloatArray, *, order: int = 1) -> ComplexArray:
        """What it adds to the direct sound, re that, of the n-th harmonic heard at frequencies.

        It comes from the driver that plays the n-th part of the frequency.
        """
        # Low- and high-pass of a fourth-order crossover are in phase: 1 : (f/f_x)⁴.
        high = 1.0 / (1.0 + (self.crossover_hz * order / frequency_hz) ** 4)
        turn = -2j * np.pi * frequency_hz
        both = (1.0 - high) * np.exp(turn * self.delay_s) + high * np.exp(turn * self.high_delay_s)
        return np.asarray(self.strength * both / (1.0 + 1j * frequency_hz / self.corner_hz))

    @property
    def strength_db(self) -> float:
        """Level re the direct sound at low frequencies."""
        return float(ratio_to_db(self.strength))

    @property
    def first_s(self) -> float:
        """When its first part arrives, re the direct sound."""
        return min(self.delay_s, self.high_delay_s)


def with_direct(
    echoes: Sequence[Echo], frequency_hz: FloatArray, *, order: int = 1
) -> ComplexArray:
    """Direct sound and all reflections, re the direct sound."""
    total = np.ones(len(frequency_hz), dtype=np.complex128)
    for echo in echoes:
        total = total + echo.added(frequency_hz, order=order)
    return total


def comb_db(echoes: Sequence[Echo], frequency_hz: FloatArray, *, order: int = 1) -> FloatArray:
    """What reflections add to the level of the n-th harmonic heard at frequencies, dB."""
    return np.asarray(ratio_to_db(np.abs(with_direct(echoes, frequency_hz, order=order))))
