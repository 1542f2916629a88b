"""One file of a stimulus sent through the gate, and its recording kept at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from distsweep.capture.backend import Backend, Route
from distsweep.capture.follow import Follower, Scale
from distsweep.capture.gate import SPARE_S, TAIL_S, Gate, Heard
from distsweep.capture.interrupts import deferred
from distsweep.capture.keeping import Reservation, log
from distsweep.capture.response import Response
from distsweep.capture.safeguards import Licence
from distsweep.capture.stairs_plan import probe_recipe
from distsweep.capture.take import TakeFiles
from distsweep.capture.watch import Stop, Watch
from distsweep.errors import DeviceError, DistsweepError, SafetyRefusal
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import Stimulus, StimulusFile
from distsweep.stimulus.write import rendered
from distsweep.takes.session import Calibration, Conditions
from distsweep.units import FloatArray

TRIES = 4
"""What drop-outs have spoilt is played so many times in all."""

DEVICE_KINDS = ("silent", "unheard", "device", "broken", "dropout")
"""Reasons to stop that are the audio device's; the others are for safety."""


@dataclass(frozen=True)
class Order:
    """What the tester asks for.

    Attributes
    ----------
    folder, position : of the session, and in it.
    stimulus : gives band, sweep and rate, or tones and their bursts.
    levels_spl_db, drives_dbfs : at most one of both, rising; neither: the stimulus's drives.
    thd_limit_percent : above it no further rung, or louder burst, is played.
    listener_offset_db : level at the listener minus that at the microphone.
    """

    folder: Path
    position: str
    stimulus: Stimulus
    levels_spl_db: tuple[float, ...] | None
    drives_dbfs: tuple[float, ...] | None
    thd_limit_percent: float
    calibration: Calibration
    conditions: Conditions
    listener_offset_db: float

    @property
    def spl_at_0dbfs_in_db(self) -> float | None:
        """Level of a 0 dBFS sine at the input, dB SPL; None while uncalibrated."""
        calibrated = self.calibration.pascal_per_fs is not None
        return self.calibration.level_offset_db if calibrated else None

    @property
    def probe_recipe(self) -> LadderRecipe:
        """What is probed with: the ladder's own band, or one around a staircase's tones."""
        recipe = self.stimulus.recipe
        return recipe if isinstance(recipe, LadderRecipe) else probe_recipe(recipe)

    @property
    def scale(self) -> Scale:
        """How levels are shown."""
        return Scale(self.calibration.level_offset_db, self.calibration.level_unit)


@dataclass(frozen=True)
class Screen:
    """Where progress goes: ``tell`` a line that stays, ``show`` one that is overwritten."""

    tell: Callable[[str], None]
    show: Callable[[str], None]


@dataclass(frozen=True)
class Sent:
    """What came of sending one file, and where its recording is."""

    heard: Heard
    follower: Follower
    path: Path


class Sender:
    """Sends the files of stimuli to one route and keeps what comes back.

    ``round_trip_s`` is the longest time so far from handing a sample out to hearing it.
    """

    def __init__(
        self, backend: Backend, route: Route, *, order: Order, files: TakeFiles, screen: Screen
    ) -> None:
        """Prepare; nothing sounds."""
        self.route = route
        self.files = files
        self.screen = screen
        self.order = order
        self.round_trip_s = 0.0
        self._backend = backend
        self._gate = Gate(backend, route)

    def send(
        self,
        stimulus: Stimulus,
        file: StimulusFile,
        licence: Licence,
        watch: Watch,
        *,
        name: str,
        kept_as: str,
        marker_response: Response | None = None,
        noise_power: float = 0.0,
    ) -> Sent:
        """Play a file and keep its recording, whole or named as partial.

        An interrupt fades out, and is raised only once the recording is kept.
        """
        reservation = self._reserve(file)
        try:
            with deferred() as pending:
                follower = Follower(
                    stimulus,
                    file,
                    name=name,
                    marker_response=marker_response,
                    noise_power=noise_power,
                    scale=self.order.scale,
                    pending=pending,
                    show=self.screen.show,
                )
                heard = self._gate.send(
                    rendered(stimulus, file),
                    licence,
                    watch=watch,
                    tick=follower.tick,
                    guarded_from=0 if marker_response is None else file.first_sample,
                )
                if follower.arrival is not None:
                    delay = follower.arrival - file.start_marker_sample + follower.lead
                    self.round_trip_s = max(self.round_trip_s, delay / self.route.rate_hz)
                path = self._keep(heard, follower, file, kept_as, reservation)
                if heard.stop is not None and heard.stop.kind == "interrupted":
                    pending.wanted = True
        finally:
            reservation.drop()
        if heard.stop is not None and heard.stop.kind == "dropout":
            self._backend.ease()
        return Sent(heard, follower, path)

    def _reserve(self, file: StimulusFile) -> Reservation:
        longest = file.samples + round((TAIL_S + SPARE_S) * self.route.rate_hz)
        channels = 1 if self.route.loopback_channel is None else 2
        return self.files.reserve(samples=longest, channels=channels)

    def _keep(
        self,
        heard: Heard,
        follower: Follower,
        file: StimulusFile,
        name: str,
        reservation: Reservation,
    ) -> Path:
        stop, arrival = heard.stop, follower.arrival
        whole = stop is None
        try:
            path = self.files.keep(
                reservation,
                _chosen(heard, self.route),
                name if whole else f"{name}-partial",
                drive_dbfs=file.highest_dbfs,
                sent_s=heard.sent_samples / self.route.rate_hz,
                stop=None if stop is None else stop.kind,
                why=None if stop is None else stop.message,
                stop_sample=None if stop is None else stop.sample,
                silent_sample=heard.silent_at,
                lead_samples=heard.lead_samples,
                delay_samples=None if arrival is None else arrival - file.start_marker_sample,
                output_dropped=heard.output_dropped,
                input_dropped=heard.input_dropped,
            )
        except DistsweepError:
            log(self.files.folder, "not kept", file=name)
            raise
        self.files.partial = path
        return path


def raise_stop(stop: Stop) -> None:
    """Turn a reason to stop into the exception, and so the exit code, that it stands for."""
    if stop.kind == "interrupted":
        raise KeyboardInterrupt
    if stop.kind in DEVICE_KINDS:
        raise DeviceError(f"stopped: {stop.message}")
    raise SafetyRefusal(f"stopped for safety: {stop.message}")


def _chosen(heard: Heard, route: Route) -> FloatArray:
    """Return the microphone's channel and, second, the loop-back's if there is one."""
    columns = [route.input_channel - 1]
    if route.loopback_channel is not None:
        columns.append(route.loopback_channel - 1)
    return heard.recorded[:, columns]
