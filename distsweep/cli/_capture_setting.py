"""From the command line and the session to what ``capture`` is to do, and by which devices."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from distsweep.cli import _printing as printing

if TYPE_CHECKING:
    from distsweep.capture.asker import Asker
    from distsweep.capture.backend import Backend, Route
    from distsweep.capture.belief import Belief
    from distsweep.capture.sending import Order, Screen
    from distsweep.results import Conditions
    from distsweep.stimulus.sidecar import Stimulus
    from distsweep.takes.session import Session
    from distsweep.takes.session_calibration import Calibration


@dataclass(frozen=True)
class Asked:
    """What one take is to be.

    ``distance_m`` is the position's own; None: the session's. ``spl``, ``dbfs`` are levels as
    written; ``planned`` says that they stand in the session's [[positions]].
    """

    stimulus: Stimulus
    position: str
    spl: str | None = None
    dbfs: str | None = None
    distance_m: float | None = None
    planned: bool = False

    def named(self, unit: str) -> str:
        """Return what the levels of a unit, "spl" or "dbfs", are called where they are written."""
        return (
            f"[[positions]] {self.position!r}: levels_{unit}"
            if self.planned
            else f"--levels-{unit}"
        )

    @classmethod
    def on_command_line(cls, given: dict[str, Any], stimulus: Stimulus) -> Asked:
        """Return what the options of a single take say."""
        spl, dbfs = given["levels_spl"], given["levels_dbfs"]
        if spl is not None and dbfs is not None:
            raise click.UsageError("give --levels-spl or --levels-dbfs, not both")
        position = "axis" if given["position"] is None else given["position"]
        return cls(stimulus, position, spl, dbfs)


class Setting:
    """The session, the devices and the person of one command line."""

    def __init__(
        self,
        folder: Path,
        system: Backend,
        input_name: str,
        output_name: str,
        given: dict[str, Any],
        asker: Asker,
    ) -> None:
        """Take what was given; nothing is looked for yet."""
        from distsweep.capture.sending import Screen

        self.folder = folder
        self.system = system
        self.given = given
        self.asker = asker
        line = printing.printer()
        self.screen: Screen = Screen(tell=line.tell, show=line.show)
        self._names = input_name, output_name
        self._routes: dict[int, Route] = {}
        self._session: Session | None = None
        self._beliefs: dict[int, tuple[Belief, str | None]] = {}

    def route(self, rate_hz: int) -> Route:
        """Find the devices and make sure that they have the channels.

        Raises
        ------
        DeviceError
            There is no such device, or it has no such channel.
        """
        from distsweep.capture.backend import server_warning

        if rate_hz not in self._routes:
            route = find_route(self.system, rate_hz, *self._names, self.given)
            if not self._routes and (mixed := server_warning(route)) is not None:
                self.screen.tell(f"note: {mixed}")
            self._routes[rate_hz] = route
        return self._routes[rate_hz]

    def hearing(self) -> tuple[Route, Calibration]:
        """Return by what the background is recorded, and the calibration that its levels go by.

        Raises
        ------
        InputError
            The session cannot be read, or its calibration is another input's.
        DeviceError
            There is no such device, or it has no such channel.
        """
        # Of a plan without stimuli nothing says the rate: the most usual one (chosen).
        route = self.route(next(iter(self._routes), 48000))
        session = self._read()
        self._belief(session, route)
        return route, session.calibration

    def _read(self) -> Session:
        """Return the session, with what the command line says of it."""
        if self._session is None:
            self._session = write_and_read_session(self.folder, self.given, self.asker)
        return self._session

    def order(self, asked: Asked, route: Route) -> Order:
        """Bring together what the command line and the session say.

        Raises
        ------
        InputError
            Levels cannot be read or played, or the session does not fit what is given.
        SafetyRefusal
            Levels are above the ceiling.
        """
        from distsweep.capture.sending import Order
        from distsweep.errors import InputError

        given = self.given
        levels_spl_db, drives_dbfs = read_levels(asked, given["ceiling_spl_db"])
        session = self._read()
        if levels_spl_db is not None and session.calibration.pascal_per_fs is None:
            raise InputError(
                f"{self.folder}: {asked.named('spl')} needs a calibration: 'distsweep calibrate"
                f" {self.folder}', from a calibrator or a data sheet; or give levels in dBFS"
            )
        belief, calibrated_gain = self._belief(session, route)
        return Order(
            folder=self.folder,
            position=asked.position,
            stimulus=asked.stimulus,
            levels_spl_db=levels_spl_db,
            drives_dbfs=drives_dbfs,
            thd_limit_percent=given["thd_limit_percent"],
            calibration=session.calibration,
            conditions=session.conditions,
            belief=belief,
            calibrated_gain=calibrated_gain,
            gain_said=given["input_gain"] is not None,
            listener_offset_db=self._listener_offset_db(asked, session.conditions),
        )

    def _listener_offset_db(self, asked: Asked, own: Conditions) -> float:
        """Return the level at the listener minus that at the microphone."""
        from distsweep.capture.exposure import listener_offset_db
        from distsweep.errors import InputError

        distance_m = self.given["distance_m"] or own.distance_m
        listener_m = self.given["listener_distance_m"]
        if listener_m is not None and distance_m is None:
            raise InputError(
                "--listener-distance-m needs the microphone's: give --distance-m, or distance_m in"
                " session.toml"
            )
        if asked.distance_m is not None:
            # Close to one driver the others are farther away than it: what falls off to the
            # listener is reckoned from the larger distance, which is louder there.
            distance_m = max(asked.distance_m, distance_m or asked.distance_m)
        return listener_offset_db(distance_m, listener_m or own.listener_distance_m)

    def _belief(self, session: Session, route: Route) -> tuple[Belief, str | None]:
        """Judge the calibration once for each rate."""
        from distsweep.capture.belief import judge_calibration

        if route.rate_hz not in self._beliefs:
            self._beliefs[route.rate_hz] = judge_calibration(
                self.folder,
                session.calibration,
                route=route,
                input_gain=self.given["input_gain"],
                asker=self.asker,
            )
        return self._beliefs[route.rate_hz]


def read_levels(
    asked: Asked, ceiling_spl_db: float
) -> tuple[tuple[float, ...] | None, tuple[float, ...] | None]:
    """Return the levels in dB SPL and the drives in dBFS that are asked for; None where neither.

    Raises
    ------
    InputError
        They cannot be read, or a staircase is to go by levels.
    SafetyRefusal
        They are above the ceiling.
    """
    from distsweep.capture.levels import parse_levels
    from distsweep.errors import InputError, SafetyRefusal

    def parsed(text: str | None, unit: str) -> tuple[float, ...] | None:
        try:
            return None if text is None else parse_levels(text)
        except InputError as error:
            raise InputError(f"{asked.named(unit)}: {error}") from error

    if asked.spl is not None and asked.stimulus.recipe.kind == "staircase":
        raise InputError(
            "--levels-spl is for ladders, a staircase goes by drives: capture a ladder first, and"
            " give drives of its rungs as --levels-dbfs"
        )
    levels_spl_db = parsed(asked.spl, "spl")
    if levels_spl_db is not None and levels_spl_db[-1] > ceiling_spl_db:
        raise SafetyRefusal(
            f"{asked.named('spl')}: {levels_spl_db[-1]:g} dB SPL is above the ceiling of"
            f" {ceiling_spl_db:g}: ask for lower levels, or raise --ceiling-spl"
        )
    drives_dbfs = parsed(asked.dbfs, "dbfs")
    if drives_dbfs is not None and not -100.0 <= drives_dbfs[0] <= drives_dbfs[-1] <= 0.0:
        raise InputError(
            f"{asked.named('dbfs')} {asked.dbfs!r}: drives lie between −100 and 0 dBFS"
        )
    return levels_spl_db, drives_dbfs


def write_and_read_session(folder: Path, given: dict[str, Any], asker: Asker) -> Session:
    """Write what the command line says into the session where that is new, and read it.

    Raises
    ------
    InputError
        The session cannot be read or written, or is another loudspeaker's.
    """
    from distsweep.takes.session import read_session
    from distsweep.takes.session_file import check_device, complete_session

    check_device(folder, given["device_name"])
    named = ("temperature_c", "distance_m", "listener_distance_m")
    conditions = {key: given[key] for key in named}
    tables = {"device": {"name": given["device_name"]}, "conditions": conditions}
    for name in complete_session(folder, tables):
        asker.tell(
            f"note: session.toml has a [{name}] of its own: what differs is not written there"
        )
    return read_session(folder, takes_required=False)


def find_route(
    system: Backend, rate_hz: int, input_name: str, output_name: str, given: dict[str, Any]
) -> Route:
    """Find the devices and make sure that they have the channels.

    Raises
    ------
    DeviceError
        There is no such device, or it has no such channel.
    """
    from distsweep.capture.backend import Route
    from distsweep.capture.devices import choose_device
    from distsweep.errors import DeviceError

    devices = system.devices()
    hearing = choose_device(devices, input_name, kind="input")
    speaking = choose_device(devices, output_name, kind="output")
    needed = max(given["input_channel"], given["loopback_channel"] or 1)
    if given["input_channel"] == given["loopback_channel"]:
        raise click.UsageError("the microphone and the loop-back need a channel each")
    for device, count, channel in (
        (hearing, hearing.inputs, needed),
        (speaking, speaking.outputs, given["output_channel"]),
    ):
        if channel > count:
            raise DeviceError(f"{device.name!r} has {count} channel(s), not channel {channel}")
    return Route(
        output=speaking,
        output_channel=given["output_channel"],
        input=hearing,
        input_channel=given["input_channel"],
        loopback_channel=given["loopback_channel"],
        # Two at least, so that the probe can tell when the other one hears the loudspeaker.
        input_channels=max(needed, min(2, hearing.inputs)),
        rate_hz=rate_hz,
    )
