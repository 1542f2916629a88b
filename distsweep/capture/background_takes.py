"""Recording the background with the loudspeaker on and off, in pairs: nothing is played.

The order is on, off, off, on, on, off …: a room that grows louder or quieter all the time then adds
to one pair's difference what it takes from the next one's, and every second pair needs no switch.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from distsweep.capture.asker import Asker
from distsweep.capture.backend import AudioDevice, Backend
from distsweep.capture.background_files import BackgroundFiles, pairs_there
from distsweep.capture.background_judge import LevelMeter, what_disturbed
from distsweep.capture.interrupts import deferred
from distsweep.capture.keeping import log
from distsweep.capture.sending import Screen
from distsweep.errors import DeviceError, InputError
from distsweep.takes.session_calibration import Calibration
from distsweep.units import FloatArray

DEFAULT_SECONDS = 10.0
"""Length of a recording (chosen: a room's slow changes average out over it, and five pairs with
their switching take five minutes)."""

LEAST_SECONDS, MOST_SECONDS = 4.0, 120.0
"""Shortest and longest recording (chosen: below the first too few moments are left to notice a
knock by; in the second nobody keeps still)."""

KEEP, STOP = ("keep", "k"), ("stop", "s")


@dataclass(frozen=True)
class BackgroundOrder:
    """What is to be recorded.

    Attributes
    ----------
    folder, position : of the session, and in it.
    pairs : of recordings, loudspeaker on and off, that there shall be; those that are there count.
    device, channel, rate_hz : input, the microphone's channel from 1, and rate.
    seconds : length of a recording.
    distance_m : from the loudspeaker, or the driver the microphone stands close to; None: the
        session's.
    calibration : the one the levels go by, which is kept with the takes.
    """

    folder: Path
    position: str
    pairs: int
    device: AudioDevice
    channel: int = 1
    rate_hz: int = 48000
    seconds: float = DEFAULT_SECONDS
    distance_m: float | None = None
    calibration: Calibration = field(default_factory=Calibration)


def record_background(
    order: BackgroundOrder, *, backend: Backend, asker: Asker, screen: Screen
) -> int:
    """Ask for the loudspeaker on, off, off, on …, record each, and enter them into the session.

    The session's lock is held by the caller. Pairs that it lists at this position count. Whatever
    ends it, whole pairs are entered.

    Returns
    -------
    How many pairs were recorded now.

    Raises
    ------
    InputError
        Nobody sits at a terminal, a file cannot be written, or the session lists background takes
        at this position from another distance.
    DeviceError
        The device failed, or has no such channel.
    KeyboardInterrupt
        Stopped by hand.
    """
    _check(order, asker)
    there = pairs_there(order.folder, order.position, order.distance_m)
    if there >= order.pairs:
        screen.tell(f"{order.position!r} has {there} pair(s) of background takes already")
        return 0
    if there:
        screen.tell(f"{order.position!r} has {there} of {order.pairs} pairs: they are kept")
    return _record_pairs(order, there, backend, asker, screen)


def states_of_pair(number: int) -> tuple[str, str]:
    """Return the states in the order recorded; pairs count from 0."""
    return ("on", "off") if number % 2 == 0 else ("off", "on")


def _check(order: BackgroundOrder, asker: Asker) -> None:
    if not asker.is_terminal():
        raise InputError(
            "background takes need somebody who switches the loudspeaker on and off: run this in a"
            " terminal, or record elsewhere and list the files as [[takes]] with kind ="
            ' "background"'
        )
    if order.channel > order.device.inputs:
        raise DeviceError(
            f"{order.device.name!r} has {order.device.inputs} channel(s), not channel"
            f" {order.channel}"
        )


def _record_pairs(
    order: BackgroundOrder, first: int, backend: Backend, asker: Asker, screen: Screen
) -> int:
    files = BackgroundFiles(
        order.folder,
        order.position,
        rate_hz=order.rate_hz,
        distance_m=order.distance_m,
        calibration=order.calibration,
    )
    files.begin()
    screen.tell(
        f"background at {order.position!r}: {order.pairs - first} pair(s) of {order.seconds:g} s"
        " each. Nothing may play; leave the loudspeaker's gain where you listen with it, its cable"
        " plugged in, and the microphone where it is"
    )
    recorder = _Recorder(order, files, backend, asker, screen)
    try:
        recorder.all_from(first)
    except BaseException as error:
        log(order.folder, "stopped", why=str(error) or type(error).__name__)
        with suppress(KeyboardInterrupt):  # it is stopping already
            _enter(files, screen)
        raise
    return _enter(files, screen)


def _enter(files: BackgroundFiles, screen: Screen) -> int:
    """Enter whole pairs into the session, and say so; return how many there are."""
    with deferred():
        count = files.finish()
    with suppress(OSError):  # the terminal may be gone
        if count:
            screen.tell(f"{count} pair(s) of background takes are in the session now")
        for name in files.alone:
            screen.tell(f"{name} has no counterpart, and is left out of the session")
    return count


class _Recorder:
    """Asks for a state, records, and asks again where something else was heard."""

    def __init__(
        self,
        order: BackgroundOrder,
        files: BackgroundFiles,
        backend: Backend,
        asker: Asker,
        screen: Screen,
    ) -> None:
        self._order = order
        self._files = files
        self._backend = backend
        self._asker = asker
        self._screen = screen
        self._state: str | None = None

    def all_from(self, first: int) -> None:
        """Record the pairs from a number on, counted from 0."""
        for pair in range(first, self._order.pairs):
            for state in states_of_pair(pair):
                self._one(pair, state)

    def _one(self, pair: int, state: str) -> None:
        name = f"{state}, pair {pair + 1} of {self._order.pairs}"
        self._await_state(state, name)
        while True:
            done = self._try(pair, state, name)
            if done:
                return

    def _await_state(self, state: str, name: str) -> None:
        """Have the loudspeaker switched, and wait for the tester."""
        if self._state == state:
            text = f"leave the loudspeaker {state}"
        elif state == "on":
            text = "switch the loudspeaker ON, wait until it no longer mutes (count to twenty)"
        else:
            text = "switch the loudspeaker OFF, wait until it has faded"
        prompt = f"{name}: {text}, keep still and press Enter (or type stop): "
        while word := self._ask(prompt):
            self._screen.tell(f"{word!r} is neither: nothing was recorded")
        self._state = state

    def _try(self, pair: int, state: str, name: str) -> bool:
        """Record once; tell whether that was kept."""
        order = self._order
        meter = LevelMeter(order.rate_hz, order.calibration, order.channel, order.seconds)

        with self._files.recording(state, pair, round(order.seconds * order.rate_hz)) as kept:

            def heard(frames: FloatArray) -> None:
                kept.add(frames[:, order.channel - 1 : order.channel])
                self._screen.show(f"{name}: {meter.text(frames)}")

            channels = max(order.channel, min(2, order.device.inputs))
            recorded = self._backend.record(
                order.device, channels=channels, rate_hz=order.rate_hz, seconds=order.seconds,
                heard=heard,
            )  # fmt: skip
            samples = recorded[:, order.channel - 1]
            self._screen.tell(f"{name}: {meter.whole(samples)}")
            trouble = what_disturbed(samples, rate_hz=order.rate_hz)
            if trouble is not None and not self._keeps(trouble):
                return False
            kept.keep(samples[:, None])
        return True

    def _keeps(self, trouble: str) -> bool:
        """Ask whether a recording is kept all the same."""
        answer = self._ask(f"{trouble}. Press Enter to record it again, or type keep: ")
        if answer not in KEEP:
            log(self._order.folder, "background_repeated", why=trouble)
        return answer in KEEP

    def _ask(self, prompt: str) -> str:
        """Return what is typed, in small letters; a wish to stop, or no terminal, ends it."""
        typed = self._asker.typed(prompt)
        answer = typed.strip().lower()
        if not typed or answer in STOP:
            raise KeyboardInterrupt
        return answer
