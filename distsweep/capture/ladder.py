"""Playing a ladder: rung by rung, each watched, kept and judged before the next."""

from __future__ import annotations

import math
from dataclasses import replace

from distsweep.capture.announcement import PROBES_ONLY, Announcement
from distsweep.capture.consent import Consent
from distsweep.capture.conversation import Heard
from distsweep.capture.drift import Drifts
from distsweep.capture.dropouts import LostSamples
from distsweep.capture.judge import MOVED_STOPS_DB, Verdict, gain_notice, judge_rung
from distsweep.capture.keeping import log
from distsweep.capture.noted_dose import note_exposures, played_before
from distsweep.capture.pace import now_s
from distsweep.capture.pieces import Piece, all_pieces, wanted_pieces
from distsweep.capture.plan import (
    Bench,
    Plan,
    announce,
    drive_exposures,
    plan_from_drives,
    plan_from_spl,
)
from distsweep.capture.probe import Prober
from distsweep.capture.probed import read_sweep
from distsweep.capture.response import Response
from distsweep.capture.rung_report import check_rise, log_rung, report_text
from distsweep.capture.rung_watch import HeardSoFar, Reference, rung_watch
from distsweep.capture.sending import TRIES, Sender, Sent, raise_stop, spoilt
from distsweep.capture.take import ladder_stimulus
from distsweep.capture.watch import OFF_BY_DB, OVER_DB, Stop, Watch
from distsweep.errors import InputError
from distsweep.stimulus.sidecar import LadderStimulus, StimulusFile
from distsweep.units import db_to_power


class Ladder:
    """Plays the rungs of one plan; ``stimulus`` is how they are laid out."""

    stimulus: LadderStimulus
    _heard: HeardSoFar

    def __init__(self, sender: Sender, prober: Prober, consent: Consent) -> None:
        """Take a bench that has been probed; ``settle`` comes next."""
        self._sender = sender
        self._prober = prober
        self._consent = consent
        self._loudest_at_0dbfs_db = -math.inf
        self._drifts = Drifts()
        self._lost: dict[str, LostSamples] = {}
        self._played = 0
        self._plan_now()

    @property
    def plan(self) -> Plan:
        """The rungs as the last probe has placed them."""
        return self._plan

    def settle(self) -> None:
        """Plan the ladder by the probe, and have it confirmed.

        Raises
        ------
        SafetyRefusal, DeviceError, InputError, KeyboardInterrupt
            As ``capture``.
        """

        def announcement() -> Announcement:
            self._plan_now()
            return self._announcement()

        self._licence = self._consent.settle(announcement)

    def play(self) -> None:
        """Play every rung; what is complete is listed in the sender's ``files``.

        Raises
        ------
        SafetyRefusal, DeviceError, InputError, KeyboardInterrupt
            As ``capture``.
        """
        for place, piece in enumerate(self._pieces):
            self._played = place
            self._renew()
            began_s = now_s()
            sent, verdict = self._play_rung(piece)
            self._report(piece, verdict)
            read = read_sweep(sent, piece.stimulus, piece.file, self._sender)
            moved = self._moved_gain(piece.number, verdict, read.response)
            if read.response is not None:
                rung = Reference(read.response, piece.file.rungs[0].drive_dbfs, read.snr_db)
                self._heard = self._heard.with_rung(rung)
                self._note_loudest(read.response)
            self._sender.pace.note_rung(
                sound_s=piece.file.samples / self._sender.route.rate_hz, took_s=now_s() - began_s
            )
            if place + 1 < len(self._pieces):
                self._judge(verdict)
                if moved is not None:
                    raise_stop(moved)
        self._sender.finish(self._lost.values())

    def _plan_now(self) -> None:
        """Lay the ladder out by what the last probe has shown."""
        order, probed = self._sender.order, self._prober.probed
        assert probed is not None and probed.gain is not None and probed.response is not None
        assert isinstance(order.stimulus, LadderStimulus)
        recipe = order.stimulus.recipe
        self._heard = HeardSoFar(
            probe=Reference(probed.response, self._prober.drive_dbfs, probed.snr_db),
            quiet=probed.quiet,
            noise_power=probed.noise_peak_power(recipe.rate_hz),
        )
        self._sweep_at_0dbfs = order.stimulus.sweep.waveform()
        self._loudest_at_0dbfs_db = -math.inf
        self._note_loudest(probed.response)
        bench = Bench(
            probed.gain,
            self._loudest_at_0dbfs_db,
            order.belief,
            self._prober.drive_dbfs,
            order.listener_offset_db,
        )
        if order.levels_spl_db is not None:
            self._plan = plan_from_spl(order.levels_spl_db, bench)
        else:
            self._plan = plan_from_drives(order.drives_dbfs or recipe.levels_dbfs, bench)
        begun = self._sender.files.begun
        if begun is not None:
            assert isinstance(begun.stimulus, LadderStimulus)
            self.stimulus = begun.stimulus
            self._pieces = wanted_pieces(
                begun, probe_dbfs=self._prober.drive_dbfs, name=self._sender.files.name
            )
            return
        self.stimulus = ladder_stimulus(
            recipe,
            self._plan.drives_dbfs,
            self._sender.files.name,
            delay_s=(self._sender.delay or 0) / recipe.rate_hz,
        )
        self._pieces = all_pieces(self.stimulus)

    def _note_loudest(self, response: Response) -> None:
        """Keep the highest level that any sweep so far gives, scaled to a drive of 0 dBFS.

        The highest, since a rung that a limiter or an automatic gain has held back says nothing
        of what a louder one may do.
        """
        corrected = response.corrected(self._sender.order.calibration.correction_db)
        level_db = corrected.highest_level_db(self._sweep_at_0dbfs)
        self._loudest_at_0dbfs_db = max(self._loudest_at_0dbfs_db, level_db)

    def _bench_now(self) -> Bench:
        """Return the bench as loud as the loudest of all sweeps so far has shown it."""
        bench = self._plan.bench
        rise_db = self._loudest_at_0dbfs_db - bench.loudest_at_0dbfs_db
        gain = replace(
            bench.gain,
            band_db=bench.gain.band_db + rise_db,
            loudest_db=bench.gain.loudest_db + rise_db,
            curve_db=bench.gain.curve_db + rise_db,
        )
        return replace(bench, gain=gain, loudest_at_0dbfs_db=self._loudest_at_0dbfs_db)

    def _announcement(self) -> Announcement:
        """Say what is still to sound."""
        order = self._sender.order
        files = [piece.file for piece in self._pieces[self._played :]]
        return announce(
            replace(self._plan, bench=self._bench_now()),
            [rung.drive_dbfs for file in files for rung in file.rungs],
            sweep=self.stimulus.sweep,
            seconds=self._sender.ahead_s(files, judged=True),
            probe_s=self._sender.pace.probe_s,
            earlier=played_before(order.folder),
            calibrated_gain=order.calibrated_gain,
            gain_said=order.gain_said,
            latency=self._sender.latency(),
            played="no further rung was played" if self._played else PROBES_ONLY,
        )

    def _renew(self) -> None:
        """Predict the loudest moment anew by the rungs so far, and have more confirmed."""

        def announcement() -> Announcement:
            probed = self._prober.probed
            if probed is not None and probed.response is not None:
                self._note_loudest(probed.response)
            return self._announcement()

        self._licence = self._consent.settle(announcement)

    def _name(self, piece: Piece) -> str:
        rung = piece.file.rungs[0]
        level = self._plan.name(rung.drive_dbfs)
        if piece.rise:
            return f"on the way up to rung {piece.number}, {level}"
        again = " again" if rung.role == "return" else ""
        return f"rung {piece.number}/{len(self.stimulus.files)}, {level}{again}"

    def _play_rung(self, piece: Piece) -> tuple[Sent, Verdict]:
        """Play a rung, and again if samples were lost; keep every recording."""
        name, files = self._name(piece), self._sender.files
        files.awaited = None if piece.rise else piece.file
        lost = self._lost[name] = LostSamples(self._sender.route.rate_hz)
        for _ in range(TRIES):
            sent = self._send(piece)
            stop = sent.heard.stop
            if stop is None:
                verdict, trouble = self._verdict(piece, sent)
                if verdict is not None:
                    if not piece.rise:
                        files.complete[piece.file.name] = sent.path
                    files.partial = None
                    return sent, verdict
                files.partial = None  # its timing is torn: not for the analysis
            elif stop.kind == "dropout":
                trouble = stop.message
            else:
                raise_stop(stop)
            lost.add(sent.heard.dropouts, buffer_s=sent.buffer_s)
            self._sender.screen.tell(f"{name}: {trouble}; it is repeated")
            log(files.folder, "repeated", rung=piece.number, why=trouble)
        raise spoilt(name, trouble, lost)

    def _send(self, piece: Piece) -> Sent:
        """Send a rung, and note what of it was played even where an interrupt ended it."""
        take = self._sender.files.name
        try:
            return self._sender.send(
                piece.stimulus,
                piece.file,
                self._licence,
                self._watch(piece),
                name=self._name(piece),
                kept_as=f"{take}-rise" if piece.rise else f"{take}-{piece.number:02d}",
                marker_response=self._heard.upper.response,
                noise_power=self._heard.noise_power,
            )
        finally:
            if self._sender.last is not None:
                self._log_exposure(self._sender.last, piece.file)

    def _verdict(self, piece: Piece, sent: Sent) -> tuple[Verdict | None, str]:
        """Analyse a rung; no verdict, but the trouble, where samples were lost unreported."""
        order = self._sender.order
        try:
            verdict = judge_rung(
                piece.stimulus,
                piece.file,
                sent.path,
                channel=1,
                calibration=order.calibration,
                conditions=order.conditions,
            )
        except InputError as error:
            return None, f"samples seem to be lost ({error})"
        drift_ppm = verdict.clock_drift_ppm
        if drift_ppm is None:
            return None, "its end marker was not found, samples seem to be lost"
        trouble = self._drifts.trouble(drift_ppm)
        return (None, trouble) if trouble else (verdict, "")

    def _watch(self, piece: Piece) -> Watch:
        order, bench = self._sender.order, self._plan.bench
        # A resonance's steady level is above what a sweep makes of it, and no danger.
        loudest_db = max(self._loudest_at_0dbfs_db, bench.gain.loudest_db)
        limit_db = self._licence.spl_limit_db - max(0.0, bench.listener_offset_db)
        return rung_watch(
            piece.stimulus,
            piece.file,
            self._heard,
            order=order,
            rate_hz=self._sender.route.rate_hz,
            # A sine of peak 1 has the mean square ½.
            loudest_power=0.5
            * float(db_to_power(self._licence.limit_dbfs + loudest_db + OFF_BY_DB)),
            level_power=order.belief.power_at(limit_db + OVER_DB, at_worst=True),
        )

    def _judge(self, verdict: Verdict) -> None:
        """Refuse to go on where the loudspeaker is not as it should be."""
        limit_percent = self._sender.order.thd_limit_percent
        if verdict.thd_percent is not None and verdict.thd_percent > limit_percent:
            raise_stop(
                Stop(
                    "distorted",
                    f"THD is {verdict.thd_percent:.0f} % at {verdict.thd_hz:.0f} Hz, the limit"
                    f" {limit_percent:g} %: no louder rung is played (--thd-limit-percent)",
                )
            )

    def _moved_gain(self, number: int, verdict: Verdict, response: Response | None) -> Stop | None:
        """Say that a gain moved within a rung; return it as a stop if it moved too far."""
        change = verdict.marker_change
        if change is None or response is None:
            return None
        notice = gain_notice(
            change,
            f"rung {number}",
            response=response,
            before=self._heard.lower.response,
            sweep=self.stimulus.sweep,
        )
        if notice is None:
            return None
        log(
            self._sender.files.folder,
            "gain moved",
            number=number,
            change_db=round(change.change_db, 2),
            doubt_db=round(change.doubt_db, 2),
        )
        self._sender.screen.tell(f"warning: {notice}")
        return Stop("moved", notice) if change.sure_db > MOVED_STOPS_DB else None

    def _report(self, piece: Piece, verdict: Verdict) -> None:
        order, files = self._sender.order, self._sender.files
        expected_db = self._plan.rung_spl_db(piece.file.rungs[0].drive_dbfs)
        lost = self._lost[self._name(piece)]
        text = report_text(verdict, expected_db, lost, unit=order.scale.unit)
        self._sender.screen.tell(f"{self._name(piece)}: {text}")
        log_rung(files.folder, piece, verdict, expected_db, lost, offset_db=order.scale.offset_db)
        check_rise(files.begun, piece, verdict, offset_db=order.scale.offset_db)

    def _log_exposure(self, heard: Heard, file: StimulusFile) -> None:
        """Note what the listener's place has had, spoilt tries included."""
        bench, sweep = self._bench_now(), self.stimulus.sweep
        exposures = [
            item
            for rung in file.rungs
            if rung.start_sample < heard.sent_samples
            for item in drive_exposures(rung.drive_dbfs, bench, sweep)
        ]
        note_exposures(self._sender.files.folder, exposures)
