"""One sending: samples handed out, samples taken in, and silence within 50 ms after a stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from distsweep.capture.backend import STOP_WITHIN_S, Route
from distsweep.capture.dropouts import LEAST_LATE_S, Dropout, silence_around_s
from distsweep.capture.watch import HOP_S, Stop, Watch
from distsweep.errors import DeviceError
from distsweep.takes.recording import SILENT_PEAK
from distsweep.units import FloatArray

FADE_OUT_S = 0.01
"""A stop fades out over this (chosen: short against 50 ms, long enough not to click)."""

NOTICED_S = 0.035
"""Time from a fault's coming in until it is noticed: the watch's window of 20 ms and hop of 5 ms,
and 10 ms in the input's buffers."""

SIGNALLED_S = 0.02
"""Time until a signal has reached the conversation, and the output asked for its next block
(chosen: Python lets one thread run for 5 ms before another, and a busy machine takes 10)."""

TAIL_S = 0.35
"""Time recorded after the last sample (chosen: latency, time of flight, the room's first
answer)."""

SPARE_S = 1.0
"""Lag of the output behind the input from which on it has stalled (chosen)."""

STALLED_S = 0.05
"""Audio sent without any coming in, from which on the input has stalled (chosen)."""

GAP_HOPS = 10
"""Hops before a stop that are searched for a gap, 50 ms; twice as many at the recording's end are
searched for a sign of life (chosen)."""

SETTLING_S = 0.2
"""Drop-outs before this do not count (chosen: streams are starting, and stimuli start with
silence)."""


@dataclass(frozen=True)
class Heard:
    """What came of a sending.

    Attributes
    ----------
    recorded : shape ``(frames, channels)``.
    sent_samples : samples that left before silence, the fade included; where the output threw
        away what it held, somewhat more than have sounded.
    silent_at : recorded samples that had come in when the last sounding sample was handed
        to the device, or when what that still held was thrown away; None when all was played.
    lead_samples : how many more samples had then been handed out than heard: with the
        marker's delay, counted in samples, it makes the true round trip; None when all was
        played.
    stop : why it did not go to its end, or None.
    dropouts : what the audio system has lost, as far as it was noticed.
    """

    recorded: FloatArray
    sent_samples: int
    silent_at: int | None
    lead_samples: int | None
    stop: Stop | None
    dropouts: tuple[Dropout, ...] = ()


class Conversation:
    """One sending: hands samples out, takes samples in, and fades out when told to.

    ``fill`` and ``hear`` run in the audio system's threads: they allocate little, hold no
    lock and never raise; whatever goes wrong in them becomes silence and a reason to stop.
    """

    def __init__(
        self,
        wave: NDArray[np.float32],
        route: Route,
        watch: Watch,
        *,
        guarded_from: int,
        tail_s: float = TAIL_S,
    ) -> None:
        """Prepare buffers for the whole sending, so that none is needed while it runs."""
        rate_hz = route.rate_hz
        self.route = route
        self.watch = watch
        self.stop: Stop | None = None
        self.sent = 0
        self.count = 0
        self.mono = np.zeros(len(wave) + round((tail_s + SPARE_S) * rate_hz))
        self.all_channels = np.zeros((len(self.mono), route.input_channels), dtype=np.float32)
        self._wave = wave
        self._guarded_from = guarded_from
        self._counts_from = round(SETTLING_S * rate_hz)
        self._fade_samples = round(FADE_OUT_S * rate_hz)
        gains = 0.5 + 0.5 * np.cos(
            np.pi * np.arange(1, self._fade_samples + 1) / self._fade_samples
        )
        self._fade = gains.astype(np.float32)
        self._when_halted: Callable[[], None] | None = None
        self._faded: int | None = None
        self._silent_at: int | None = None
        self._lead: int | None = None
        self._tail = round(tail_s * rate_hz)
        self._stalled = round(STALLED_S * rate_hz)
        self._since_heard = 0
        self._dropouts: list[Dropout] = []

    def halt(self, stop: Stop) -> None:
        """Stop: with a fade where there is time for one. The first reason counts."""
        if self.stop is None:
            self.stop = stop
            if self._when_halted is not None:
                self._when_halted()

    def when_halted(self, call: Callable[[], None]) -> None:
        """Have ``call`` run by whoever halts; at once, if that has happened already."""
        self._when_halted = call
        if self.stop is not None:
            call()

    def may_sound_s(self) -> float:
        """Return what is left, after the halt, of the time in which sound is to end."""
        by_hand = self.stop is not None and self.stop.kind == "interrupted"
        return STOP_WITHIN_S - (SIGNALLED_S if by_hand else NOTICED_S)

    def cut(self) -> None:
        """Take note that the output has thrown away what it held."""
        self._faded = self._fade_samples
        if self._silent_at is None:
            self._silent_at = self.count
            self._lead = self.sent - self.count

    def fill(self, block: FloatArray) -> bool:
        """Write the next samples; True once the last has been written."""
        try:
            return self._fill(block)
        except Exception as error:  # silence is the only answer that is always right
            self._silent_at = self.count if self._silent_at is None else self._silent_at
            self._faded = self._fade_samples
            self.halt(Stop("broken", f"the output failed inside ({error!r})"))
            block[:] = 0.0
            return True

    def _fill(self, block: FloatArray) -> bool:
        first, frames = self.sent, len(block)
        if not self.count and not first:
            block[:] = 0.0  # nothing is played before the input runs: it may start late
            return False
        part = self._wave[first : first + frames]
        self._check_guard(first, frames)
        block[: len(part)] = part
        block[len(part) :] = 0.0
        if self.stop is not None:
            self._fade_out(block)
        self.sent = first + frames
        self._since_heard += frames
        return first + frames >= len(self._wave)

    def _check_guard(self, first: int, frames: int) -> None:
        if not self._counts():
            return
        if self.watch.sweep_at is None and 0 < self._guarded_from <= first + frames:
            self.halt(Stop("unheard", "the marker before the sweep was not heard in time"))
        elif self._since_heard > max(self._stalled, 3 * frames):
            waited_s = self._since_heard / self.route.rate_hz
            self._lost("input", self.count, waited_s, at_least=True)
            self.halt(Stop("dropout", "the input has stalled"))

    def _fade_out(self, block: FloatArray) -> None:
        if self._faded is None:
            self._faded = 0
        gains = self._fade[self._faded : self._faded + len(block)]
        block[: len(gains)] *= gains
        block[len(gains) :] = 0.0
        self._faded += len(block)
        if self._silent_at is None and self._faded >= self._fade_samples:
            self._silent_at = self.count
            self._lead = self.sent - self.count

    def hear(self, block: FloatArray, *, dropped: bool, late_s: float | None = None) -> bool:
        """Take what was recorded; True once no more is needed."""
        try:
            return self._hear(block, late_s, dropped=dropped)
        except Exception as error:  # an input that is not understood must not go on sounding
            self.halt(Stop("broken", f"the input failed inside ({error!r})"))
            return self._silent_at is not None

    def _hear(self, block: FloatArray, late_s: float | None, *, dropped: bool) -> bool:
        frames = min(len(block), len(self.mono) - self.count)
        last = self.count + frames
        self.all_channels[self.count : last] = block[:frames]
        self.mono[self.count : last] = block[:frames, self.route.input_channel - 1]
        self.count = last
        self._since_heard = 0
        if dropped and self._counts():
            self._lost("input", last, late_s)
            self.halt(Stop("dropout", "the input lost samples"))
        if self.stop is None:
            stop = self.watch.look(self.mono, last)
            if stop is not None:
                self.halt(stop)
        if self._silent_at is not None:
            return last >= min(self._silent_at + self._tail, len(self.mono))
        if last == len(self.mono):
            self._lost("output", self.sent, None)
            self.halt(Stop("dropout", "the output has stalled"))
            return True
        return self.sent >= len(self._wave) and last >= len(self._wave) + self._tail

    def output_dropped(self, late_s: float | None = None) -> None:
        """Take note that the output ran dry."""
        if self._counts():
            self._lost("output", self.sent, late_s)
            self.halt(Stop("dropout", "the output ran dry"))

    def _lost(
        self, direction: str, sample: int, late_s: float | None, *, at_least: bool = False
    ) -> None:
        """Take note of a drop-out; one that was not late has no length that is known."""
        late_s = late_s if late_s is not None and late_s >= LEAST_LATE_S else None
        self._dropouts.append(
            Dropout(direction, sample / self.route.rate_hz, late_s, at_least=at_least)
        )

    def _counts(self) -> bool:
        """Tell whether a drop-out now would spoil anything."""
        return self._counts_from <= self.sent < len(self._wave)

    def device_failed(self, error: DeviceError) -> None:
        """Stop: a device has failed. While it starts, before any sound, it is worth another try."""
        kind = "device" if self.sent >= self._counts_from else "dropout"
        self.halt(Stop(kind, str(error), self.count))

    def heard(self) -> Heard:
        """Return what came of it."""
        mono, rate_hz = self.mono[: self.count], self.route.rate_hz
        stop = _dropout_or_silence(self.stop, mono, rate_hz)
        if stop is not None and stop.kind == "dropout" and stop is not self.stop and stop.sample:
            silent_s = silence_around_s(mono, stop.sample, rate_hz=rate_hz, peak=SILENT_PEAK)
            self._lost("input", stop.sample, silent_s)
        return Heard(
            recorded=self.all_channels[: self.count].astype(np.float64),
            sent_samples=min(self.sent, len(self._wave)),
            silent_at=self._silent_at,
            lead_samples=self._lead,
            stop=stop,
            dropouts=tuple(self._dropouts),
        )


def _dropout_or_silence(stop: Stop | None, mono: FloatArray, rate_hz: int) -> Stop | None:
    """Tell a drop-out, which audio systems fill with zeros, from a loudspeaker gone quiet.

    A microphone's noise is never nothing: where the input was so just before the stop, samples
    were lost if it came alive again afterwards, and the input is dead if it did not.
    """
    if stop is None or stop.sample is None or stop.kind not in ("quiet", "silent"):
        return stop
    hop, last = round(HOP_S * rate_hz), stop.sample
    before = np.abs(mono[max(0, last - GAP_HOPS * hop) : last])
    hops = before[: len(before) // hop * hop].reshape(-1, hop)
    if not len(hops) or float(np.min(np.max(hops, axis=1))) >= SILENT_PEAK:
        return stop
    if float(np.max(np.abs(mono[-2 * GAP_HOPS * hop :]))) >= SILENT_PEAK:
        return Stop("dropout", "the input lost samples", last)
    return Stop("silent", "the input has gone dead: is the microphone plugged in?", last)
