"""What one sweep, a probe's or a rung's, has shown of the bench."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.capture.response import (
    BEFORE_S,
    Gain,
    Response,
    find_arrival,
    level_powers,
    measure_gain,
    measure_response,
)
from distsweep.capture.sending import Sender, Sent
from distsweep.capture.watch import HOP_S, WINDOW_HOPS
from distsweep.stimulus.sidecar import LadderStimulus, StimulusFile
from distsweep.units import FloatArray, db_to_ratio, power_to_db


@dataclass(frozen=True)
class Probed:
    """What one probe, or a rung, has shown.

    Attributes
    ----------
    response, gain : the bench's, None where the marker was not heard.
    loudest_in_dbfs : level of the recording's loudest 125 ms.
    quiet : the background, shape ``(samples,)``.
    after_reference : samples from the reference channel's arrival to the microphone's; None
        without a reference.
    """

    response: Response | None
    gain: Gain | None
    loudest_in_dbfs: float
    quiet: FloatArray
    after_reference: int | None = None

    @property
    def snr_db(self) -> float:
        """Level over that of the noise in it; −inf where it was not heard."""
        return -np.inf if self.gain is None else self.gain.snr_db

    @property
    def noise_power(self) -> float:
        """Mean square of the background."""
        return float(np.mean(self.quiet**2)) if len(self.quiet) else 0.0

    def noise_peak_power(self, rate_hz: float) -> float:
        """Mean square of the background's loudest 20 ms: rumble and hum come in waves."""
        window = round(WINDOW_HOPS * HOP_S * rate_hz)
        if len(self.quiet) < window:
            return self.noise_power
        running = np.concatenate([[0.0], np.cumsum(self.quiet**2)])
        return float(np.max(running[window:] - running[:-window])) / window

    def loudest_at_0dbfs_db(self, drive_dbfs: float) -> float:
        """Return the most that 0 dBFS may give, dBFS of the input, by a probe at a drive.

        The larger counts of what the gain says at its loudest frequency and of what was loudest
        in the recording: the loudspeaker gave no more than that.
        """
        seen_db = self.loudest_in_dbfs - drive_dbfs
        return seen_db if self.gain is None else max(seen_db, self.gain.loudest_db)


def read_sweep(sent: Sent, stimulus: LadderStimulus, file: StimulusFile, sender: Sender) -> Probed:
    """Read response, level and background off what was heard of a file's first sweep."""
    order, route = sender.order, sender.route
    rate_hz = stimulus.recipe.rate_hz
    mono = np.ascontiguousarray(sent.heard.recorded[:, route.input_channel - 1])
    loudest_dbfs = _loudest_window_dbfs(mono, rate_hz)
    if sent.follower.arrival is None:
        return Probed(None, None, loudest_dbfs, mono[: file.start_marker_sample])
    offset = sent.follower.arrival - file.start_marker_sample
    rung, sweep = file.rungs[0], stimulus.sweep
    wave = db_to_ratio(rung.drive_dbfs) * sweep.waveform()
    first = rung.start_sample + offset - round(BEFORE_S * rate_hz)
    next_start = file.rungs[1].start_sample if len(file.rungs) > 1 else file.end_marker_sample
    quiet = mono[file.quiet_samples[0] + offset : file.quiet_samples[1] + offset]
    response = measure_response(mono[first : next_start + offset], quiet, wave, rate_hz=rate_hz)
    gain = measure_gain(
        response,
        swept_hz=(sweep.full_from_hz, sweep.full_to_hz),
        level_band_hz=order.conditions.averaged_hz,
        correction_db=order.calibration.correction_db,
        drive_ratio=sweep.drive_ratio,
    )
    after_reference = None
    if route.loopback_channel is not None:
        chirp, early = stimulus.marker.waveform(), rate_hz // 100
        begin = max(0, sent.follower.arrival - early)
        heard = mono[begin : begin + len(chirp) + rate_hz // 10]
        after_reference = begin + find_arrival(heard, chirp)[0] - sent.follower.arrival
    return Probed(response, gain, loudest_dbfs, quiet, after_reference)


def _loudest_window_dbfs(mono: FloatArray, rate_hz: float) -> float:
    return float(power_to_db(max(2.0 * float(np.max(level_powers(mono, rate_hz=rate_hz))), 1e-30)))
