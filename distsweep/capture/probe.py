"""The quiet probe: is the microphone alive, is it the right channel, how loud is full scale?"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np

from distsweep.capture.asker import Asker
from distsweep.capture.backend import Route
from distsweep.capture.belief import WORST_SPL_AT_0DBFS_DB, Belief
from distsweep.capture.conversation import Heard
from distsweep.capture.dropouts import LostSamples
from distsweep.capture.follow import LONGEST_DELAY_S
from distsweep.capture.gate import START_LEVEL_DBFS
from distsweep.capture.keeping import log
from distsweep.capture.levels import LARGEST_RISE_DB
from distsweep.capture.pace import now_s
from distsweep.capture.plausible import check_air, check_background, check_reference
from distsweep.capture.probed import Probed, read_sweep
from distsweep.capture.resampled import resampling_warning
from distsweep.capture.response import LEAST_MATCH, find_delay
from distsweep.capture.safeguards import (
    ASK_ABOVE_SPL_DB,
    PROBE_DBFS,
    Licence,
    SplCeiling,
    probe_licence,
    probe_limit_spl_db,
    vouch,
)
from distsweep.capture.sending import TRIES, Sender, Sent, raise_stop, spoilt
from distsweep.capture.watch import OFF_BY_DB, OVER_DB, Watch
from distsweep.errors import DeviceError
from distsweep.stimulus.layout import lay_out
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import LadderStimulus
from distsweep.stimulus.sweep import shortest_sweep_s
from distsweep.takes.recording import SILENT_PEAK
from distsweep.words.wording import as_given, signed

PROBE_SWEEP_S = 3.0
PROBE_QUIET_S = 0.7
PROBE_PAUSE_S = 0.3
"""Longest sweep of a probe, and its silences (chosen: short, because a probe is repeated after
every wait)."""

QUIETEST_PROBE_DBFS = -75.0
"""A probe that was too loud is repeated softer, but not if its drive was this low or lower
(chosen)."""

REPEATED_SOFTER = 2
"""Times that a probe that was too loud is repeated softer; then something else is wrong
(chosen)."""

ENOUGH_SNR_DB = 25.0
"""A probe this far above the background needs no louder one (chosen: levels read from it are
then right within 0.5 dB)."""

LEAST_SNR_DB = 4.0
"""Below this even the loudest probe allowed is not believed (chosen: the noise is taken off, and a
level over a band of octaves is right within 1 dB; single frequencies read up to 4 dB high)."""


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


def next_probe_dbfs(
    drive_dbfs: float,
    probed: Probed,
    belief: Belief,
    *,
    limit_spl_db: float,
    first_rung_dbfs: float | None,
) -> float | None:
    """Return the next probe's drive; None when the last will do, or is the loudest allowed.

    A probe will do when it stands clear of the background and the first rung (None where its
    drive is not known yet) is at most one rise above it. Nothing is ever more than
    LARGEST_RISE_DB louder than the probe before, than PROBE_DBFS, or, at worst, than
    ``limit_spl_db`` (dB SPL).
    """
    clear = probed.gain is not None and probed.gain.snr_db >= ENOUGH_SNR_DB
    if clear and first_rung_dbfs is not None and first_rung_dbfs - drive_dbfs <= LARGEST_RISE_DB:
        return None
    worst_db = belief.worst_spl_db(drive_dbfs, probed.loudest_at_0dbfs_db(drive_dbfs))
    next_dbfs = min(drive_dbfs + LARGEST_RISE_DB, PROBE_DBFS, drive_dbfs + limit_spl_db - worst_db)
    return next_dbfs if next_dbfs >= drive_dbfs + 1.0 else None


def check_alive(heard: Heard, *, channel: int) -> None:
    """Make sure that there is a microphone at all.

    Raises
    ------
    DeviceError
        The channel delivers digital silence.
    """
    mono = heard.recorded[:, channel - 1]
    if float(np.max(np.abs(mono), initial=0.0)) < SILENT_PEAK:
        raise DeviceError(
            f"input channel {channel} is dead silent: is the microphone plugged in, its supply"
            " on, and the input not muted?"
        )


def check_channel(heard: Heard, stimulus: LadderStimulus, route: Route) -> None:
    """Make sure, where a probe was not heard, that no other channel has heard it.

    Raises
    ------
    DeviceError
        Another one has; it is named.
    """
    chirp, file = stimulus.marker.waveform(), stimulus.files[0]
    for channel in range(1, heard.recorded.shape[1] + 1):
        if channel in (route.input_channel, route.loopback_channel):
            continue
        match = find_delay(
            np.ascontiguousarray(heard.recorded[:, channel - 1]),
            chirp,
            played_at=(file.start_marker_sample, file.end_marker_sample),
            longest=round(LONGEST_DELAY_S * route.rate_hz),
        )[1]
        if match >= 2.0 * LEAST_MATCH:
            raise DeviceError(
                f"input channel {route.input_channel} does not hear the loudspeaker; channel"
                f" {channel} hears it: --input-channel {channel}?"
            )


def check_heard(probed: Probed, *, channel: int) -> None:
    """Make sure that the last and loudest probe was heard well enough.

    Raises
    ------
    DeviceError
        It was not; the message says what to look at.
    """
    if probed.gain is None:
        raise DeviceError(
            f"the microphone does not hear the loudspeaker on input channel {channel}: check"
            " cables, channels, the loudspeaker's volume and the input gain"
        )
    if probed.gain.snr_db < LEAST_SNR_DB:
        raise DeviceError(
            f"the probe stands only {probed.gain.snr_db:.0f} dB above the background noise at the"
            " loudest that is allowed: turn the loudspeaker or the input gain up, or find a"
            " quieter place"
        )


class Prober:
    """Plays the probes of one capture.

    Attributes
    ----------
    drive_dbfs : of the last probe that went well.
    probed : what it has shown.
    played : its layout, and what came of sending it.
    """

    def __init__(self, sender: Sender, recipe: LadderRecipe, ceiling: SplCeiling) -> None:
        """Prepare; nothing sounds. ``recipe`` gives band, rate and sweep."""
        self._sender = sender
        self._recipe = recipe
        self._ceiling = ceiling
        self._vouched = False
        self._too_loud_dbfs = math.inf
        self._repeated = 0
        self.probed: Probed | None = None
        self.played: tuple[LadderStimulus, Sent] | None = None
        self.drive_dbfs = min(START_LEVEL_DBFS, self._limit_db - WORST_SPL_AT_0DBFS_DB)

    @property
    def _limit_db(self) -> float:
        return probe_limit_spl_db(self._ceiling, vouched=self._vouched)

    def run(self, asker: Asker, first_rung_dbfs: Callable[[Probed], float | None]) -> Probed:
        """Probe louder and louder, within a probe's limits, until the bench is heard clearly.

        Where the loudest that may sound unasked shows too little, somebody vouches for it before
        it gets louder.

        Raises
        ------
        DeviceError
            The microphone does not hear the loudspeaker, or the device failed.
        SafetyRefusal
            Something was louder than a probe may be, clipped, or cannot be.
        """
        belief = self._sender.order.belief
        next_dbfs: float | None = self.drive_dbfs
        while next_dbfs is not None:
            probed = self.play(next_dbfs)
            too_weak = probed.snr_db < LEAST_SNR_DB
            for _ in range(2):
                next_dbfs = next_probe_dbfs(
                    self.drive_dbfs,
                    probed,
                    belief,
                    limit_spl_db=self._limit_db,
                    first_rung_dbfs=first_rung_dbfs(probed),
                )
                if next_dbfs is not None and next_dbfs >= self._too_loud_dbfs:
                    next_dbfs = None
                louder_could_do = self.drive_dbfs < PROBE_DBFS - 1.0 and not self._vouched
                if next_dbfs is not None or not (too_weak and louder_could_do):
                    break
                if probed.gain is None and not asker.is_terminal():
                    break  # nothing to vouch for: it was not heard
                self._ask_for_more(asker, probed)
        check_heard(probed, channel=self._sender.route.input_channel)
        resampled = resampling_warning(probed.quiet, rate_hz=self._recipe.rate_hz)
        if resampled is not None:
            self._sender.screen.tell(f"warning: {resampled}")
        return probed

    def again(self) -> Probed:
        """Play the last probe once more, softer if by what it has shown it was at its limit."""
        assert self.probed is not None
        heard_db = self.probed.loudest_at_0dbfs_db(self.drive_dbfs)
        worst_db = self._sender.order.belief.worst_spl_db(self.drive_dbfs, heard_db)
        probed = self.play(self.drive_dbfs + min(0.0, self._limit_db - worst_db))
        check_heard(probed, channel=self._sender.route.input_channel)
        return probed

    def play(self, drive_dbfs: float) -> Probed:
        """Play one probe and look at what it shows."""
        sender, began_s = self._sender, now_s()
        heard_db = None
        if self.probed is not None:
            heard_db = self.probed.loudest_at_0dbfs_db(self.drive_dbfs)
        licence = probe_licence(
            drive_dbfs,
            worst_spl_db=sender.order.belief.worst_spl_db(drive_dbfs, heard_db),
            ceiling=self._ceiling,
            vouched=self._vouched,
        )
        stimulus = probe_stimulus(self._recipe, drive_dbfs)
        sent = self._send(stimulus, licence, drive_dbfs)
        stop = sent.heard.stop
        softer = drive_dbfs > QUIETEST_PROBE_DBFS and self._repeated < REPEATED_SOFTER
        if stop is not None and stop.kind == "loud" and softer:
            self._repeated += 1
            self._too_loud_dbfs = min(self._too_loud_dbfs, drive_dbfs)
            sender.screen.tell(f"{stop.message}; the probe is repeated 10 dB softer")
            return self.play(drive_dbfs - LARGEST_RISE_DB)
        if stop is not None:
            raise_stop(stop)
        check_alive(sent.heard, channel=sender.route.input_channel)
        probed = read_sweep(sent, stimulus, stimulus.files[0], sender)
        _report(sender, probed, drive_dbfs)
        self._check(sent, stimulus, probed)
        self.probed, self.drive_dbfs, self.played = probed, drive_dbfs, (stimulus, sent)
        sender.pace.probe_s = now_s() - began_s
        return probed

    def _check(self, sent: Sent, stimulus: LadderStimulus, probed: Probed) -> None:
        """Refuse a probe that its background, its channel, its response or its delay belies."""
        check_background(probed.quiet, self._sender.order.belief)
        if probed.response is None or probed.gain is None:
            check_channel(sent.heard, stimulus, self._sender.route)
            return
        check_air(probed.response, probed.gain)
        if probed.after_reference is not None:
            check_reference(probed.after_reference)

    def _ask_for_more(self, asker: Asker, probed: Probed) -> None:
        if probed.gain is None:
            asker.tell(
                "The microphone does not hear the probe: check cables, channels, the loudspeaker's"
                " volume and the input gain first, and say no if any is wrong."
            )
        asker.tell(
            f"The probe at {as_given(self.drive_dbfs)} dBFS shows too little, and may be as loud"
            f" already as a probe may be ({self._sender.order.belief.origin}): louder ones, up to"
            f" {ASK_ABOVE_SPL_DB:g} dB SPL at worst, are played if you vouch for it."
        )
        order = self._sender.order
        vouch(asker, calibrated_gain=order.calibrated_gain, gain_said=order.gain_said)
        self._vouched = True

    def _send(self, stimulus: LadderStimulus, licence: Licence, drive_dbfs: float) -> Sent:
        """Send a probe, and again if samples were lost; its recording is part of no take."""
        try:
            return self._send_whole(stimulus, licence, drive_dbfs)
        finally:
            self._sender.files.partial = None

    def _send_whole(self, stimulus: LadderStimulus, licence: Licence, drive_dbfs: float) -> Sent:
        sender, trouble = self._sender, ""
        lost = LostSamples(sender.route.rate_hz)
        belief = sender.order.belief
        for _ in range(TRIES):
            watch = Watch(
                rate_hz=sender.route.rate_hz,
                loudest_power=belief.power_at(self._limit_db + OFF_BY_DB),
                level_power=belief.power_at(self._limit_db + OVER_DB, at_worst=True),
                expected=None,
            )
            sent = sender.send(
                stimulus,
                stimulus.files[0],
                licence,
                watch,
                name=f"probe at {signed(drive_dbfs, 0)} dBFS",
                kept_as=f"{sender.files.name}-probe",
            )
            stop = sent.heard.stop
            if stop is None and sent.follower.torn:
                trouble = "samples were lost between its markers"
            elif stop is None or stop.kind != "dropout":
                return sent
            else:
                trouble = stop.message
            lost.add(sent.heard.dropouts, buffer_s=sent.buffer_s)
        raise spoilt("the probe", trouble, lost)


def _report(sender: Sender, probed: Probed, drive_dbfs: float) -> None:
    scale = sender.order.scale
    level = "not heard"
    if probed.gain is not None:
        level_db = probed.gain.band_db + drive_dbfs + scale.offset_db
        level = (
            f"{signed(level_db)} {scale.unit}, {probed.gain.snr_db:.0f} dB above what the"
            " background noise leaves in it; background noise"
            f" {signed(scale.of_power(probed.noise_power))} {scale.unit}"
        )
    sender.screen.tell(f"probe at {signed(drive_dbfs)} dBFS: {level}")
    gain_db = None if probed.gain is None else round(probed.gain.band_db, 3)
    log(sender.files.folder, "probe", drive_dbfs=drive_dbfs, found=level, gain_db=gain_db)
