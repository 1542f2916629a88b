"""Playing a staircase: one tone after another, each watched, kept and checked before the next."""

from __future__ import annotations

import dataclasses

from distsweep.capture.announcement import Announcement
from distsweep.capture.burst_watch import TONE_STOPS, BurstHeard, BurstLimits, BurstWatch
from distsweep.capture.consent import Consent
from distsweep.capture.conversation import Heard
from distsweep.capture.drift import Drifts
from distsweep.capture.dropouts import LostSamples
from distsweep.capture.keeping import log
from distsweep.capture.noted_dose import note_exposures, played_before
from distsweep.capture.probe import Prober
from distsweep.capture.sending import TRIES, Order, Sender, Sent, raise_stop, spoilt
from distsweep.capture.stairs_layout import (
    check_playable,
    check_start,
    lowered,
    playable_recipe,
    requested_dbfs,
    with_longer_rests,
)
from distsweep.capture.stairs_plan import plan_stairs
from distsweep.capture.take import file_number
from distsweep.capture.watch import OFF_BY_DB, OVER_DB, Stop
from distsweep.errors import InputError, SafetyRefusal
from distsweep.stimulus.sidecar import StaircaseStimulus, StimulusFile
from distsweep.stimulus.staircase_recipe import StaircaseRecipe
from distsweep.takes.placement import place_stimulus
from distsweep.takes.recording import read_recording
from distsweep.units import db_to_power
from distsweep.words.wording import as_given, signed, with_sign

LOWERED_AT_MOST = 3
"""Times that a tone that was stopped is played again, lower (chosen: each drops one level at
least; what still fails then is not a matter of its level)."""


def check_order(order: Order) -> None:
    """Refuse a staircase that capture cannot play, before anything sounds.

    Raises
    ------
    InputError
        See ``check_playable``.
    """
    recipe = order.stimulus.recipe
    if isinstance(recipe, StaircaseRecipe):
        check_playable(recipe, order.drives_dbfs or recipe.levels_dbfs, recipe.name)


class Stairs:
    """Plays the tones of one plan.

    ``stimulus`` is how they are laid out; what was stopped changes it.
    """

    def __init__(self, sender: Sender, prober: Prober, consent: Consent) -> None:
        """Take a bench that has been probed; ``settle`` comes next."""
        self._sender = sender
        self._prober = prober
        self._consent = consent
        self._drifts = Drifts()
        self._lost: dict[str, LostSamples] = {}
        self._plan_now()

    def settle(self) -> None:
        """Plan the staircase by the probe, and have it confirmed.

        Raises
        ------
        SafetyRefusal, DeviceError, InputError, KeyboardInterrupt
            As ``capture``.
        """
        order = self._sender.order

        def announcement() -> Announcement:
            self._plan_now()
            return self._plan.announcement(
                earlier=played_before(order.folder),
                calibrated_gain=order.calibrated_gain,
                gain_said=order.gain_said,
                latency=self._sender.latency(),
                seconds=self._sender.ahead_s(self._wanted(), judged=False),
                probe_s=self._sender.pace.probe_s,
            )

        self._licence = self._consent.settle(announcement)
        assert isinstance(order.stimulus, StaircaseStimulus)
        rest_s, requested_s = self._plan.recipe.rest_s, order.stimulus.recipe.rest_s
        if rest_s > requested_s:
            self._sender.screen.tell(
                f"rests take {rest_s:.2f} s, not {requested_s:g}: each burst is judged"
                f" before the next, and heard {self._sender.round_trip_s:.2f} s after it was sent"
            )

    def _plan_now(self) -> None:
        """Lay the staircase out by what the last probe has shown."""
        order, probed = self._sender.order, self._prober.probed
        assert isinstance(order.stimulus, StaircaseStimulus)
        assert probed is not None and probed.gain is not None and probed.response is not None
        begun, round_trip_s = self._sender.files.begun, self._sender.round_trip_s
        requested = order.drives_dbfs or order.stimulus.recipe.levels_dbfs
        if begun is None:
            recipe = playable_recipe(
                order.stimulus.recipe,
                requested,
                name=self._sender.files.name,
                probe_dbfs=self._prober.drive_dbfs,
                round_trip_s=round_trip_s,
            )
        else:
            assert isinstance(begun.stimulus, StaircaseStimulus)
            layout = with_longer_rests(begun.stimulus, begun.wanted, round_trip_s=round_trip_s)
            recipe, requested = layout.recipe, requested_dbfs(layout)
        self._plan = plan_stairs(
            recipe,
            requested,
            probed.response,
            correction_db=order.calibration.correction_db,
            belief=order.belief,
            listener_offset_db=order.listener_offset_db,
        )
        self.stimulus = self._plan.stimulus
        if begun is not None:
            self.stimulus = layout
            wanted = tuple(file for file in layout.files if file.name in begun.wanted)
            check_start(wanted, self._prober.drive_dbfs)
            self._plan = dataclasses.replace(
                self._plan, stimulus=dataclasses.replace(layout, files=wanted)
            )
        self._response = probed.response
        self._quiet, self._noise_power = probed.quiet, probed.noise_power
        self._usual_gain_db = max(probed.gain.band_db, *self._plan.gains_db)

    def play(self) -> None:
        """Play every tone; what is complete is listed in the sender's ``files``.

        A tone that distorts, is compressed too much, or grows louder than was confirmed is
        stopped and played again with a lower top; where that leaves too little, it is left out.

        Raises
        ------
        SafetyRefusal, DeviceError, InputError, KeyboardInterrupt
            As ``capture``; SafetyRefusal also where no tone could be played to its end.
        """
        for file in self._wanted():
            self._play_tone(file_number(file), file)
        self._sender.finish(self._lost.values())
        if not self._sender.files.complete:
            raise SafetyRefusal("no tone could be played to its end: ask for lower levels")

    def _wanted(self) -> list[StimulusFile]:
        """Return the files of the tones that are to be played."""
        begun = self._sender.files.begun
        files = self.stimulus.files
        return [file for file in files if begun is None or file.name in begun.wanted]

    def _name(self, number: int, file: StimulusFile) -> str:
        frequency_hz = file.bursts[0].frequency_hz
        count = len(self._plan.recipe.frequencies_hz)
        return f"tone {number}/{count}, {frequency_hz:g} Hz to {signed(file.highest_dbfs)} dBFS"

    def _play_tone(self, number: int, file: StimulusFile) -> None:
        """Play a tone, lower and lower while it is stopped for its own sake."""
        for lowerings in range(1 + LOWERED_AT_MOST):
            stop, watch = self._play_file(number, file)
            if stop is None:
                self._report(number, file, watch)
                return
            if file.name in self._sender.files.complete:
                self._sender.screen.tell(f"{stop.message}: the former recording stays")
                log(self._sender.files.folder, "tone stopped", tone=number, why=stop.message)
                return
            again = None
            if watch.too_high_dbfs is not None and lowerings < LOWERED_AT_MOST:
                again = lowered(self.stimulus, file, below_dbfs=watch.too_high_dbfs)
            then = "too little of it would be left, the tone is left out"
            if again is not None:
                then = f"the tone is played again up to {as_given(again.highest_dbfs)} dBFS"
            self._sender.screen.tell(f"{stop.message}: {then}")
            log(self._sender.files.folder, "tone stopped", tone=number, why=stop.message, then=then)
            self._replace(file.name, again)
            if again is None:
                return
            file = again

    def _replace(self, name: str, new: StimulusFile | None) -> None:
        """Put another layout in a tone's place, or nothing, here and in the sidecar."""
        files = tuple(
            new if file.name == name else file
            for file in self.stimulus.files
            if file.name != name or new is not None
        )
        self.stimulus = dataclasses.replace(self.stimulus, files=tuple(f for f in files if f))
        if self.stimulus.files:
            self._sender.files.amend(self.stimulus)

    def _play_file(self, number: int, file: StimulusFile) -> tuple[Stop | None, BurstWatch]:
        """Play a tone, and again if samples were lost; keep every recording.

        Returns
        -------
        A stop of TONE_STOPS, or None if it went to its end; and its watch.
        """
        files, name = self._sender.files, self._name(number, file)
        files.awaited = file
        trouble = ""
        lost = self._lost[file.name] = LostSamples(self._sender.route.rate_hz)
        for _ in range(TRIES):
            watch = self._watch(file)
            sent = self._send(number, file, watch)
            stop = sent.heard.stop
            if stop is None:
                trouble = self._lost_samples(file, sent)
                if not trouble:
                    files.complete[file.name] = sent.path
                    files.partial = None
                    return None, watch
                files.partial = None  # its timing is torn: not for the analysis
            elif stop.kind in TONE_STOPS:
                return stop, watch
            elif stop.kind == "dropout":
                trouble = stop.message
            else:
                raise_stop(stop)
            lost.add(sent.heard.dropouts, buffer_s=sent.buffer_s)
            self._sender.screen.tell(f"{name}: {trouble}; it is repeated")
            log(files.folder, "repeated", tone=number, why=trouble)
        raise spoilt(name, trouble, lost)

    def _send(self, number: int, file: StimulusFile, watch: BurstWatch) -> Sent:
        """Send a tone, and note what of it was played even where an interrupt ended it."""
        try:
            return self._sender.send(
                self.stimulus,
                file,
                self._licence,
                watch,
                name=self._name(number, file),
                kept_as=f"{self._sender.files.name}-{number:02d}",
                marker_response=self._response,
                noise_power=self._noise_power,
                aside=TONE_STOPS,
            )
        finally:
            last = self._sender.last
            if last is not None:
                self._log_exposure(last, file)

    def _watch(self, file: StimulusFile) -> BurstWatch:
        order, plan = self._sender.order, self._plan
        # What the microphone hears is not corrected for its deviation; the limits are.
        deviation_db = plan.correction_db(file.bursts[0].frequency_hz)
        limit_db = self._licence.spl_limit_db - max(0.0, plan.listener_offset_db) + deviation_db
        loudest_db = plan.highest_in_db + deviation_db + OFF_BY_DB
        limits = BurstLimits(
            confirmed_power=order.belief.power_at(limit_db, at_worst=True),
            # A sine of peak 1 has the mean square ½.
            loudest_power=0.5 * float(db_to_power(loudest_db)),
            level_power=order.belief.power_at(limit_db + OVER_DB, at_worst=True),
            usual_gain_db=self._usual_gain_db,
            thd_percent=order.thd_limit_percent,
        )
        return BurstWatch(
            self.stimulus,
            file,
            self._response,
            self._quiet,
            limits=limits,
            correction_db=order.calibration.correction_db,
        )

    def _lost_samples(self, file: StimulusFile, sent: Sent) -> str:
        """Tell how samples were lost unreported; nothing where they were not."""
        try:
            placement = place_stimulus(
                read_recording(sent.path, channel=1), marker=self.stimulus.marker, file=file
            )
        except InputError as error:
            return f"samples seem to be lost ({error})"
        if placement.markers != "both":
            return f"only its {placement.markers} marker was found, samples seem to be lost"
        return self._drifts.trouble((placement.scale - 1.0) * 1e6)

    def _report(self, number: int, file: StimulusFile, watch: BurstWatch) -> None:
        loudest = max(watch.heard, key=lambda item: item.burst.level_dbfs)
        frequency_hz, drive_dbfs = loudest.burst.frequency_hz, loudest.burst.level_dbfs
        scale = self._sender.order.scale
        # The watch has taken the microphone's correction out of the fundamental.
        measured_db = loudest.fundamental_db + scale.offset_db
        expected_db = self._plan.nominal_spl_db(frequency_hz, drive_dbfs)
        text = f"{signed(measured_db)} {scale.unit}"
        if expected_db is not None:
            text += f" ({with_sign(measured_db - expected_db)} dB re the prediction)"
        lost_db, thd_percent = gain_lost_db(watch.heard), loudest.thd_percent
        thd = "not above the noise" if thd_percent is None else f"{thd_percent:.2g} %"
        lost = "" if lost_db is None else f", gain {with_sign(-lost_db)} dB re the quietest"
        dropouts = self._lost[file.name]
        after = f", after {dropouts.words()}" if dropouts else ""
        self._sender.screen.tell(
            f"{self._name(number, file)}: measured {text}{lost}, THD {thd}{after}"
        )
        log(
            self._sender.files.folder,
            "tone",
            number=number,
            frequency_hz=frequency_hz,
            drive_dbfs=drive_dbfs,
            predicted_db=expected_db,
            measured_db=measured_db,
            gain_change_db=None if lost_db is None else -lost_db,
            thd_percent=thd_percent,
            clock_drift_ppm=self._drifts.last_ppm,
            dropouts=dropouts.noted(),
        )

    def _log_exposure(self, heard: Heard, file: StimulusFile) -> None:
        """Note what the listener's place has had, spoilt tries included."""
        exposures = self._plan.exposures(file, sent_samples=heard.sent_samples)
        note_exposures(self._sender.files.folder, exposures)


def gain_lost_db(heard: list[BurstHeard]) -> float | None:
    """Return by how much the loudest burst's gain is below the quietest clear one's."""
    clear = [item for item in heard if item.clear]
    if len(clear) < 2:
        return None
    loudest = max(clear, key=lambda item: item.burst.level_dbfs)
    first_db, last_db = (
        item.fundamental_db - item.burst.level_dbfs for item in (clear[0], loudest)
    )
    return first_db - last_db
