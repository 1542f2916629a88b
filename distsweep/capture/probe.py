"""The quiet probe: is the microphone alive, is it the right channel, how loud is full scale?"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from distsweep.capture.gate import START_LEVEL_DBFS, Heard
from distsweep.capture.keeping import log
from distsweep.capture.levels import LARGEST_RISE_DB
from distsweep.capture.response import (
    BEFORE_S,
    LEAST_MATCH,
    Gain,
    Response,
    find_arrival,
    measure_gain,
    measure_response,
)
from distsweep.capture.safeguards import PROBE_DBFS, PROBE_SPL_DB, Licence, probe_licence
from distsweep.capture.sending import TRIES, Order, Sender, Sent, raise_stop
from distsweep.capture.watch import HOP_S, OFF_BY_DB, WINDOW_HOPS, Watch
from distsweep.errors import DeviceError
from distsweep.stimulus.layout import lay_out
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import LadderStimulus, StimulusFile
from distsweep.stimulus.sweep import shortest_sweep_s
from distsweep.takes.recording import SILENT_PEAK
from distsweep.units import FloatArray, db_to_power, db_to_ratio, power_to_db

PROBE_SWEEP_S = 3.0
PROBE_QUIET_S = 0.7
PROBE_PAUSE_S = 0.3
"""A probe is short: a sweep of at most 3 s, silences that just do."""

ENOUGH_SNR_DB = 25.0
"""A probe this far above the background needs no louder one (chosen: levels read from it are
then right within 0.5 dB)."""

LEAST_SNR_DB = 10.0
"""Below this even the loudest probe allowed is not believed (chosen: 2.5 dB of error)."""


@dataclass(frozen=True)
class Probed:
    """What one probe, or a rung, has shown.

    Attributes
    ----------
    response, gain : the bench's, None where the marker was not heard.
    loudest_in_dbfs : level of the recording's loudest 20 ms.
    quiet : the background, shape ``(samples,)``.
    """

    response: Response | None
    gain: Gain | None
    loudest_in_dbfs: float
    quiet: FloatArray

    @property
    def noise_power(self) -> float:
        """Mean square of the background."""
        return float(np.mean(self.quiet**2)) if len(self.quiet) else 0.0


def probe_stimulus(recipe: LadderRecipe, drive_dbfs: float) -> LadderStimulus:
    """Lay out a short sweep over the recipe's band at one drive, markers no louder."""
    shortest_s = shortest_sweep_s(rate_hz=recipe.rate_hz, band_hz=recipe.band_hz)
    return lay_out(
        dataclasses.replace(
            recipe,
            name="probe",
            sweep_s=max(shortest_s, min(recipe.sweep_s, PROBE_SWEEP_S)),
            levels_dbfs=(drive_dbfs,),
            quiet_s=PROBE_QUIET_S,
            pause_s=PROBE_PAUSE_S,
            return_rung=False,
            repeats=1,
        ),
        split=True,
    )


def read_sweep(sent: Sent, stimulus: LadderStimulus, file: StimulusFile, sender: Sender) -> Probed:
    """Read response, level and background off what was heard of a file's first sweep."""
    order = sender.order
    rate_hz = stimulus.recipe.rate_hz
    mono = np.ascontiguousarray(sent.heard.recorded[:, sender.route.input_channel - 1])
    loudest_dbfs = _loudest_window_dbfs(mono, rate_hz)
    if sent.follower.arrival is None:
        return Probed(None, None, loudest_dbfs, mono[: file.start_marker_sample])
    offset = sent.follower.arrival - file.start_marker_sample
    rung, sweep = file.rungs[0], stimulus.sweep
    wave = db_to_ratio(rung.drive_dbfs) * sweep.waveform()
    first = rung.start_sample + offset - round(BEFORE_S * rate_hz)
    quiet = mono[file.quiet_samples[0] + offset : file.quiet_samples[1] + offset]
    response = measure_response(
        mono[first : first + len(wave) + rate_hz // 3], quiet, wave, rate_hz=rate_hz
    )
    gain = measure_gain(
        response,
        swept_hz=(sweep.full_from_hz, sweep.full_to_hz),
        level_band_hz=order.conditions.level_band_hz,
        correction_db=order.calibration.correction_db,
        drive_ratio=sweep.spared_ratio,
    )
    return Probed(response, gain, loudest_dbfs, quiet)


def next_probe_dbfs(
    drive_dbfs: float | None,
    probed: Probed | None,
    *,
    spl_at_0dbfs_in_db: float | None,
    first_rung_dbfs: float | None,
) -> float | None:
    """Return the next probe's drive; None when the last will do, or is the loudest allowed.

    A probe will do when it stands clear of the background and the first rung (None where its
    drive is not known yet) is at most one rise above it.

    Nothing is ever more than LARGEST_RISE_DB louder than the probe before, than PROBE_DBFS,
    or, by what that one has shown, than PROBE_SPL_DB.
    """
    if drive_dbfs is None or probed is None:
        return START_LEVEL_DBFS
    clear = probed.gain is not None and probed.gain.snr_db >= ENOUGH_SNR_DB
    if clear and first_rung_dbfs is not None and first_rung_dbfs - drive_dbfs <= LARGEST_RISE_DB:
        return None
    limit_dbfs = min(drive_dbfs + LARGEST_RISE_DB, PROBE_DBFS)
    loudest_db = loudest_at_0dbfs_db(drive_dbfs, probed, spl_at_0dbfs_in_db)
    if loudest_db is not None:
        limit_dbfs = min(limit_dbfs, PROBE_SPL_DB - loudest_db)
    return limit_dbfs if limit_dbfs >= drive_dbfs + 1.0 else None


def loudest_at_0dbfs_db(
    drive_dbfs: float, probed: Probed, spl_at_0dbfs_in_db: float | None
) -> float | None:
    """Return the most, in dB SPL, that full scale may give by what a probe has shown.

    Where the marker was not heard, whatever was loudest in the recording stands for it: the
    loudspeaker gave no more. None while uncalibrated.
    """
    if spl_at_0dbfs_in_db is None:
        return None
    seen_dbfs = probed.loudest_in_dbfs - drive_dbfs
    if probed.gain is not None:
        seen_dbfs = probed.gain.loudest_db
    return seen_dbfs + spl_at_0dbfs_in_db


def check_alive(heard: Heard, stimulus: LadderStimulus, *, channel: int) -> None:
    """Make sure that there is a microphone at all, before it is probed any louder.

    Raises
    ------
    DeviceError
        The channel delivers digital silence.
    """
    mono = heard.recorded[:, channel - 1]
    if float(np.max(np.abs(mono), initial=0.0)) < SILENT_PEAK:
        raise DeviceError(
            f"input channel {channel} is dead silent: is the microphone plugged in, its supply"
            f" on, and the input not muted?{_heard_elsewhere(heard, stimulus)}"
        )


def _heard_elsewhere(heard: Heard, stimulus: LadderStimulus) -> str:
    """Name the input channel that does hear the loudspeaker, if there is one."""
    chirp = stimulus.marker.waveform()
    matches = [find_arrival(column, chirp)[1] for column in heard.recorded.T]
    better = [i + 1 for i, match in enumerate(matches) if match >= 2.0 * LEAST_MATCH]
    return f"; channel {better[0]} hears it: --input-channel {better[0]}?" if better else ""


def check_heard(heard: Heard, probed: Probed, stimulus: LadderStimulus, *, channel: int) -> None:
    """Make sure that the last and loudest probe was heard on the right channel.

    Raises
    ------
    DeviceError
        It was not; the message says what to look at.
    """
    elsewhere = _heard_elsewhere(heard, stimulus)
    if probed.gain is None:
        raise DeviceError(
            f"the microphone does not hear the loudspeaker on input channel {channel}: check"
            f" cables, channels, the loudspeaker's volume and the input gain{elsewhere}"
        )
    if probed.gain.snr_db < LEAST_SNR_DB:
        raise DeviceError(
            f"the probe stands only {probed.gain.snr_db:.0f} dB above the background at the"
            " loudest that is allowed: turn the loudspeaker or the input gain up, or find a"
            " quieter place"
        )


def _loudest_window_dbfs(mono: FloatArray, rate_hz: float) -> float:
    hop = round(WINDOW_HOPS * HOP_S * rate_hz)
    hops = len(mono) // hop
    if not hops:
        return -np.inf
    power = np.mean(mono[: hops * hop].reshape(hops, hop) ** 2, axis=1)
    return float(power_to_db(max(2.0 * float(np.max(power)), 1e-30)))


def run_probe(sender: Sender) -> tuple[Probed, float]:
    """Probe louder and louder, within a probe's limits, until the bench is heard clearly.

    Returns
    -------
    What the last probe has shown, and its drive in dBFS.

    Raises
    ------
    DeviceError
        The microphone does not hear the loudspeaker, or the device failed.
    SafetyRefusal
        Something was louder than a probe may be, or clipped.
    """
    in_spl_db = sender.order.spl_at_0dbfs_in_db
    drive_dbfs, probed, sent, stimulus = START_LEVEL_DBFS, None, None, None
    asked_dbfs = next_probe_dbfs(None, None, spl_at_0dbfs_in_db=in_spl_db, first_rung_dbfs=None)
    while asked_dbfs is not None:
        known_db = None
        if probed is not None:
            known_db = loudest_at_0dbfs_db(drive_dbfs, probed, in_spl_db)
        licence = probe_licence(asked_dbfs, spl_at_0dbfs_db=known_db)
        drive_dbfs = asked_dbfs
        stimulus = probe_stimulus(sender.order.probe_recipe, drive_dbfs)
        sent = _play_probe(sender, stimulus, licence, drive_dbfs)
        check_alive(sent.heard, stimulus, channel=sender.route.input_channel)
        probed = read_sweep(sent, stimulus, stimulus.files[0], sender)
        _report(sender, probed, drive_dbfs)
        asked_dbfs = next_probe_dbfs(
            drive_dbfs,
            probed,
            spl_at_0dbfs_in_db=in_spl_db,
            first_rung_dbfs=_first_rung_dbfs(sender.order, probed),
        )
    assert probed is not None and sent is not None and stimulus is not None
    check_heard(sent.heard, probed, stimulus, channel=sender.route.input_channel)
    return probed, drive_dbfs


def _first_rung_dbfs(order: Order, probed: Probed) -> float | None:
    """Return the drive of the first rung asked for, as far as a probe has shown it."""
    if order.levels_spl_db is None:
        return (order.drives_dbfs or order.stimulus.recipe.levels_dbfs)[0]
    if probed.gain is None or order.spl_at_0dbfs_in_db is None:
        return None
    return order.levels_spl_db[0] - probed.gain.band_db - order.spl_at_0dbfs_in_db


def _play_probe(
    sender: Sender, stimulus: LadderStimulus, licence: Licence, drive_dbfs: float
) -> Sent:
    in_spl_db = sender.order.spl_at_0dbfs_in_db
    loudest_power = np.inf
    if in_spl_db is not None:
        loudest_power = 0.5 * float(db_to_power(PROBE_SPL_DB + OFF_BY_DB - in_spl_db))
    trouble = ""
    for _ in range(TRIES):
        watch = Watch(rate_hz=sender.route.rate_hz, loudest_power=loudest_power, expected=None)
        sent = sender.send(
            stimulus,
            stimulus.files[0],
            licence,
            watch,
            name=f"probe at {drive_dbfs:.0f} dBFS",
            kept_as=f"{sender.files.name}-probe",
        )
        stop = sent.heard.stop
        if stop is None:
            return sent
        if stop.kind != "dropout":
            raise_stop(stop)
        trouble = stop.message
    raise DeviceError(
        f"drop-outs have spoilt the probe {TRIES} times ({trouble}): close other programs,"
        " or choose another device"
    )


def _report(sender: Sender, probed: Probed, drive_dbfs: float) -> None:
    scale = sender.order.scale
    level = "not heard"
    if probed.gain is not None:
        level_db = probed.gain.band_db + drive_dbfs + scale.offset_db
        level = (
            f"{level_db:.1f} {scale.unit}, {probed.gain.snr_db:.0f} dB above what the background"
            f" leaves in it; background {scale.of_power(probed.noise_power):.1f} {scale.unit}"
        )
    sender.screen.tell(f"probe at {drive_dbfs:.1f} dBFS: {level}")
    log(sender.files.folder, "probe", drive_dbfs=drive_dbfs, found=level)
