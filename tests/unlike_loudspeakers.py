"""Loudspeakers of woofer, port and tweeter, with modes whose poles are known exactly.

What radiates is a list of emitters: drive → parallel static curves → a response a place. A whole
recording is made by FFT, at twice the rate where a curve acts; for a steady tone every harmonic is
known in closed form. Nothing here uses the package's signal processing nor its rehearsal.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft
from closed_form import Response, cascade

RATE_HZ = 48000
Curve = Callable[[np.ndarray], np.ndarray]

POINTS = 128
"""Points of a period on which a static curve's harmonics are computed."""


@dataclass(frozen=True)
class Emitter:
    """A driver, or a part that is set off by one.

    Attributes
    ----------
    drive : from the stimulus to what drives it.
    inner : pairs of a response and the static curve that acts behind it; all add up.
    linear : whether the drive itself is radiated, too.
    posts : from that sum to the pressure at 1 m, by place.
    """

    drive: Response
    inner: tuple[tuple[Response, Curve], ...]
    linear: bool
    posts: Mapping[str, Response]


@dataclass(frozen=True)
class Pole:
    """A pole pair of a mode; ``lift`` is the most that 1 + M reaches, as a ratio of amplitudes.

    ``turn`` is the phase of its residue re the direct sound, in radians.
    """

    frequency_hz: float
    q: float
    turn: float
    lift: float

    def response(self, frequency_hz: np.ndarray) -> np.ndarray:
        """Return what it adds to a direct sound of 1.

        Near the pole M runs on a circle through 0 whose diameter m has the phase ``turn``: 1 + M
        reaches |1 + m·e^{iφ}/2| + m/2, which is solved for m.
        """
        size = (self.lift**2 - 1.0) / (self.lift + np.cos(self.turn))
        damping = np.pi * self.frequency_hz / self.q
        damped = np.sqrt((2.0 * np.pi * self.frequency_hz) ** 2 - damping**2)
        pole, residue = -damping + 1j * damped, size * damping * np.exp(1j * self.turn)
        s = 2j * np.pi * frequency_hz
        return np.asarray(residue / (s - pole) + np.conj(residue) / (s - np.conj(pole)))


# Responses -----------------------------------------------------------------------------------


def butterworth(corner_hz: float, order: int, *, high: bool) -> Response:
    """A high-pass or low-pass of an order from 1 on."""
    angles = np.pi * (2.0 * np.arange(1, order + 1) + order - 1.0) / (2.0 * order)
    poles = np.exp(1j * angles)

    def response(frequency_hz: np.ndarray) -> np.ndarray:
        s = 1j * np.maximum(frequency_hz, 1e-3) / corner_hz
        if high:
            s = 1.0 / s
        total = np.ones(len(s), dtype=complex)
        for pole in poles[poles.imag > 1e-9]:
            total /= s * s - 2.0 * pole.real * s + 1.0
        return total / (s + 1.0) if order % 2 else total

    return response


def squared(response: Response) -> Response:
    return lambda frequency_hz: response(frequency_hz) ** 2


def band_pass(centre_hz: float, q: float) -> Response:
    def response(frequency_hz: np.ndarray) -> np.ndarray:
        ratio = np.maximum(frequency_hz, 1e-3) / centre_hz
        return np.asarray(1.0 / (1.0 + 1j * q * (ratio - 1.0 / ratio)))

    return response


def delayed(seconds: float, gain: float = 1.0) -> Response:
    return lambda frequency_hz: gain * np.exp(-2j * np.pi * seconds * frequency_hz)


def bell(centre_hz: float, q: float, gain_db: float) -> Response:
    """An equaliser; a cut is the inverse of the boost by as much."""
    gain = 10.0 ** (abs(gain_db) / 20.0)
    half = 1.0 if gain_db > 0 else -1.0

    def response(frequency_hz: np.ndarray) -> np.ndarray:
        s = 1j * frequency_hz / centre_hz
        return np.asarray(((s * s + s * gain / q + 1.0) / (s * s + s / q + 1.0)) ** half)

    return response


def total(*responses: Response) -> Response:
    return lambda frequency_hz: np.sum([r(frequency_hz) for r in responses], axis=0)


def modes(poles: Sequence[Pole]) -> Response:
    """What a mode of several poles adds to a direct sound of 1."""

    def response(frequency_hz: np.ndarray) -> np.ndarray:
        return sum((p.response(frequency_hz) for p in poles), 0j * frequency_hz)

    return response


# Curves --------------------------------------------------------------------------------------


def polynomial(coefficients: Sequence[float], first: int = 2) -> Curve:
    """Σ c·xⁿ, from degree ``first`` on."""

    def curve(x: np.ndarray) -> np.ndarray:
        shaped = np.zeros_like(x)
        for coefficient in reversed(coefficients):
            shaped = (shaped + coefficient) * x
        return shaped * x ** (first - 1)

    return curve


def of_levels(levels_db: Sequence[float], signs: Sequence[float], loudest: float) -> Curve:
    """Products of degrees 2, 3, … at such levels re a sine of the loudest amplitude."""
    return polynomial(
        [
            sign * 10.0 ** (level / 20.0) * 2.0 ** (n - 1) * loudest ** (1 - n)
            for n, (level, sign) in enumerate(zip(levels_db, signs, strict=True), start=2)
        ]
    )


def without_slope(curve: Curve) -> Curve:
    """A curve less its value and slope at rest: nothing that is linear is left."""
    step = 1e-4
    low, rest, high = curve(np.array([-step, 0.0, step]))
    slope = (high - low) / (2.0 * step)
    return lambda x: curve(x) - rest - slope * x


def saturating(steepness: float, offset: float) -> Curve:
    return without_slope(lambda x: np.tanh(steepness * (x + offset)))


def rattling(threshold: float, softness: float) -> Curve:
    """What passes a threshold on one side bounces."""
    return without_slope(lambda x: softness * np.logaddexp(0.0, (x - threshold) / softness))


def loose(threshold: float, softness: float) -> Curve:
    """A dead zone: nothing moves until a gap is closed, on either side."""
    one = rattling(threshold, softness)
    return without_slope(lambda x: one(x) - one(-x))


# Playing -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Played:
    """A stimulus as the emitters drive their places with it: spectra up to 24 kHz."""

    emitters: Sequence[Emitter]
    frequency_hz: np.ndarray
    spectra: Sequence[np.ndarray]
    length: int

    def radiated(self, emitters: Sequence[Emitter]) -> dict[str, np.ndarray]:
        """Return spectra by place; ``emitters`` are those played, with other posts, or fewer."""
        places: dict[str, np.ndarray] = {}
        for emitter in emitters:
            spectrum = self._of(emitter)
            for place, post in emitter.posts.items():
                places[place] = places.get(place, 0.0) + spectrum * post(self.frequency_hz)
        return places

    def _of(self, emitter: Emitter) -> np.ndarray:
        for mine, spectrum in zip(self.emitters, self.spectra, strict=True):
            if mine.inner is emitter.inner:
                return spectrum
        raise ValueError("this emitter was not played")

    def heard(
        self, places: Mapping[str, np.ndarray], paths: Mapping[str, np.ndarray]
    ) -> np.ndarray:
        """Return a recording through impulse responses by place, as long as the FFT."""
        spectrum = sum(places[p] * scipy.fft.rfft(paths[p], self.length) for p in places)
        return np.asarray(scipy.fft.irfft(spectrum, self.length))


def play(emitters: Sequence[Emitter], waveform: np.ndarray) -> Played:
    """Drive every emitter with a waveform; 1 s is added for what rings."""
    length = scipy.fft.next_fast_len(len(waveform) + RATE_HZ, real=True)
    while length % 2:
        length = scipy.fft.next_fast_len(length + 1, real=True)
    stimulus = scipy.fft.rfft(waveform, length)
    frequency_hz = np.arange(length // 2 + 1) * (RATE_HZ / length)
    drives: dict[int, np.ndarray] = {}
    spectra = []
    for emitter in emitters:
        if id(emitter.drive) not in drives:
            drives[id(emitter.drive)] = stimulus * emitter.drive(frequency_hz)
        drive = drives[id(emitter.drive)]
        shaped = np.zeros(2 * length)
        for pre, curve in emitter.inner:
            inner = 2.0 * scipy.fft.irfft(drive * pre(frequency_hz), 2 * length)
            shaped += curve(inner)
        made = 0.5 * scipy.fft.rfft(shaped)[: length // 2 + 1]
        made[-1] = 0.0
        spectra.append(made + drive if emitter.linear else made)
    return Played(list(emitters), frequency_hz, spectra, length)


def harmonics(
    emitters: Sequence[Emitter],
    frequency_hz: np.ndarray,
    amplitude: float,
    distances_m: Mapping[str, float],
    order: int = 5,
) -> np.ndarray:
    """Return a steady tone's complex harmonics in a free field, shape ``(order, F)``."""
    angle = 2.0 * np.pi * np.arange(POINTS) / POINTS
    result = np.zeros((order, len(frequency_hz)), dtype=complex)
    for emitter in emitters:
        drive = amplitude * emitter.drive(frequency_hz)
        made = np.zeros((len(frequency_hz), POINTS))
        for pre, curve in emitter.inner:
            inner = (drive * pre(frequency_hz))[:, None] * np.exp(1j * angle)
            made += curve(inner.real)
        lines = np.fft.rfft(made, axis=1)[:, : order + 1].T * (2.0 / POINTS)
        lines[1] += drive * emitter.linear
        for place, post in emitter.posts.items():
            path = delayed(distances_m[place] / 343.0, 1.0 / distances_m[place])
            for n in range(1, order + 1):
                result[n - 1] += lines[n] * cascade(post, path)(n * frequency_hz)
    return result


def passing(frequency_hz: float, q: float, rate_constant_s: float) -> float:
    """Return the share of its steady amplitude that a mode reaches as a sweep passes.

    Its envelope obeys y' = −b·y + b·e^{iπrt²}; b = πf/Q, and the sweep gains r = f/L per second.
    """
    b, rate = np.pi * frequency_hz / q, frequency_hz / rate_constant_s
    span_s = max(6.0 / b, 12.0 / np.sqrt(rate))
    step_s = span_s / 8000.0
    time_s = np.arange(-4000, 8000) * step_s
    pushed = np.exp(1j * np.pi * rate * time_s**2) * np.exp(np.clip(b * time_s, -700.0, 700.0))
    envelope = np.cumsum(pushed) * b * step_s * np.exp(-np.clip(b * time_s, -700.0, 700.0))
    return float(np.max(np.abs(envelope)))
