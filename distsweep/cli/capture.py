"""``distsweep capture``: play and record, with the safeguards."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from distsweep.capture.safeguards import DEFAULT_CEILING_SPL_DB
from distsweep.cli import _numbers as numbers
from distsweep.cli import _printing as printing

if TYPE_CHECKING:
    from distsweep.capture.asker import Asker
    from distsweep.capture.backend import Backend, Route
    from distsweep.capture.sending import Order
    from distsweep.stimulus.sidecar import Stimulus
    from distsweep.takes.session import Session


@click.command("capture")
@click.argument("session", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--stimulus",
    type=click.Path(path_type=Path),
    required=True,
    help="Sidecar (.json) of a ladder or staircase: what is played, but for its levels.",
)
@click.option("--input", "input_name", metavar="DEV", required=True, help="Number or name.")
@click.option("--output", "output_name", metavar="DEV", required=True, help="Number or name.")
@click.option(
    "--input-channel",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    help="Channel of the microphone, counted from 1.",
)
@click.option(
    "--output-channel",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    help="Channel of the loudspeaker, counted from 1.",
)
@click.option(
    "--loopback-channel",
    type=click.IntRange(min=1),
    help="Input channel that the output is wired to: a time reference.",
)
@click.option(
    "--levels-spl",
    metavar="LEVELS",
    help="Ladders: dB SPL at the microphone: '80 and 90', '70 to 95 by 5'.",
)
@click.option(
    "--levels-dbfs", metavar="LEVELS", help="Drives instead. Neither: the stimulus's own drives."
)
@click.option("--position", default="axis", show_default=True, help="Name of the position.")
@click.option(
    "--ceiling-spl",
    "ceiling_spl_db",
    type=numbers.LEVEL_SPL_DB,
    default=DEFAULT_CEILING_SPL_DB,
    show_default=True,
    help="Nothing is played that would pass this, dB SPL at worst; above 110 it is asked for, above"
    " 130 refused.",
)
@click.option(
    "--accept-level",
    "accept_level_spl_db",
    type=numbers.LEVEL_SPL_DB,
    metavar="DB",
    help="Without a terminal: confirm levels up to this, dB SPL at worst, that the gain stands as"
    " at the calibration, and that the probe is no louder than speech.",
)
@click.option(
    "--accept-ceiling",
    "accept_ceiling_spl_db",
    type=numbers.LEVEL_SPL_DB,
    metavar="DB",
    help="Without a terminal: confirm a ceiling above 110, by its number.",
)
@click.option(
    "--thd-limit-percent",
    type=numbers.THD_LIMIT_PERCENT,
    default=30.0,
    show_default=True,
    help="Above this the sound fades out, and none louder of it is played.",
)
@click.option("--name", "device_name", help="The loudspeaker, for a new session: each has its own.")
@click.option(
    "--distance-m",
    type=numbers.DISTANCE_M,
    help="Loudspeaker to microphone; the session's, if not given.",
)
@click.option(
    "--listener-distance-m",
    type=numbers.LISTENER_DISTANCE_M,
    help="Loudspeaker to whoever is in the room.",
)
@click.option("--temperature-c", type=numbers.TEMPERATURE_C, help="For a new session.")
@click.option(
    "--input-gain", help="Where the input gain stands, in the words of the calibration's --gain."
)
def command(session: Path, stimulus: Path, input_name: str, output_name: str, **given: Any) -> None:
    """Play a ladder or a staircase and record it into SESSION, with every safeguard.

    A quiet probe finds how loud the loudspeaker is; then it is said what will sound. Above 70 dB
    SPL, at worst, you confirm where the gain stands and that the probe was no louder than speech;
    above 85 you type the level. Ctrl-C fades out and keeps what was recorded.
    """
    from distsweep.capture import devices
    from distsweep.capture.backend import server_warning
    from distsweep.capture.run import capture
    from distsweep.capture.safeguards import settle_ceiling
    from distsweep.capture.sending import Screen
    from distsweep.stimulus.sidecar import read_sidecar

    asker = _Asker(given["accept_level_spl_db"], given["accept_ceiling_spl_db"])
    played = read_sidecar(stimulus)
    ceiling = settle_ceiling(given["ceiling_spl_db"], asker)
    system = devices.open_backend()
    route = _route(system, played.recipe.rate_hz, input_name, output_name, given)
    line = printing.printer()
    if (mixed := server_warning(route)) is not None:
        line.tell(f"note: {mixed}")
    order = _order(session, played, given, route, asker)
    sidecar = capture(
        order,
        backend=system,
        route=route,
        ceiling=ceiling,
        asker=asker,
        screen=Screen(tell=line.tell, show=line.show),
    )
    line.tell(f"captured: 'distsweep analyse {session}' makes results of it")
    printing.put_out(str(sidecar))


def _order(
    folder: Path, stimulus: Stimulus, given: dict[str, Any], route: Route, asker: Asker
) -> Order:
    """Bring together what the command line and the session say."""
    from distsweep.capture.belief import judge_calibration
    from distsweep.capture.exposure import listener_offset_db
    from distsweep.capture.sending import Order
    from distsweep.errors import InputError

    levels_spl_db, drives_dbfs = _levels(given, stimulus)
    session = _session(folder, given, asker)
    if levels_spl_db is not None and session.calibration.pascal_per_fs is None:
        raise InputError(
            f"{folder}: --levels-spl needs a calibration: 'distsweep calibrate {folder}', from a"
            " calibrator or a data sheet; or give --levels-dbfs"
        )
    belief, calibrated_gain = judge_calibration(
        folder, session.calibration, route=route, input_gain=given["input_gain"], asker=asker
    )
    own = session.conditions
    distance_m = given["distance_m"] or own.distance_m
    if given["listener_distance_m"] is not None and distance_m is None:
        raise InputError(
            "--listener-distance-m needs the microphone's: give --distance-m, or distance_m in"
            " session.toml"
        )
    return Order(
        folder=folder,
        position=given["position"],
        stimulus=stimulus,
        levels_spl_db=levels_spl_db,
        drives_dbfs=drives_dbfs,
        thd_limit_percent=given["thd_limit_percent"],
        calibration=session.calibration,
        conditions=own,
        belief=belief,
        calibrated_gain=calibrated_gain,
        gain_said=given["input_gain"] is not None,
        listener_offset_db=listener_offset_db(
            distance_m,
            given["listener_distance_m"] or own.listener_distance_m,
        ),
    )


def _levels(
    given: dict[str, Any], stimulus: Stimulus
) -> tuple[tuple[float, ...] | None, tuple[float, ...] | None]:
    """Return the levels in dB SPL and the drives in dBFS that are asked for; None where neither."""
    from distsweep.capture.levels import parse_levels
    from distsweep.errors import InputError, SafetyRefusal

    spl, dbfs = given["levels_spl"], given["levels_dbfs"]
    if spl is not None and dbfs is not None:
        raise click.UsageError("give --levels-spl or --levels-dbfs, not both")
    if spl is not None and stimulus.recipe.kind == "staircase":
        raise InputError(
            "--levels-spl is for ladders, a staircase goes by drives: capture a ladder first, and"
            " give drives of its rungs as --levels-dbfs"
        )
    levels_spl_db = None if spl is None else parse_levels(spl)
    if levels_spl_db is not None and levels_spl_db[-1] > given["ceiling_spl_db"]:
        raise SafetyRefusal(
            f"{levels_spl_db[-1]:g} dB SPL is above the ceiling of {given['ceiling_spl_db']:g}: ask"
            " for lower levels, or raise --ceiling-spl"
        )
    drives_dbfs = None if dbfs is None else parse_levels(dbfs)
    if drives_dbfs is not None and not -100.0 <= drives_dbfs[0] <= drives_dbfs[-1] <= 0.0:
        raise InputError(f"--levels-dbfs {dbfs!r}: drives lie between −100 and 0 dBFS")
    return levels_spl_db, drives_dbfs


def _session(folder: Path, given: dict[str, Any], asker: Asker) -> Session:
    """Write what the command line says into the session where that is new, and read it."""
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


def _route(
    system: Backend, rate_hz: int, input_name: str, output_name: str, given: dict[str, Any]
) -> Route:
    """Find the devices and make sure that they have the channels."""
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


class _Asker:
    """The person at the terminal, or what the command line says in their place."""

    def __init__(self, accept_level_spl_db: float | None, accept_ceiling_spl_db: float | None):
        """Take what the command line has accepted."""
        self.accept_level_spl_db = accept_level_spl_db
        self.accept_ceiling_spl_db = accept_ceiling_spl_db

    def is_terminal(self) -> bool:
        """Tell whether somebody can type."""
        return sys.stdin is not None and sys.stdin.isatty()

    def tell(self, text: str) -> None:
        """Show a line."""
        printing.printer().tell(text)

    def typed(self, prompt: str) -> str:
        """Return what is typed from now on; nothing at the end of the input.

        What lay there before the question was shown is no answer to it.
        """
        printing.printer().flush(None)
        _forget_typed()
        printing.printer().ask(prompt)
        try:
            return sys.stdin.readline()
        except UnicodeDecodeError:  # a byte that the terminal's encoding does not have
            return ""


def _forget_typed() -> None:
    """Empty the terminal's input; where it is no terminal, nothing was typed."""
    try:
        import termios

        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
    except ImportError:  # Windows has another way
        import msvcrt

        while msvcrt.kbhit():  # type: ignore[attr-defined]
            msvcrt.getwch()  # type: ignore[attr-defined]
    except (OSError, ValueError, termios.error):
        pass
