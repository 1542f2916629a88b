"""A simulated world behind an audio interface: loudspeaker, place, microphones, volume knob.

``World`` stands in for PortAudio. Sound pressure at the microphone is computed from every sample
that leaves, so that levels are known without asking the program. It shares no code with the
package; only the names of a device and the calls of a backend are the package's.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import signal
from sound_parts import RATE_HZ, Channel, Convolver, Line, Loudspeaker, db, pinkish, ratio

from distsweep.capture.backend import AudioDevice, Route
from distsweep.errors import DeviceError

REFERENCE_PA = 20e-6
METER_S = 0.125
LONGEST_EXCHANGE_S = 120.0
TICK_S = 0.03
HUM_HZ = 50.0
HUM_HARMONICS = {1: 1.0, 2: 0.3, 3: 0.4, 5: 0.1}
HUM_NOISE_DB = -40.0


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

    def use_buffer(self, buffer_s: float) -> None:
        pass

    def buffer_s(self) -> float:
        return 0.0

    def stop_within_s(self) -> float:
        """Nothing is buffered here."""
        return 0.05

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

    def record(self, device, *, channels, rate_hz, seconds, heard=None, dropped=None) -> NDArray:
        blocks = -(-round(seconds * rate_hz) // self.block)
        nothing = np.zeros(self.block)
        made = [self._inputs(nothing, nothing, channels) for _ in range(blocks)]
        recorded = np.concatenate(made)[: round(seconds * rate_hz)].astype(float)
        if heard is not None:
            heard(recorded)
        return recorded

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
        """Return what the first ``count`` channels deliver, from what arrives at them."""
        frames = len(drive)
        noises = [self._room_noise(frames, place) for place in range(2)]
        made = {}
        for number, channel in enumerate(self.channels):
            if channel.kind in ("microphone", "other microphone"):
                other = channel.kind == "other microphone"
                heard_pa = ratio(-channel.below_db) * pressure + noises[other]
                heard_pa += self._white(frames, REFERENCE_PA * ratio(channel.own_spl_db))
                full_scale_pa = REFERENCE_PA * ratio(channel.full_scale_spl_db)
                made[number] = heard_pa / (np.sqrt(2.0) * full_scale_pa)
                made[number] += self._white(frames, ratio(channel.line_dbfs) / np.sqrt(2.0))
        for number, channel in enumerate(self.channels):
            if number not in made:
                made[number] = self._electrical(channel, drive, made)
        self._noise_at += frames
        block = np.zeros((frames, count), dtype=np.float32)
        for number in range(count):
            treat = self.channels[number].treat
            treated = made[number] if treat is None else treat(made[number])
            block[:, number] = np.clip(treated, -1.0, 1.0)
        return block

    def _electrical(self, channel: Channel, drive: NDArray, heard: dict[int, NDArray]) -> NDArray:
        """Return what a channel without a microphone delivers."""
        frames = len(drive)
        if channel.kind == "silence":
            return np.zeros(frames)
        if channel.kind == "hum":
            time_s = (self._noise_at + np.arange(frames)) / RATE_HZ
            hum = sum(
                share * np.sin(2.0 * np.pi * HUM_HZ * order * time_s)
                for order, share in HUM_HARMONICS.items()
            )
            noise = self._white(frames, ratio(HUM_NOISE_DB) / np.sqrt(2.0))
            return ratio(channel.line_dbfs) * (hum + noise)
        line = self._white(frames, ratio(channel.line_dbfs) / np.sqrt(2.0))
        if channel.kind == "loop":
            return line + ratio(-channel.below_db) * drive
        if channel.kind == "crosstalk":
            kinds = [other.kind for other in self.channels]
            return line + ratio(-channel.below_db) * heard[kinds.index("microphone")]
        return line

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
