"""Watching the microphone while a staircase's tone plays: each burst predicted from those before.

Prediction is the tone as it will be played, convolved with the probe's impulse response, so
that onsets, rests and the decay of a narrow resonance count; from the first clear burst on it
is scaled to what that burst gave. The rule, for windows of 20 ms:

- too loud: more than 6 dB above the prediction, at any time; on the way down, in a burst's
  second half, also more than 3 dB above what the same drive gave on the way up. What stays 20 dB
  below the loudest that was planned is not too loud: in a rest a cough may be louder than the tone.
- too quiet: over 100 ms, from 0.1 s into a burst, more than 6 dB below what any softer burst
  gave; the first burst: 6 dB below the prediction.

After each burst, and every quarter of a second within a long one:

- distorted: THD of the burst is above the limit.
- compressed: the gain has fallen by more than 12 dB re the quietest clear burst.
- too high: by the bursts so far the next one would pass what was confirmed by more than 0.25 dB.

These three, TONE_STOPS, say that this tone has been driven far enough, and nothing worse.
Everything here is arithmetic on arrays: no device, no clock.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from distsweep.capture.burst_meter import Meter, Span
from distsweep.capture.response import Response
from distsweep.capture.watch import (
    LEAST_OF_MEAN_DB,
    OFF_BY_DB,
    QUIET_QUESTION,
    WINDOW_HOPS,
    Stop,
    Watch,
    hop_energies,
    off_prediction,
    window_sums,
)
from distsweep.stimulus.bursts import render_staircase
from distsweep.stimulus.sidecar import PlayedBurst, StaircaseStimulus, StimulusFile
from distsweep.units import FloatArray, db_to_power, power_to_db
from distsweep.words.wording import as_given

TONE_STOPS = ("distorted", "compressed", "high")
"""Reasons to stop that concern one tone only."""

MOST_COMPRESSION_DB = 12.0
"""Gain lost when a tone has been driven far enough (chosen: a limiter of high ratio then acts
from threshold on over 12 dB, six levels at the usual step, which settles threshold, ratio and
knee; a voice coil would have to be 770 K hotter: nothing is learnt beyond, and much is risked)."""

ABOVE_CONFIRMED_DB = 0.25
"""A burst predicted this far above what was confirmed is not played (chosen: half of what stops it
for safety; a prediction from a burst 35 dB clear of the background is right within 0.15 dB)."""

HARMLESS_BELOW_TOP_DB = 20.0
"""What stays this far below the loudest that was planned is not too loud (chosen: a rest may lie
36 dB below the top, near the background; a volume raised by 20 dB shows even there)."""

ABOVE_WAY_UP_DB = 3.0
"""The way down may be this much louder than the way up at the same drive (chosen: a coil that cools
regains less, and a limiter does not let go)."""

SLOW_HOPS = 20
"""What is too quiet is judged over 100 ms (chosen: two periods of 20 Hz; 20 ms hold less than
one)."""

LATE_HOPS = 3
"""The prediction may be early or late by 15 ms (chosen: half a period of 33 Hz, or a minute's
drift)."""

CLEAR_POWER = 100.0
"""Power of a clear burst over the background in its place (chosen: its level is then right within
1 dB)."""

DISTORTION_CLEAR_POWER = 10.0
"""Power from which on harmonics count, over what the background shows in their place (chosen)."""


@dataclass(frozen=True)
class BurstHeard:
    """What the microphone heard of one burst.

    Attributes
    ----------
    burst : as played.
    power : mean square at the input, the background's taken off.
    ratio : that re the probe's prediction, as powers.
    fundamental_db : level of the fundamental, dBFS of the input.
    thd_percent : None where no harmonic stands clear of the background.
    clear : it stands clear of the background.
    """

    burst: PlayedBurst
    power: float
    ratio: float
    fundamental_db: float
    thd_percent: float | None
    clear: bool


@dataclass(frozen=True)
class BurstLimits:
    """What the watch of a tone holds it to.

    Attributes
    ----------
    confirmed_power : mean square, at the input, of the level that nothing may pass.
    loudest_power, level_power : of what is too loud at once, over 20 ms and over 125 ms.
    usual_gain_db : gain of the bench over its band; a tone may lie in a notch of it.
    thd_percent : highest THD.
    """

    confirmed_power: float
    loudest_power: float
    level_power: float
    usual_gain_db: float
    thd_percent: float


class BurstWatch(Watch):
    """Follows the recording of one tone as it grows; ``sweep_at`` is where the tone starts.

    Attributes
    ----------
    heard : the bursts measured so far, in the order played.
    too_high_dbfs : the drive that a stop of TONE_STOPS was about; None without one.
    """

    def __init__(
        self,
        stimulus: StaircaseStimulus,
        file: StimulusFile,
        response: Response,
        quiet: FloatArray,
        *,
        limits: BurstLimits,
        correction_db: Callable[[FloatArray], FloatArray],
    ) -> None:
        """Prepare.

        Parameters
        ----------
        file : holds one tone.
        quiet : the background alone, shape ``(samples,)``.
        correction_db : the microphone's deviation at frequencies in Hz.
        """
        rate_hz = stimulus.recipe.rate_hz
        super().__init__(
            rate_hz=rate_hz,
            loudest_power=limits.loudest_power,
            level_power=limits.level_power,
            expected=None,
        )
        self.heard: list[BurstHeard] = []
        self.too_high_dbfs: float | None = None
        self._limits = limits
        self._bursts = file.bursts
        self._noise_power = float(np.mean(quiet**2)) if len(quiet) else 0.0
        first, last = file.first_sample, file.bursts[-1].start_sample + file.bursts[-1].samples
        self._predict(render_staircase(stimulus, file)[first:last], response)
        self._harmless = self._loudest_energy * float(
            db_to_power(-OFF_BY_DB - HARMLESS_BELOW_TOP_DB)
        )
        self._scale = 1.0
        self._recent = np.zeros(SLOW_HOPS)
        self._meter = Meter(
            stimulus,
            file.bursts[0].frequency_hz,
            hold_s=min(burst.samples for burst in file.bursts) / rate_hz,
            hop=self._hop,
            quiet=quiet,
            correction_db=correction_db,
        )
        self._spans = [Span(burst, first, self._hop, self._meter.hops) for burst in file.bursts]
        self._at = 0

    def _predict(self, wave: FloatArray, response: Response) -> None:
        """Predict the energy of each hop and window of a tone, and what it is at least."""
        self._predicted = hop_energies(response.predict(wave), self._hop)
        self._windows = window_sums(self._predicted)
        notch_db = self._limits.usual_gain_db - LEAST_OF_MEAN_DB
        self._least = window_sums(
            0.5 * self._hop * db_to_power(notch_db) * _envelope_power(wave, self._hop)
        )

    def expected_power(self) -> float | None:
        """Return the mean square predicted for the latest window; None outside the tone."""
        place = self._place(self._hops * self._hop)
        if place is None:
            return None
        return self._scale * float(self._windows[place]) / (WINDOW_HOPS * self._hop)

    def _judge(self, hop: FloatArray, end: int) -> None:
        self._recent = np.append(self._recent[1:], float(np.dot(hop, hop)))
        super()._judge(hop, end)
        place = self._place(end)
        if self.stop is None and place is not None:
            self._measure(hop, place, end)

    def _place(self, end: int) -> int | None:
        if self.sweep_at is None:
            return None
        place = (end - self.sweep_at + self._hop // 2) // self._hop - 1  # the nearest hop
        return place if 0 <= place < len(self._predicted) else None

    def _compare(self, total: float, end: int) -> None:
        place = self._place(end)
        if self.stop is not None or place is None:
            return
        near = slice(max(0, place - LATE_HOPS), place + LATE_HOPS + 1)
        window = WINDOW_HOPS * self._hop
        predicted = max(self._scale * np.max(self._windows[near]), np.max(self._least[near]))
        most = float(db_to_power(OFF_BY_DB)) * (predicted + window * self._noise_power)
        if total > max(most, self._harmless):
            self.stop = off_prediction("loud", total, predicted, end)
            return
        while self._at < len(self._spans) - 1 and place >= self._spans[self._at].end:
            self._at += 1
        span = self._spans[self._at]
        slow = float(np.sum(self._recent)) / (SLOW_HOPS * self._hop)
        if span.settled + SLOW_HOPS <= place < span.measured:
            # A narrow resonance is still building up.
            recent = float(np.mean(self._predicted[place - SLOW_HOPS + 1 : place + 1])) / self._hop
            built_up = min(1.0, recent / max(self._predicted_power(span), 1e-30))
            least = built_up * self._least_power(span)
            if slow < least / float(db_to_power(OFF_BY_DB)):
                self.stop = off_prediction("quiet", slow, least, end, QUIET_QUESTION)
        if span.half + SLOW_HOPS <= place < span.measured and span.burst.direction == "down":
            before = self._way_up_power(span) * float(db_to_power(ABOVE_WAY_UP_DB))
            if slow > before + 2.0 * self._noise_power:
                more = ", which is that on the way up"
                self.stop = off_prediction("loud", slow, before, end, more)

    def _least_power(self, span: Span) -> float:
        """Return the least that a burst should give, mean square, before OFF_BY_DB is taken off.

        0 where nothing is known.
        """
        softer = [
            item.power
            for item in self.heard
            if item.clear and item.burst.level_dbfs < span.burst.level_dbfs
        ]
        if softer or self.heard:
            return max(softer, default=0.0)
        predicted = self._predicted_power(span)
        in_notch = predicted < np.max(self._least[span.window]) / (WINDOW_HOPS * self._hop)
        clear = predicted > CLEAR_POWER * self._noise_power
        return predicted if clear and not in_notch else 0.0

    def _way_up_power(self, span: Span) -> float:
        same = [item.power for item in self.heard if item.burst.level_dbfs == span.burst.level_dbfs]
        return same[0] if same else float("inf")

    def _predicted_power(self, span: Span) -> float:
        """Return the mean square that the probe predicts for a burst's measurement."""
        return float(np.mean(self._predicted[span.window])) / self._hop

    def _measure(self, hop: FloatArray, place: int, end: int) -> None:
        span = self._spans[self._at]
        step = span.step(place)
        if step is None:
            return
        measured = self._meter.take(hop, step)
        if measured is None:
            return
        amplitudes, power = measured
        last = place == span.measured - 1
        burst = self._as_heard(span, amplitudes, max(power - self._noise_power, 1e-30))
        if last:
            self.heard.append(burst)
            if burst.clear and self._reference() is burst:
                self._scale = burst.ratio
        self.stop = self._verdict(burst, end)
        if self.stop is not None:
            self.too_high_dbfs = span.burst.level_dbfs
        elif last:
            self._foresee(end)

    def _as_heard(self, span: Span, amplitudes: FloatArray, power: float) -> BurstHeard:
        floor = self._meter.floor_power
        distortion, hidden = (float(np.sum(p[1:])) for p in (amplitudes**2, floor))
        thd = None
        if distortion > DISTORTION_CLEAR_POWER * hidden and amplitudes[0] > 0.0:
            thd = 100.0 * float(np.sqrt(distortion)) / float(amplitudes[0])
        return BurstHeard(
            burst=span.burst,
            power=power,
            ratio=power / max(self._predicted_power(span), 1e-30),
            fundamental_db=float(power_to_db(max(float(amplitudes[0]) ** 2, 1e-30))),
            thd_percent=thd,
            clear=float(amplitudes[0]) ** 2 > CLEAR_POWER * float(floor[0]),
        )

    def _reference(self) -> BurstHeard | None:
        """Return the quietest clear burst, which is the first of them."""
        return next((item for item in self.heard if item.clear), None)

    def _verdict(self, heard: BurstHeard, end: int) -> Stop | None:
        name = f"{heard.burst.frequency_hz:g} Hz at {as_given(heard.burst.level_dbfs)} dBFS"
        limit = self._limits.thd_percent
        if heard.thd_percent is not None and heard.thd_percent > limit:
            text = f"{name}: THD is {heard.thd_percent:.0f} %, the limit {limit:g} %"
            return Stop("distorted", f"{text} (--thd-limit-percent)", end)
        reference = self._reference()
        if reference is None or not heard.clear:
            return None
        lost_db = reference.fundamental_db - reference.burst.level_dbfs
        lost_db -= heard.fundamental_db - heard.burst.level_dbfs
        if lost_db > MOST_COMPRESSION_DB:
            text = f"{name}: the gain has fallen by {lost_db:.1f} dB"
            return Stop("compressed", f"{text}, {MOST_COMPRESSION_DB:g} dB is the limit", end)
        return None

    def _foresee(self, end: int) -> None:
        """Stop before the next burst, if by those so far it would pass what was confirmed."""
        clear = [item.ratio for item in self.heard if item.clear]
        was_last = len(self.heard) == len(self._spans)
        if not clear or was_last or not np.isfinite(self._limits.confirmed_power):
            return
        following = self._spans[len(self.heard)]
        power = max(clear) * self._predicted_power(following)
        over_db = float(power_to_db(power / self._limits.confirmed_power))
        if over_db > ABOVE_CONFIRMED_DB:
            level_dbfs = following.burst.level_dbfs
            self.too_high_dbfs = level_dbfs
            self.stop = Stop(
                "high",
                f"{following.burst.frequency_hz:g} Hz at {as_given(level_dbfs)} dBFS would be"
                f" {over_db:.1f} dB louder than what was confirmed",
                end,
            )


def _envelope_power(wave: FloatArray, hop: int) -> FloatArray:
    """Squared peak of each hop of a wave, or of its neighbours where it falls to a zero."""
    hops = len(wave) // hop
    peaks = np.max(np.abs(wave[: hops * hop].reshape(hops, hop)), axis=1)
    padded = np.pad(peaks, LATE_HOPS, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * LATE_HOPS + 1)
    return np.asarray(np.max(windows, axis=1) ** 2)
