"""The gate: ``Gate.send`` is the one function through which samples leave for a loudspeaker.

Whatever asks for sound, it passes here or is silent: the array is judged as a whole before a
sample of it moves, and what leaves afterwards is a frozen copy of what was judged, times a
fade that is never above 1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from distsweep.capture.backend import STOP_WITHIN_S, Backend, Route
from distsweep.capture.levels import LARGEST_RISE_DB
from distsweep.capture.safeguards import Licence
from distsweep.capture.watch import HOP_S, Stop, Watch
from distsweep.errors import DeviceError, SafetyRefusal
from distsweep.takes.recording import SILENT_PEAK
from distsweep.units import FloatArray, db_to_ratio, ratio_to_db

FADE_OUT_S = 0.01
"""A stop fades out over this (chosen: short against 50 ms, long enough not to click)."""

NOTICED_S = 0.035
"""So long after it has come in a fault is noticed: the watch's window of 20 ms and hop of 5 ms,
and 10 ms in the input's buffers."""

SIGNALLED_S = 0.02
"""So long after it was sent a signal has reached the conversation, and an output its next block
(chosen: Python lets one thread run for 5 ms before another, and a busy machine takes 10)."""

FADE_IN_S = 0.02
"""The first so long of every array is faded in, whatever it holds."""

ONSET_S, ONSET_GAP_S, ONSET_OF_PEAK = 0.005, 0.02, 0.5
"""After a silence of ONSET_GAP_S, sound may reach ONSET_OF_PEAK of the array's peak no sooner
than after ONSET_S: a rung that starts abruptly is refused (chosen: a sweep of ours takes
0.1 s to get there, a marker 20 ms)."""

LARGEST_OFFSET_OF_PEAK = 0.01
"""Largest mean over a second (Hann-weighted) re the array's peak: direct current, and what
is next to it, moves a cone without being heard (chosen: a sweep from 8 Hz shows 0.0003)."""

TAIL_S = 0.35
"""Recorded after the last sample: latency, time of flight and the room's first answer."""

SPARE_S = 1.0
"""An output that lags its input by more than this has stalled."""

STALLED_S = 0.05
"""So much audio sent without any coming in: the input has stalled."""

GAP_HOPS = 10
"""In the 50 ms before a stop a gap is looked for, in the last 100 ms a sign of life."""

SETTLING_S = 0.2
"""Drop-outs before this, while the streams start, spoil nothing: stimuli start with silence."""

START_LEVEL_DBFS = -60.0
"""The first sound of a capture is no louder than this."""

LARGEST_STEP_DB = 3.0
"""Within an array sound may rise by so much above what the array has held (issue: capture)."""

HELD_S, HELD_BLOCK_S = 0.25, 0.05
"""A level is held when each block of 50 ms in a quarter of a second reaches it (chosen: half a
period of 10 Hz fits a block, and a watch needs 0.1 s to tell a burst from its onset)."""

STEP_SLACK_DB = 0.05
"""A block's level is known so well: 50 ms seldom hold whole periods (0.02 dB at 441 Hz)."""


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
    lead_samples : by so much the samples handed out were then ahead of those heard: with the
        marker's delay, counted in samples, it makes the true round trip; None when all was
        played.
    stop : why it did not go to its end, or None.
    output_dropped, input_dropped : the audio system reported a drop-out.
    """

    recorded: FloatArray
    sent_samples: int
    silent_at: int | None
    lead_samples: int | None
    stop: Stop | None
    output_dropped: bool
    input_dropped: bool


class Gate:
    """Sends arrays to one route, each at most 10 dB louder than what went well before.

    Within an array sound may rise further in steps of 3 dB, each held before the next.
    """

    def __init__(self, backend: Backend, route: Route) -> None:
        """Take the backend; nothing else should keep a hand on it."""
        self._backend = backend
        self._route = route
        self._proven_dbfs = START_LEVEL_DBFS - LARGEST_RISE_DB

    def send(
        self,
        samples: ArrayLike,
        licence: Licence,
        *,
        watch: Watch,
        tick: Callable[[Conversation], None],
        guarded_from: int = 0,
        tail_s: float = TAIL_S,
    ) -> Heard:
        """Play an array and record what comes back.

        Parameters
        ----------
        samples : shape ``(samples,)``, full scale 1.
        licence : what the safeguards have given leave for.
        watch : judges the recording as it grows; its verdict fades the output out.
        tick : called in this thread every few hundredths of a second with the conversation.
        guarded_from : played sample (a sweep's start) by which the watch must know where it
            is; 0 if it need not.
        tail_s : recorded so long after the last sample.

        Raises
        ------
        SafetyRefusal
            The array may not leave; nothing has sounded.
        """
        wave = self._admit(samples, licence)
        conversation = Conversation(
            wave, self._route, watch, guarded_from=guarded_from, tail_s=tail_s
        )
        conversation.follow(self._backend, tick)
        heard = conversation.heard()
        if heard.stop is None:
            self._proven_dbfs = max(self._proven_dbfs, float(ratio_to_db(np.max(np.abs(wave)))))
        return heard

    def _admit(self, samples: ArrayLike, licence: Licence) -> NDArray[np.float32]:
        """Judge an array, and return the frozen copy that will leave."""
        if type(licence) is not Licence:
            raise SafetyRefusal("nothing is played without a licence from the safeguards")
        given = np.asarray(samples)
        if given.ndim != 1 or not len(given) or given.dtype.kind not in "iuf":
            raise SafetyRefusal("what is to be played is not one row of numbers")
        with np.errstate(over="ignore"):
            wave = given.astype(np.float32)  # a copy: what was judged cannot change any more
        if not np.all(np.isfinite(wave)):
            raise SafetyRefusal("what is to be played holds samples that are not numbers")
        fade = round(FADE_IN_S * self._route.rate_hz)
        wave[:fade] *= (0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade))[: len(wave)]
        wave.flags.writeable = False
        peak = float(np.max(np.abs(wave)))
        if peak > 1.0:
            raise SafetyRefusal(f"what is to be played reaches {peak:.3g}, above full scale")
        level_dbfs = float(ratio_to_db(peak))
        if level_dbfs > licence.limit_dbfs + 1e-4:  # single precision rounds by 5e-7 dB
            raise SafetyRefusal(
                f"what is to be played reaches {level_dbfs:.2f} dBFS, leave was given for"
                f" {licence.limit_dbfs:.2f}"
            )
        _refuse_rise(wave, proven_dbfs=self._proven_dbfs, rate_hz=self._route.rate_hz)
        _refuse_offset(wave, peak, self._route.rate_hz)
        _refuse_abrupt(wave, peak, self._route.rate_hz)
        return wave


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
        self._output_dropped = self._input_dropped = False

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
            block[:] = 0.0  # nothing is said before somebody listens: inputs may start late
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
            self._input_dropped = True
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

    def hear(self, block: FloatArray, *, dropped: bool) -> bool:
        """Take what was recorded; True once it was enough."""
        try:
            return self._hear(block, dropped=dropped)
        except Exception as error:  # an input that is not understood must not go on sounding
            self.halt(Stop("broken", f"the input failed inside ({error!r})"))
            return self._silent_at is not None

    def _hear(self, block: FloatArray, *, dropped: bool) -> bool:
        frames = min(len(block), len(self.mono) - self.count)
        last = self.count + frames
        self.all_channels[self.count : last] = block[:frames]
        self.mono[self.count : last] = block[:frames, self.route.input_channel - 1]
        self.count = last
        self._since_heard = 0
        if dropped and self._counts():
            self._input_dropped = True
            self.halt(Stop("dropout", "the input lost samples"))
        if self.stop is None:
            found = self.watch.look(self.mono, last)
            if found is not None:
                self.halt(found)
        if self._silent_at is not None:
            return last >= min(self._silent_at + self._tail, len(self.mono))
        if last == len(self.mono):
            self.halt(Stop("dropout", "the output has stalled"))
            return True
        return self.sent >= len(self._wave) and last >= len(self._wave) + self._tail

    def output_dropped(self) -> None:
        """Take note that the output ran dry."""
        if self._counts():
            self._output_dropped = True
            self.halt(Stop("dropout", "the output ran dry"))

    def _counts(self) -> bool:
        """Tell whether a drop-out now would spoil anything."""
        return self._counts_from <= self.sent < len(self._wave)

    def follow(self, backend: Backend, tick: Callable[[Conversation], None]) -> None:
        """Run the exchange; a device that fails is a reason to stop like any other."""
        tick(self)  # whoever may halt it knows it before anything sounds
        try:
            backend.exchange(self.route, self, lambda: tick(self))
        except DeviceError as error:
            # A device that fails while it starts, before any sound, is worth another try.
            kind = "device" if self.sent >= self._counts_from else "dropout"
            self.halt(Stop(kind, str(error), self.count))

    def heard(self) -> Heard:
        """Return what came of it."""
        return Heard(
            recorded=self.all_channels[: self.count].astype(np.float64),
            sent_samples=min(self.sent, len(self._wave)),
            silent_at=self._silent_at,
            lead_samples=self._lead,
            stop=_looked_at_again(self.stop, self.mono[: self.count], self.route.rate_hz),
            output_dropped=self._output_dropped,
            input_dropped=self._input_dropped,
        )


def _looked_at_again(stop: Stop | None, mono: FloatArray, rate_hz: int) -> Stop | None:
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


def _refuse_rise(wave: NDArray[np.float32], *, proven_dbfs: float, rate_hz: int) -> None:
    """Refuse a rise by more than 10 dB above what went well before, but for steps of 3 dB.

    Every block's peak keeps to the one limit, or to LARGEST_STEP_DB above the highest level that
    the same sound has held until then; digital silence ends a sound, and a marker before it
    vouches for nothing after it. A block's level is that of a sine of its mean square, or its
    peak where the crest factor is 6 dB or less, for a block may hold half a period only.
    """
    reach = float(db_to_ratio(proven_dbfs + LARGEST_RISE_DB + 1e-4))
    step = float(db_to_ratio(LARGEST_STEP_DB + STEP_SLACK_DB))
    block, blocks = round(HELD_BLOCK_S * rate_hz), round(HELD_S / HELD_BLOCK_S)
    held, latest = 0.0, [0.0] * blocks
    for first in range(0, len(wave), block):
        part = wave[first : first + block].astype(np.float64)
        peak, rms = float(np.max(np.abs(part))), float(np.sqrt(np.mean(part**2)))
        if peak > max(reach, step * held):
            over_db = float(ratio_to_db(peak)) - proven_dbfs
            raise SafetyRefusal(
                f"what is to be played is {over_db:.1f} dB louder than anything that went well"
                f" before: rise by {LARGEST_RISE_DB:g} dB at most, or within a tone in steps of"
                f" {LARGEST_STEP_DB:g} dB that are held for {HELD_S:g} s"
            )
        level = max(np.sqrt(2.0) * rms, min(peak, 2.0 * rms))
        latest = [*latest[1:], level] if peak > 0.0 else [0.0] * blocks
        held = max(held, min(latest)) if peak > 0.0 else 0.0


def _refuse_offset(wave: NDArray[np.float32], peak: float, rate_hz: int) -> None:
    """Refuse direct current: the Hann-weighted mean over any second, or over a shorter whole."""
    length = min(rate_hz, len(wave))
    window = np.hanning(length + 2)[1:-1]
    window /= np.sum(window)
    step = max(1, length // 4)
    for first in range(0, len(wave) - length + 1, step):
        offset = abs(float(np.dot(wave[first : first + length], window)))
        if offset > LARGEST_OFFSET_OF_PEAK * peak:
            raise SafetyRefusal(
                f"what is to be played holds direct current ({offset / peak:.1%} of its peak)"
            )


def _refuse_abrupt(wave: NDArray[np.float32], peak: float, rate_hz: int) -> None:
    """Refuse sound that starts at once after a silence."""
    sounding = np.flatnonzero(np.abs(wave) > 1e-4 * peak)
    if not len(sounding):
        return
    gap, onset = round(ONSET_GAP_S * rate_hz), round(ONSET_S * rate_hz)
    later = sounding[1:][np.diff(sounding) > gap]
    for start in (int(sounding[0]), *map(int, later)):
        if float(np.max(np.abs(wave[start : start + onset]))) > ONSET_OF_PEAK * peak:
            raise SafetyRefusal("what is to be played starts abruptly: fade it in")
