"""A simulated world behind an audio interface: loudspeaker, place, microphones, volume knob.

``World`` stands in for PortAudio. Sound pressure at the microphone is computed from every sample
that leaves, so that levels are known without asking the program. It shares no code with the
package; only the names of a device and the calls of a backend are the package's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from distsweep.capture.backend import AudioDevice, Route
from distsweep.errors import DeviceError

RATE_HZ = 48000
REFERENCE_PA = 20e-6
METER_S = 0.125
SPEED_OF_SOUND_M_S = 343.0
LONGEST_EXCHANGE_S = 120.0
TICK_S = 0.03


def db(ratio: float) -> float:
    return float(20.0 * np.log10(max(ratio, 1e-20)))


def ratio(level_db: float) -> float:
    return float(10.0 ** (level_db / 20.0))


# Loudspeaker -----------------------------------------------------------------------------------


def high_pass(f_hz: float, order: int = 2) -> NDArray:
    return signal.butter(order, f_hz, "highpass", fs=RATE_HZ, output="sos")


def low_pass(f_hz: float, order: int = 2) -> NDArray:
    return signal.butter(order, f_hz, "lowpass", fs=RATE_HZ, output="sos")


def bump(f_hz: float, q: float, gain_db: float) -> NDArray:
    """Return a section that is 0 dB far away and ``gain_db`` at ``f_hz``.

    H(s) = (s² + s·A/Q + 1)/(s² + s/Q + 1) with A the gain at the centre: ``q`` is that of the
    pole, so a rise with a high Q rings as a resonance of that Q does.
    """
    w = 2.0 * RATE_HZ * np.tan(np.pi * f_hz / RATE_HZ)
    top = [1.0, ratio(gain_db) * w / q, w * w]
    bottom = [1.0, w / q, w * w]
    b, a = signal.bilinear(top, bottom, fs=RATE_HZ)
    return signal.tf2sos(b, a)


@dataclass
class Loudspeaker:
    """A polynomial, an optional limiter, and a chain of second-order sections.

    Attributes
    ----------
    second, third : coefficients of x² and x³ at full scale.
    limit_dbfs : RMS drive (re a full-scale sine) that a limiter holds; None: there is none.
    """

    sections: NDArray
    second: float = 0.0
    third: float = 0.0
    limit_dbfs: float | None = None
    _state: NDArray | None = None
    _gain: float = 1.0

    def play(self, x: NDArray) -> NDArray:
        """Return what the next samples become; filters keep their state between calls."""
        if self.limit_dbfs is not None:
            x = self._limited(x, self.limit_dbfs)
        y = x + self.second * x * x + self.third * x**3
        if self._state is None:
            self._state = np.zeros((len(self.sections), 2))
        out, self._state = signal.sosfilt(self.sections, y, zi=self._state)
        return out

    def _limited(self, x: NDArray, limit_dbfs: float) -> NDArray:
        rms = float(np.sqrt(2.0 * np.mean(x * x)))
        wanted = min(1.0, ratio(limit_dbfs) / max(rms, 1e-12))
        share = 0.7 if wanted < self._gain else 0.08  # a block of 10 ms: 8 ms and 120 ms
        after = self._gain + share * (wanted - self._gain)
        gains = np.linspace(self._gain, after, len(x), endpoint=False)
        self._gain = after
        return gains * x

    def response(self, f_hz: NDArray) -> NDArray:
        """Return the complex response to small signals."""
        return signal.sosfreqz(self.sections, f_hz, fs=RATE_HZ)[1]


# Place -----------------------------------------------------------------------------------------


def room(
    rng: np.random.Generator, *, distance_m: float, decay_s: float, direct_to_reverberant_db: float
) -> NDArray:
    """Return an impulse response: time of flight, direct sound, reflections, a decaying tail.

    The tail starts 4 ms after the direct sound, falls by 60 dB in ``decay_s`` (a third of that
    in the highest octaves), and its energy lies ``direct_to_reverberant_db`` below the direct
    sound's. ``decay_s`` 0 leaves the direct sound alone: an anechoic room.
    """
    flight = round(distance_m / SPEED_OF_SOUND_M_S * RATE_HZ)
    length = flight + 1 + round((0.004 + 0.9 * decay_s) * RATE_HZ) * (decay_s > 0.0)
    taps = np.zeros(length)
    taps[flight] = 1.0
    if decay_s <= 0.0:
        return taps
    first = flight + round(0.004 * RATE_HZ)
    time_s = np.arange(length - first) / RATE_HZ
    noise = rng.standard_normal(len(time_s))
    dull = signal.sosfilt(low_pass(3000.0, 1), noise)
    tail = 0.5 * noise * 10.0 ** (-9.0 * time_s / decay_s) + dull * 10.0 ** (
        -3.0 * time_s / decay_s
    )
    for delay_s in rng.uniform(0.004, 0.02, 4):
        place = round(delay_s * RATE_HZ) - round(0.004 * RATE_HZ)
        tail[place] += 6.0 * float(rng.choice([-1.0, 1.0])) * float(rng.uniform(0.5, 1.0))
    tail *= ratio(-direct_to_reverberant_db) / float(np.sqrt(np.sum(tail * tail)))
    taps[first:] += tail
    return taps


def pinkish(rng: np.random.Generator, rms: float, *, slope: float = 0.5) -> NDArray:
    """Return noise to be repeated; its power falls as f^(−2·slope) from 20 Hz on.

    It is 21.8 s long (2²⁰ samples), so that a repetition is no pattern within a sweep.
    """
    count = 2**20
    spectrum = np.fft.rfft(rng.standard_normal(count))
    f_hz = np.fft.rfftfreq(count, 1.0 / RATE_HZ)
    spectrum *= np.maximum(f_hz, 20.0) ** -slope * (f_hz > 10.0)
    noise = np.fft.irfft(spectrum, count)
    return noise * rms / float(np.sqrt(np.mean(noise * noise)))


class Convolver:
    """Convolves block after block (uniformly partitioned overlap-save)."""

    def __init__(self, taps: NDArray, block: int) -> None:
        parts = max(1, -(-len(taps) // block))
        padded = np.zeros(parts * block)
        padded[: len(taps)] = taps
        self._block = block
        self._parts = np.fft.rfft(padded.reshape(parts, block), 2 * block, axis=1)
        self._spectra = np.zeros_like(self._parts)
        self._last = np.zeros(block)
        self._at = 0

    def next(self, x: NDArray) -> NDArray:
        spectrum = np.fft.rfft(np.concatenate([self._last, x]))
        self._last = x.copy()
        self._at = (self._at - 1) % len(self._parts)
        self._spectra[self._at] = spectrum
        order = (np.arange(len(self._parts)) + self._at) % len(self._parts)
        total = np.einsum("pf,pf->f", self._parts, self._spectra[order])
        return np.fft.irfft(total)[self._block :]


class Line:
    """A delay of any number of samples."""

    def __init__(self, samples: int, block: int) -> None:
        self._ring = np.zeros(samples + block)
        self._samples = samples
        self._at = 0

    def next(self, x: NDArray) -> NDArray:
        steps = np.arange(len(x))
        self._ring[(self._at + self._samples + steps) % len(self._ring)] = x
        out = self._ring[(self._at + steps) % len(self._ring)]
        self._at = (self._at + len(x)) % len(self._ring)
        return out


# Inputs ----------------------------------------------------------------------------------------


@dataclass
class Channel:
    """What an input channel delivers.

    Attributes
    ----------
    kind : "microphone", "other microphone" (hears the loudspeaker ``below_db`` lower, and the
        same room), "crosstalk" (the microphone's channel, ``below_db`` lower), "loop" (the
        output, ``below_db`` lower), "hum", "open" (its own noise), "silence".
    full_scale_spl_db : level of a sine that just fills a microphone's channel.
    own_spl_db : the microphone's own noise, dB SPL.
    line_dbfs : the channel's electrical noise (hum: the hum's level, noise 40 dB below).
    treat : what a driver does to the signal, block by block, or None.
    """

    kind: str
    full_scale_spl_db: float = 120.0
    own_spl_db: float = 18.0
    below_db: float = 0.0
    line_dbfs: float = -105.0
    treat: Callable[[NDArray], NDArray] | None = None


class Suppressor:
    """Shuts below a threshold: to nothing, or by some decibels; opens within a block."""

    def __init__(self, threshold_dbfs: float, floor_db: float | None) -> None:
        self._threshold = threshold_dbfs
        self._floor = 0.0 if floor_db is None else ratio(floor_db)
        self._gain = self._floor

    def __call__(self, x: NDArray) -> NDArray:
        level_dbfs = db(float(np.sqrt(2.0 * np.mean(x * x))))
        is_open = level_dbfs > self._threshold
        wanted = 1.0 if is_open else self._floor
        share = 1.0 if is_open else 0.1
        after = self._gain + share * (wanted - self._gain)
        if not is_open and after < self._floor + 1e-3:
            after = self._floor
        gains = np.linspace(self._gain, after, len(x), endpoint=False)
        self._gain = after
        return gains * x


class AutomaticGain:
    """Brings the input slowly towards a level; ``calibrated_db`` is where calibration met it."""

    def __init__(
        self, *, target_dbfs: float, range_db: float, calibrated_db: float, seconds: float
    ) -> None:
        self._target = target_dbfs
        self._range = range_db
        self._calibrated = calibrated_db
        self._seconds = seconds
        self._gain_db = 0.0
        self.lowest_db = np.inf

    def __call__(self, x: NDArray) -> NDArray:
        level_dbfs = db(float(np.sqrt(2.0 * np.mean(x * x))))
        wanted = float(np.clip(self._target - level_dbfs, -self._range, self._range))
        share = 1.0 - np.exp(-len(x) / RATE_HZ / self._seconds)
        after = self._gain_db + share * (wanted - self._gain_db)
        gains_db = np.linspace(self._gain_db, after, len(x), endpoint=False)
        self._gain_db = after
        self.lowest_db = min(self.lowest_db, after - self._calibrated)
        return x * 10.0 ** ((gains_db - self._calibrated) / 20.0)


# World -----------------------------------------------------------------------------------------


class Meter:
    """Keeps the pressure at the microphone; tells the highest RMS over 125 ms in dB SPL."""

    def __init__(self) -> None:
        self._pending: list[NDArray] = []
        self._tail = np.zeros(0)
        self._highest_db = -np.inf

    def add(self, pressure_pa: NDArray) -> None:
        self._pending.append(pressure_pa)

    def highest_db(self) -> float:
        window = round(METER_S * RATE_HZ)
        wave = np.concatenate([self._tail, *self._pending])
        self._pending = []
        self._tail = wave[-window:]
        if len(wave) > window:
            running = np.concatenate([[0.0], np.cumsum(wave * wave)])
            power = float(np.max(running[window:] - running[:-window])) / window
            self._highest_db = max(
                self._highest_db, db(float(np.sqrt(max(power, 0.0))) / REFERENCE_PA)
            )
        return self._highest_db


@dataclass
class Raise:
    """A volume raised by somebody while a rung sounds.

    Attributes
    ----------
    drive_dbfs : the sweep in which it happens sounds at least so loud (peak re full scale).
    after_s : so long after the sweep's start.
    """

    by_db: float
    drive_dbfs: float
    after_s: float


@dataclass
class World:
    """A backend; every attribute is the truth, and the program is told none of it.

    Attributes
    ----------
    spl_at_0dbfs_db : level of a full-scale sine at the microphone, power mean over
        ``level_band_hz`` on a log-frequency grid.
    delay_s : from output to input, the flight through air apart.
    channels : what the inputs deliver, the first is channel 1.
    speaks_on : output channel that the loudspeaker is plugged into.
    volume_db : a knob before the loudspeaker; ``raised`` turns it while a rung sounds.
    """

    rng: np.random.Generator
    loudspeaker: Loudspeaker
    taps: NDArray
    channels: list[Channel]
    spl_at_0dbfs_db: float = 100.0
    level_band_hz: tuple[float, float] = (300.0, 3000.0)
    background_spl_db: float = 30.0
    delay_s: float = 0.012
    block: int = 480
    outputs: int = 2
    speaks_on: int = 1
    volume_db: float = 0.0
    raised: Raise | None = None
    raised_at: int | None = None
    last_sounding_at: int = 0
    sent_samples: int = 0
    exchanges: int = 0
    meter: Meter = field(default_factory=Meter)

    def __post_init__(self) -> None:
        self.set_sensitivity(self.spl_at_0dbfs_db)
        self._convolver = Convolver(self.taps, self.block)
        self._noise = pinkish(self.rng, REFERENCE_PA * ratio(self.background_spl_db))
        self._noise_at = 0

    def set_sensitivity(self, spl_at_0dbfs_db: float) -> None:
        """Let a full-scale sine give this level, by the loudspeaker as it is now."""
        self.spl_at_0dbfs_db = spl_at_0dbfs_db
        f_hz, steady = self._curve()
        low_hz, high_hz = self.level_band_hz
        band = (f_hz >= low_hz) & (f_hz <= high_hz)
        mean = float(np.sqrt(np.mean(steady[band] ** 2)))
        # A sine of peak 1 gives an RMS pressure of scale·|H|/√2.
        self._scale = np.sqrt(2.0) * REFERENCE_PA * ratio(spl_at_0dbfs_db) / mean
        self.loudest_above_band_db = db(float(np.max(steady)) / mean)

    def _curve(self) -> tuple[NDArray, NDArray]:
        """Return the steady response of loudspeaker and place, 96 points an octave."""
        f_hz = 30.0 * 2.0 ** (np.arange(int(9.2 * 96)) / 96.0)
        length = 2**17
        place = np.fft.rfft(self.taps, length)
        bins = np.arange(len(place)) * RATE_HZ / length
        return f_hz, np.abs(self.loudspeaker.response(f_hz)) * np.interp(f_hz, bins, np.abs(place))

    # What the program asks of an audio system.

    def devices(self) -> list[AudioDevice]:
        return [
            AudioDevice(0, "bench", "world", len(self.channels), self.outputs, float(RATE_HZ)),
            AudioDevice(1, "other in", "world", 1, 0, float(RATE_HZ)),
        ]

    def check(self, route: Route) -> None:
        if route.rate_hz != RATE_HZ:
            raise DeviceError("the device does not take this rate")

    def ease(self) -> None:
        pass

    def exchange(self, route, conversation, tick) -> None:
        self.exchanges += 1
        drives = Line(round(self.delay_s * RATE_HZ), self.block)
        pressures = Line(round(self.delay_s * RATE_HZ), self.block)
        self._watch_for_sweep()
        conversation.hear(self._input(route, *[np.zeros(self.block)] * 2), dropped=False)
        ticks = max(1, round(TICK_S * RATE_HZ / self.block))
        count = 0
        while True:
            out = np.full(self.block, 7.0, dtype=np.float32)  # no clean block was promised
            conversation.fill(out)
            x = np.clip(out.astype(float), -1.0, 1.0)
            if route.output_channel != self.speaks_on:
                x = np.zeros_like(x)
            pressure = self._sound(x)
            heard = self._input(route, drives.next(x), pressures.next(pressure))
            if conversation.hear(heard, dropped=False):
                break
            count += 1
            if count % ticks == 0:
                tick()
            assert count * self.block < LONGEST_EXCHANGE_S * RATE_HZ, "the exchange does not end"
        for _ in range(round(0.5 * RATE_HZ / self.block)):
            self._sound(np.zeros(self.block))  # the room dies away

    def record(self, device, *, channels, rate_hz, seconds) -> NDArray:
        blocks = -(-round(seconds * rate_hz) // self.block)
        nothing = np.zeros(self.block)
        made = [self._inputs(nothing, nothing, channels) for _ in range(blocks)]
        return np.concatenate(made)[: round(seconds * rate_hz)].astype(float)

    # What happens in the world.

    def _sound(self, x: NDArray) -> NDArray:
        """Return the pressure at the microphone, Pa; note it, and turn the knob if it is time."""
        gains = np.full(len(x), ratio(self.volume_db))
        turned = self._turned(x)
        if turned is not None and self.raised is not None:
            gains[turned:] *= ratio(self.raised.by_db)
            self.volume_db += self.raised.by_db
            self.raised_at = self.sent_samples + turned
        sounding = np.flatnonzero(x)
        if len(sounding):
            self.last_sounding_at = self.sent_samples + int(sounding[-1])
        self.sent_samples += len(x)
        pressure = self._scale * self._convolver.next(self.loudspeaker.play(gains * x))
        self.meter.add(pressure)
        return pressure

    def _watch_for_sweep(self) -> None:
        """A sweep is what sounds after a silence of 0.6 s that came after some sound."""
        self._heard_marker, self._silent, self._swept = False, 0, 0

    def _turned(self, x: NDArray) -> int | None:
        """Return the sample of this block at which the knob is turned, or None."""
        if self.raised is None or self.raised_at is not None:
            return None
        peak = float(np.max(np.abs(x)))
        if peak > 0.0:
            if self._swept or (self._heard_marker and self._silent > 0.6 * RATE_HZ):
                self._swept += len(x)
            self._heard_marker, self._silent = True, 0
        else:
            self._silent += len(x)
            self._swept = 0
        loud = peak >= 0.99 * ratio(self.raised.drive_dbfs - 1.5)
        due = self._swept >= self.raised.after_s * RATE_HZ
        return int(self.rng.integers(0, len(x))) if loud and due and self._swept else None

    def _input(self, route: Route, drive: NDArray, pressure: NDArray) -> NDArray:
        return self._inputs(drive, pressure, route.input_channels)

    def _inputs(self, drive: NDArray, pressure: NDArray, count: int) -> NDArray:
        block = np.zeros((len(drive), count), dtype=np.float32)
        microphone = np.zeros(len(drive))
        noises = [self._room_noise(len(drive), place) for place in range(2)]
        self._noise_at += len(drive)
        made = []
        for channel in self.channels:
            if channel.kind in ("microphone", "other microphone"):
                other = channel.kind == "other microphone"
                pa = ratio(-channel.below_db) * pressure + noises[other] + self._white(
                    len(drive), REFERENCE_PA * ratio(channel.own_spl_db)
                )  # fmt: skip
                x = pa / (np.sqrt(2.0) * REFERENCE_PA * ratio(channel.full_scale_spl_db))
                microphone = microphone if other else x
            elif channel.kind == "silence":
                x = np.zeros(len(drive))
            else:
                x = self._white(len(drive), ratio(channel.line_dbfs) / np.sqrt(2.0))
            made.append(x)
        for x, channel in zip(made, self.channels, strict=True):
            if channel.kind == "crosstalk":
                x += ratio(-channel.below_db) * microphone
            elif channel.kind == "loop":
                x += ratio(-channel.below_db) * drive
            elif channel.kind == "hum":
                x *= ratio(-40.0)
                time_s = (self._noise_at + np.arange(len(x))) / RATE_HZ
                for order, share in ((1, 1.0), (2, 0.3), (3, 0.4), (5, 0.1)):
                    x += ratio(channel.line_dbfs) * share * np.sin(100.0 * np.pi * order * time_s)
        for number, (x, channel) in enumerate(zip(made[:count], self.channels, strict=False)):
            treated = x if channel.treat is None else channel.treat(x)
            block[:, number] = np.clip(treated, -1.0, 1.0)
        return block

    def _room_noise(self, count: int, place: int) -> NDArray:
        start = (self._noise_at + place * 480_000) % len(self._noise)
        return np.take(self._noise, np.arange(start, start + count), mode="wrap")

    def _white(self, count: int, rms: float) -> NDArray:
        return rms * self.rng.standard_normal(count)

    def background_dbfs(self, channel: Channel, *, band_hz: tuple[float, float]) -> float:
        """Return what a channel delivers while nothing sounds, over a band, re a full sine."""
        nothing = np.zeros(self.block)
        index = self.channels.index(channel)
        blocks = [
            self._inputs(nothing, nothing, len(self.channels))[:, index]
            for _ in range(2 * RATE_HZ // self.block)
        ]
        wave = np.concatenate(blocks)[RATE_HZ // 2 :].astype(float)
        sos = signal.butter(4, band_hz, "bandpass", fs=RATE_HZ, output="sos")
        return db(float(np.sqrt(2.0 * np.mean(signal.sosfilt(sos, wave)[4800:] ** 2))))
