"""What the waiting thread does while something plays: find the marker, show the progress."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from distsweep.capture.backend import Route
from distsweep.capture.conversation import Conversation, Heard
from distsweep.capture.interrupts import Pending
from distsweep.capture.response import (
    DRIFT_SAMPLES,
    LEAST_MATCH,
    Response,
    find_arrival,
    find_delay,
)
from distsweep.capture.watch import OFF_BY_DB, Stop
from distsweep.stimulus.sidecar import Stimulus, StimulusFile
from distsweep.units import FloatArray, db_to_power, db_to_ratio, power_to_db
from distsweep.words.wording import signed, with_sign

LONGEST_DELAY_S = 3.2
"""The first probe's markers are looked for up to this delay (chosen: sound over a network is
late by 2 s or so)."""

DELAY_FITS_S = 0.3
"""A marker counts only if its delay differs by less than this from that of the one before (chosen:
streams that are opened anew start up to 0.2 s apart)."""

TORN_SHARE = 0.5
"""Both markers of a whole recording match about equally well. A place that matches less than this
share of the best is no marker but a side lobe of one: samples were lost (chosen)."""

BEFORE_STOP_S = 0.05
"""Length before a stop that is not searched for the marker (chosen: what was too loud may have
begun in it)."""

SHOWN_EVERY_S = 0.25
"""Interval at which progress is shown (chosen)."""


@dataclass(frozen=True)
class Scale:
    """How levels are shown: what is added to dBFS of the input, and the unit."""

    offset_db: float
    unit: str

    def of_power(self, power: float) -> float:
        """Return the level of a mean square (a full-scale sine has ½)."""
        return float(power_to_db(max(2.0 * power, 1e-30))) + self.offset_db


class Follower:
    """Follows one sending.

    Attributes
    ----------
    arrival : recorded sample at which the marker arrived; None until it was found.
    match : how alike it was, 0…1.
    torn : both markers of a first probe are heard, but not as far apart as they were sent:
        samples were lost.
    lead : samples by which the output was ahead of the input, at most.
    """

    def __init__(
        self,
        stimulus: Stimulus,
        file: StimulusFile,
        *,
        name: str,
        marker_response: Response | None,
        noise_power: float,
        scale: Scale,
        pending: Pending,
        show: Callable[[str], None],
        delay: int | None,
    ) -> None:
        """Prepare; without ``marker_response`` the marker's level is not judged.

        ``delay``, in samples, is that of the marker before; None where there was none: both
        markers are then looked for once all was played.
        """
        self.arrival: int | None = None
        self.match = 0.0
        self.torn = False
        self.lead = 0
        self._stimulus = stimulus
        self._file = file
        self._name = name
        self._response = marker_response
        self._noise_power = noise_power
        self._scale = scale
        self._pending = pending
        self._show = show
        self._delay = delay
        self._looked = False
        self._shown_at = 0
        self._chirp = stimulus.marker.waveform()

    def tick(self, conversation: Conversation) -> None:
        """Look around once."""
        self.lead = max(self.lead, conversation.sent - conversation.count)
        self._pending.at_once(
            lambda: conversation.halt(Stop("interrupted", "stopped by hand", conversation.count))
        )
        rate_hz = self._stimulus.recipe.rate_hz
        if not self._looked and self._delay is not None:
            self._align(conversation, self._file.start_marker_sample + self._delay)
        if conversation.count - self._shown_at >= SHOWN_EVERY_S * rate_hz:
            self._shown_at = conversation.count
            self._show(self._progress(conversation))

    def find(self, recorded: FloatArray, route: Route) -> None:
        """Find a first probe's markers in its whole recording, shape ``(frames, channels)``."""
        heard = _timing_channel(recorded, route)
        delay, match = find_delay(
            heard,
            self._chirp,
            played_at=(self._file.start_marker_sample, self._file.end_marker_sample),
            longest=round(LONGEST_DELAY_S * route.rate_hz),
        )
        best_match = find_arrival(heard, self._chirp)[1]
        self.torn = best_match >= 2.0 * LEAST_MATCH and match < TORN_SHARE * best_match
        if match >= LEAST_MATCH and not self.torn:
            self.match = match
            self.arrival = self._file.start_marker_sample + delay

    def check_end(self, recorded: FloatArray, route: Route) -> None:
        """Look for the end marker where the start marker says that it must be."""
        if self.arrival is None or self.match < 2.0 * LEAST_MATCH:
            return
        end = self.arrival + self._file.end_marker_sample - self._file.start_marker_sample
        around = recorded[max(0, end - DRIFT_SAMPLES) : end + len(self._chirp) + DRIFT_SAMPLES]
        match = find_arrival(_timing_channel(around, route), self._chirp)[1]
        self.torn = match < TORN_SHARE * self.match

    def likely_arrival(self, heard: Heard, route: Route) -> int | None:
        """Return where the start marker is, also in a first recording that was cut short.

        What came just before the stop is left out: it drowns a marker that went well.
        """
        if self.arrival is not None or heard.stop is None or heard.stop.sample is None:
            return self.arrival
        before = max(0, heard.stop.sample - round(BEFORE_STOP_S * route.rate_hz))
        place, match = find_arrival(_timing_channel(heard.recorded[:before], route), self._chirp)
        return place if match >= LEAST_MATCH else None

    def _align(self, conversation: Conversation, expected: int) -> None:
        """Find the marker near where it is expected; from the loop-back channel, if any."""
        route = conversation.route
        reach = round(DELAY_FITS_S * route.rate_hz)
        first, last = max(0, expected - reach), expected + len(self._chirp) + reach
        if conversation.count < last:
            return
        self._looked = True
        heard = conversation.mono[: conversation.count]
        reference = heard
        if route.loopback_channel is not None:
            column = conversation.all_channels[: conversation.count, route.loopback_channel - 1]
            reference = column.astype(np.float64)
        place, match = find_arrival(reference[first:last], self._chirp)
        if match < LEAST_MATCH:
            return
        self.match = match
        self.arrival = first + place
        self._judge_marker(conversation, heard)
        conversation.watch.sweep_at = (
            self.arrival + self._file.first_sample - self._file.start_marker_sample
        )

    def _judge_marker(self, conversation: Conversation, heard: FloatArray) -> None:
        """A gain that was touched since the probe shows here, before the loud sweep starts."""
        if self._response is None or self.arrival is None:
            return
        chirp = db_to_ratio(self._stimulus.marker.level_dbfs) * self._chirp
        predicted = float(np.mean(self._response.predict(chirp) ** 2))
        actual = float(np.mean(heard[self.arrival : self.arrival + len(chirp)] ** 2))
        off_db = float(power_to_db(actual / max(predicted, 1e-30)))
        if actual > db_to_power(OFF_BY_DB) * (predicted + self._noise_power):
            conversation.halt(
                Stop(
                    "loud",
                    f"the marker is heard {with_sign(off_db)} dB re the prediction",
                    conversation.count,
                )
            )
        elif actual < predicted / db_to_power(OFF_BY_DB):
            conversation.halt(
                Stop(
                    "quiet",
                    f"the marker is heard {with_sign(off_db)} dB re the prediction: has something"
                    " come loose, or was a gain lowered?",
                    conversation.count,
                )
            )

    def _progress(self, conversation: Conversation) -> str:
        left_s = max(0, self._file.samples - conversation.sent) / self._stimulus.recipe.rate_hz
        measured_db = self._scale.of_power(conversation.watch.level_power())
        text = f"{self._name}: {left_s:.1f} s to go, measured {signed(measured_db)}"
        expected = conversation.watch.expected_power()
        if expected is not None:
            text += f", predicted {signed(self._scale.of_power(expected))}"
        return f"{text} {self._scale.unit}"


def _timing_channel(recorded: FloatArray, route: Route) -> FloatArray:
    """Return the channel in which markers are looked for: the loop-back's, if there is one."""
    channel = route.loopback_channel or route.input_channel
    return np.ascontiguousarray(recorded[:, channel - 1])
