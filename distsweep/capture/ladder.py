"""Playing a ladder: rung by rung, each watched, kept and judged before the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.capture.distress import Distress
from distsweep.capture.judge import MOVED_STOPS_DB, Verdict, gain_notice, judge_rung
from distsweep.capture.keeping import log
from distsweep.capture.plan import Plan, drive_exposures
from distsweep.capture.probe import Probed, read_sweep
from distsweep.capture.response import Response
from distsweep.capture.safeguards import Licence, SplCeiling, check_ceiling
from distsweep.capture.sending import TRIES, Sender, Sent, raise_stop
from distsweep.capture.watch import OFF_BY_DB, Bounds, Stop, Watch, bounds
from distsweep.errors import DeviceError, InputError
from distsweep.stimulus.layout import render
from distsweep.stimulus.sidecar import LadderStimulus, StimulusFile
from distsweep.units import db_to_power, db_to_ratio

LARGEST_DRIFT_PPM = 300.0
"""Clocks that seem further apart have not drifted: samples were lost (chosen: converters keep
100 ppm each)."""

DRIFT_WANDERS_PPM = 60.0
"""So much from rung to rung is no clock either (chosen: 0.5 ms in an 8 s sweep)."""

LEAST_NOTED_DBA = 60.0
"""Exposure below is not noted: a day and a night of it are 0.9 % of NIOSH's dose."""

RECHECK_DB = 1.0
"""By so much a rung may show the ladder's loudest moment to lie above the ceiling before the
rest is refused: a probe near the background is right within that."""


@dataclass(frozen=True)
class _Reference:
    """A response, the drive at which it was measured, and whether that was a rung's."""

    response: Response
    drive_dbfs: float
    is_rung: bool


class Ladder:
    """Plays the rungs of one plan."""

    def __init__(
        self,
        sender: Sender,
        plan: Plan,
        stimulus: LadderStimulus,
        *,
        licence: Licence,
        ceiling: SplCeiling,
        probed: Probed,
    ) -> None:
        """Prepare; nothing sounds."""
        assert probed.response is not None and probed.gain is not None
        self._sender = sender
        self._plan = plan
        self._stimulus = stimulus
        self._licence = licence
        self._ceiling = ceiling
        self._noise_power = probed.noise_power
        self._quiet = probed.quiet
        self._first = _Reference(probed.response, plan.bench.probe_dbfs, is_rung=False)
        self._before = self._first
        self._drifts_ppm: list[float] = []
        # A sine of peak 1 has the mean square ½.
        loudest_db = licence.limit_dbfs + probed.gain.loudest_db + OFF_BY_DB
        self._loudest_power = 0.5 * float(db_to_power(loudest_db))

    def play(self) -> None:
        """Play every rung; what is complete is listed in the sender's ``files``.

        Raises
        ------
        SafetyRefusal, DeviceError, InputError, KeyboardInterrupt
            As ``capture``.
        """
        for number, file in enumerate(self._stimulus.files, start=1):
            sent, verdict = self._play_rung(number, file)
            self._report(number, file, verdict)
            found = read_sweep(sent, self._stimulus, file, self._sender)
            moved = self._moved_gain(number, verdict, found)
            if found.response is not None:
                self._before = _Reference(found.response, file.rungs[0].drive_dbfs, is_rung=True)
                self._first = self._first if self._first.is_rung else self._before
            if number < len(self._stimulus.files):
                self._judge(verdict, found)
                if moved is not None:
                    raise_stop(moved)

    def _name(self, number: int, file: StimulusFile) -> str:
        drive_dbfs = file.rungs[0].drive_dbfs
        again = " again" if file.rungs[0].role == "return" else ""
        return f"rung {number}/{len(self._stimulus.files)}, {self._plan.name(drive_dbfs)}{again}"

    def _play_rung(self, number: int, file: StimulusFile) -> tuple[Sent, Verdict]:
        """Play a rung, and again if samples were lost; keep every recording."""
        name = self._name(number, file)
        for _ in range(TRIES):
            sent = self._sender.send(
                self._stimulus,
                file,
                self._licence,
                Watch(
                    rate_hz=self._sender.route.rate_hz,
                    loudest_power=self._loudest_power,
                    expected=self._bounds(file),
                    distress=self._distress(file),
                ),
                name=name,
                kept_as=f"{self._sender.files.name}-{number:02d}",
                marker_response=self._first.response,
                noise_power=self._noise_power,
            )
            self._log_exposure(sent, file)
            stop = sent.heard.stop
            if stop is None:
                verdict, trouble = self._verdict(file, sent)
                if verdict is not None:
                    self._sender.files.complete.append(sent.path)
                    self._sender.files.partial = None
                    return sent, verdict
                self._sender.files.partial = None  # its timing is torn: not for the analysis
            elif stop.kind == "dropout":
                trouble = stop.message
            else:
                raise_stop(stop)
            self._sender.screen.tell(f"{name}: {trouble}; it is repeated")
            log(self._sender.files.folder, "repeated", rung=number, why=trouble)
        raise DeviceError(
            f"{name}: drop-outs have spoilt it {TRIES} times ({trouble}): close other programs,"
            " or choose another device"
        )

    def _verdict(self, file: StimulusFile, sent: Sent) -> tuple[Verdict | None, str]:
        """Analyse a rung; no verdict, but the trouble, where samples were lost unreported."""
        order = self._sender.order
        try:
            verdict = judge_rung(
                self._stimulus,
                file,
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
        usual_ppm = float(np.median(self._drifts_ppm)) if self._drifts_ppm else 0.0
        allowed_ppm = DRIFT_WANDERS_PPM if self._drifts_ppm else LARGEST_DRIFT_PPM
        if abs(drift_ppm - usual_ppm) > allowed_ppm:
            return None, f"samples were lost, the markers stand {drift_ppm:+.0f} ppm apart"
        self._drifts_ppm.append(drift_ppm)
        return verdict, ""

    def _bounds(self, file: StimulusFile) -> Bounds:
        """Predict what the microphone will hear; see ``watch`` for the rule."""
        start = file.rungs[0].start_sample
        end = file.rungs[-1].start_sample + self._stimulus.sweep.samples
        sweeps = render(self._stimulus, file)[start:end]
        before, drive_dbfs = self._before, file.rungs[0].drive_dbfs
        # What the rung before gave, unscaled; the return rung is softer than the one before.
        share_db = min(before.drive_dbfs - drive_dbfs, 0.0) if before.is_rung else 0.0
        share = float(db_to_ratio(share_db))
        doubt = share * before.response.predict_noise(sweeps)
        return bounds(
            self._first.response.predict(sweeps),
            share * before.response.predict(sweeps),
            rate_hz=self._sender.route.rate_hz,
            noise_power=self._noise_power,
            doubt_power=2.0 * float(np.mean(doubt**2)),
        )

    def _distress(self, file: StimulusFile) -> Distress:
        """Prepare to follow a rung's THD while it plays."""
        order, recipe = self._sender.order, self._stimulus.recipe
        start = file.rungs[0].start_sample
        end = file.rungs[-1].start_sample + self._stimulus.sweep.samples
        sweeps = render(self._stimulus, file)[start:end]
        return Distress(
            self._stimulus.sweep,
            starts=[rung.start_sample - start for rung in file.rungs],
            band_hz=recipe.band_hz,
            order=recipe.order,
            limit_percent=order.thd_limit_percent,
            predicted=self._before.response.predict(sweeps),
            level_band_hz=order.conditions.level_band_hz,
            quiet=self._quiet,
            correction_db=order.calibration.correction_db,
        )

    def _judge(self, verdict: Verdict, found: Probed) -> None:
        """Refuse to go on where the loudspeaker, or the level, is not as it should be."""
        limit_percent = self._sender.order.thd_limit_percent
        if verdict.thd_percent is not None and verdict.thd_percent > limit_percent:
            raise_stop(
                Stop(
                    "distorted",
                    f"THD is {verdict.thd_percent:.0f} % at {verdict.thd_hz:.0f} Hz, the limit"
                    f" {limit_percent:g} %: no louder rung is played (--thd-limit-percent)",
                )
            )
        in_spl_db = self._sender.order.spl_at_0dbfs_in_db
        if in_spl_db is not None and found.gain is not None:
            highest_db = found.gain.loudest_db + in_spl_db + self._plan.drives_dbfs[-1]
            highest_db += max(0.0, self._plan.bench.listener_offset_db)
            check_ceiling(highest_db - RECHECK_DB, self._ceiling)

    def _moved_gain(self, number: int, verdict: Verdict, found: Probed) -> Stop | None:
        """Say that a gain moved within a rung; return it as a stop if it moved too far."""
        change = verdict.marker_change
        if change is None or found.response is None:
            return None
        notice = gain_notice(
            change,
            f"rung {number}",
            response=found.response,
            before=self._before.response,
            sweep=self._stimulus.sweep,
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

    def _report(self, number: int, file: StimulusFile, verdict: Verdict) -> None:
        unit = self._sender.order.scale.unit
        expected_db = self._plan.rung_spl_db(file.rungs[0].drive_dbfs)
        measured = f"{verdict.level_db:.1f} {unit}"
        if expected_db is not None:
            measured += f" ({verdict.level_db - expected_db:+.1f} dB re the prediction)"
        thd = "not above the noise"
        if verdict.thd_percent is not None:
            thd = f"{verdict.thd_percent:.2g} % at {verdict.thd_hz:.0f} Hz"
        self._sender.screen.tell(
            f"{self._name(number, file)}: measured {measured}, highest THD {thd}"
        )
        log(
            self._sender.files.folder,
            "rung",
            number=number,
            drive_dbfs=file.rungs[0].drive_dbfs,
            predicted_db=expected_db,
            measured_db=verdict.level_db,
            thd_percent=verdict.thd_percent,
            clock_drift_ppm=verdict.clock_drift_ppm,
        )

    def _log_exposure(self, sent: Sent, file: StimulusFile) -> None:
        """Note what the listener's place has had, spoilt tries included."""
        bench = self._plan.bench
        sweep = self._stimulus.sweep
        exposures = [
            (round(item.level_dba, 2), round(item.minutes, 6))
            for rung in file.rungs
            if rung.start_sample < sent.heard.sent_samples
            for item in drive_exposures(rung.drive_dbfs, bench, sweep)
            if item.level_dba >= LEAST_NOTED_DBA
        ]
        log(self._sender.files.folder, "exposure", listener_dba_minutes=exposures)
