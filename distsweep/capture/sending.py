"""One file of a stimulus sent through the gate, and its recording kept at once."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from distsweep.capture.backend import Backend, Route, stop_sentence
from distsweep.capture.belief import Belief
from distsweep.capture.cause import with_cause
from distsweep.capture.conversation import SPARE_S, TAIL_S, Heard
from distsweep.capture.dropouts import LostSamples, all_lost
from distsweep.capture.follow import LONGEST_DELAY_S, Follower, Scale
from distsweep.capture.gate import Gate
from distsweep.capture.interrupts import Pending, deferred
from distsweep.capture.journal import Journal
from distsweep.capture.keeping import Reservation, log
from distsweep.capture.pace import Pace, now_s
from distsweep.capture.response import Response
from distsweep.capture.safeguards import Licence
from distsweep.capture.stairs_layout import probe_recipe
from distsweep.capture.take import TakeFiles
from distsweep.capture.watch import Stop, Watch
from distsweep.errors import DeviceError, DistsweepError, SafetyRefusal
from distsweep.results import Conditions
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import Stimulus, StimulusFile
from distsweep.stimulus.write import rendered
from distsweep.takes.session_calibration import Calibration
from distsweep.units import FloatArray

TRIES = 4
"""Times that a file is played in all, if drop-outs spoil it again and again (chosen)."""

DEVICE_KINDS = ("silent", "unheard", "device", "broken", "dropout")
"""Kinds of stop that are the audio device's fault; the others are for safety."""


@dataclass(frozen=True)
class Order:
    """What the tester asks for.

    Attributes
    ----------
    folder, position : of the session, and in it.
    stimulus : gives band, sweep and rate, or tones and their bursts.
    levels_spl_db, drives_dbfs : at most one of both, rising; neither: the stimulus's drives.
    thd_limit_percent : above it no further rung, or louder burst, is played.
    belief : what the input's levels are in dB SPL, and how far that is believed.
    listener_offset_db : level at the listener minus that at the microphone.
    calibrated_gain : where the gain stood at the calibration, if that was noted.
    gain_said : where it stands now was said, and agrees.
    """

    folder: Path
    position: str
    stimulus: Stimulus
    levels_spl_db: tuple[float, ...] | None
    drives_dbfs: tuple[float, ...] | None
    thd_limit_percent: float
    calibration: Calibration
    conditions: Conditions
    belief: Belief
    listener_offset_db: float
    calibrated_gain: str | None = None
    gain_said: bool = False

    @property
    def probe_recipe(self) -> LadderRecipe:
        """What is probed with: the ladder's own band, or one around a staircase's tones."""
        recipe = self.stimulus.recipe
        return recipe if isinstance(recipe, LadderRecipe) else probe_recipe(recipe)

    @property
    def asked(self) -> dict[str, list[float]]:
        """The levels asked for, as the record notes them: in dB SPL or dBFS, by their name."""
        if self.levels_spl_db is not None:
            return {"levels_spl_db": list(self.levels_spl_db)}
        drives_dbfs = self.drives_dbfs or self.stimulus.recipe.levels_dbfs
        return {"drives_dbfs": list(drives_dbfs)}

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
    """What came of sending one file with a buffer so long, and where its recording is."""

    heard: Heard
    follower: Follower
    path: Path
    buffer_s: float = 0.0


class Sender:
    """Sends the files of stimuli to one route and keeps what comes back."""

    def __init__(
        self, backend: Backend, route: Route, *, order: Order, files: TakeFiles, screen: Screen
    ) -> None:
        """Prepare; nothing sounds."""
        self.route = route
        self.files = files
        self.screen = screen
        self.order = order
        self._backend = backend
        self._gate = Gate(backend, route)
        self.pace = Pace()
        self.delay: int | None = None
        """From a sample's sending to its recording, as the last marker has shown it."""
        self.round_trip_s = 0.0
        """The longest time so far from handing a sample out to hearing it."""
        self.last: Heard | None = None
        """What came of the last sending, also where ``send`` was kept from returning it."""

    def latency(self) -> str | None:
        """Return one line where sound goes on after a stop for longer than 50 ms; else None."""
        return stop_sentence(self._backend.stop_within_s())

    @property
    def tail_s(self) -> float:
        """How long is recorded after the last sample."""
        if self.delay is None:
            return TAIL_S + LONGEST_DELAY_S
        return TAIL_S + self.delay / self.route.rate_hz

    def ahead_s(self, files: Sequence[StimulusFile], *, judged: bool) -> float:
        """Return how long files will take from now on, as the sendings so far have shown.

        ``judged`` says that each is analysed before the next.
        """
        sounds_s = [file.samples / self.route.rate_hz for file in files]
        return self.pace.ahead_s(sounds_s, tail_s=self.tail_s, judged=judged)

    def finish(self, lost: Iterable[LostSamples]) -> None:
        """Say what would end the drop-outs that files had, and note how long all has taken."""
        together = all_lost(lost, self.route.rate_hz)
        if together:
            self.screen.tell(f"{together.words()}: {together.remedy()}")
        log(self.files.folder, "played", **self.pace.taken(), dropouts=together.noted())

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
        aside: Collection[str] = (),
    ) -> Sent:
        """Play a file and keep its recording, whole or named as partial.

        An interrupt fades out, and is raised only once the recording is kept. ``aside`` are
        reasons to stop after which the recording is kept as "-stopped", for nothing to use.
        """
        self.last = None
        began_s, tail_s = now_s(), self.tail_s
        reservation = self._reserve(file, kept_as)
        try:
            with deferred() as pending:
                follower = self._follower(
                    stimulus, file, name, pending, marker_response, noise_power
                )
                wave = rendered(stimulus, file)
                with Journal(reservation, _columns(self.route)) as journal:
                    self.last = self._gate.send(
                        wave,
                        licence,
                        watch=watch,
                        tick=journal.beside(follower.tick),
                        guarded_from=0 if marker_response is None else file.first_sample,
                        tail_s=tail_s,
                    )
                heard = self._examine(self.last, follower, stimulus, file, wave, marker_response)
                path = self._keep(heard, follower, file, kept_as, reservation, aside)
                if heard.stop is not None and heard.stop.kind == "interrupted":
                    pending.wanted = True
        except BaseException:
            reservation.leave()  # nothing that was recorded is thrown away
            raise
        finally:
            reservation.drop()
        sent = Sent(heard, follower, path, self._backend.buffer_s())
        return self._settled(sent, file, tail_s=tail_s, took_s=now_s() - began_s)

    def _settled(self, sent: Sent, file: StimulusFile, *, tail_s: float, took_s: float) -> Sent:
        """Draw the conclusions for the next sending: delay, duration, and buffer."""
        if sent.follower.arrival is not None:
            self.delay = sent.follower.arrival - file.start_marker_sample
        if sent.heard.stop is None:
            sound_s = file.samples / self.route.rate_hz
            self.pace.note_sending(sound_s=sound_s, tail_s=tail_s, took_s=took_s)
        elif sent.heard.stop.kind == "dropout":
            self._backend.ease()
        return sent

    def _follower(
        self,
        stimulus: Stimulus,
        file: StimulusFile,
        name: str,
        pending: Pending,
        marker_response: Response | None,
        noise_power: float,
    ) -> Follower:
        return Follower(
            stimulus,
            file,
            name=name,
            marker_response=marker_response,
            noise_power=noise_power,
            scale=self.order.scale,
            pending=pending,
            show=self.screen.show,
            delay=self.delay,
        )

    def _examine(
        self,
        heard: Heard,
        follower: Follower,
        stimulus: Stimulus,
        file: StimulusFile,
        wave: FloatArray,
        marker_response: Response | None,
    ) -> Heard:
        """Find the markers in what was recorded, and say of a stop what it was that was heard."""
        route = self.route
        if heard.stop is None and self.delay is None:
            follower.find(heard.recorded, route)
        elif heard.stop is None:
            follower.check_end(heard.recorded, route)
        stop = with_cause(
            heard.stop,
            heard.recorded[:, route.input_channel - 1],
            wave,
            response=marker_response,
            marker_samples=stimulus.marker.samples,
            marker_at=file.start_marker_sample,
            arrival=follower.likely_arrival(heard, route),
            sweep_at=file.first_sample,
            rate_hz=route.rate_hz,
        )
        if follower.arrival is not None:
            late = follower.arrival - file.start_marker_sample + follower.lead
            self.round_trip_s = max(self.round_trip_s, late / route.rate_hz)
        return dataclasses.replace(heard, stop=stop)

    def _reserve(self, file: StimulusFile, name: str) -> Reservation:
        longest = file.samples + round((self.tail_s + SPARE_S) * self.route.rate_hz)
        return self.files.reserve(name, frames=longest, channels=len(_columns(self.route)))

    def _keep(
        self,
        heard: Heard,
        follower: Follower,
        file: StimulusFile,
        name: str,
        reservation: Reservation,
        aside: Collection[str],
    ) -> Path:
        stop, arrival = heard.stop, follower.arrival
        if stop is not None:
            name = f"{name}-stopped" if stop.kind in aside else f"{name}-partial"
        try:
            path = self.files.keep(
                reservation,
                heard.recorded[:, _columns(self.route)],
                name,
                drive_dbfs=file.highest_dbfs,
                sent_s=heard.sent_samples / self.route.rate_hz,
                stop=None if stop is None else stop.kind,
                why=None if stop is None else stop.message,
                stop_sample=None if stop is None else stop.sample,
                silent_sample=heard.silent_at,
                lead_samples=heard.lead_samples,
                delay_samples=None if arrival is None else arrival - file.start_marker_sample,
                buffer_ms=round(1000.0 * self._backend.buffer_s(), 1),
                dropouts=[dataclasses.asdict(one) for one in heard.dropouts],
            )
        except DistsweepError:
            log(self.files.folder, "not kept", file=name)
            raise
        self.files.partial = None if stop is not None and stop.kind in aside else path
        return path


class SafetyStop(SafetyRefusal):
    """What was played, or what was heard of it, ended a capture: the like is not gone on with."""


def raise_stop(stop: Stop) -> None:
    """Turn a reason to stop into the exception, and so the exit code, that it stands for."""
    if stop.kind == "interrupted":
        raise KeyboardInterrupt
    if stop.kind in DEVICE_KINDS:
        raise DeviceError(f"stopped: {stop.message}")
    raise SafetyStop(f"stopped for safety: {stop.message}")


def spoilt(name: str, trouble: str, lost: LostSamples) -> DeviceError:
    """Return the error of a sending that has lost samples TRIES times, last by ``trouble``."""
    return DeviceError(
        f"{name}: drop-outs have spoilt it {TRIES} times ({trouble}; {lost.words()}):"
        f" {lost.remedy()}; or close other programs, or choose another device"
    )


def _columns(route: Route) -> list[int]:
    """Return the inputs that are kept: the microphone's and, second, the loop-back's if any."""
    columns = [route.input_channel - 1]
    if route.loopback_channel is not None:
        columns.append(route.loopback_channel - 1)
    return columns
