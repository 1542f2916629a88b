"""``distsweep capture``: play and record, with the safeguards."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from distsweep.capture.safeguards import DEFAULT_CEILING_SPL_DB
from distsweep.cli import _numbers as numbers
from distsweep.cli import _printing as printing
from distsweep.cli._capture_setting import Asked, Setting

if TYPE_CHECKING:
    from distsweep.capture.safeguards import SplCeiling
    from distsweep.stimulus.sidecar import Stimulus


@click.command("capture")
@click.argument("session", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--stimulus",
    type=click.Path(path_type=Path),
    help="Sidecar (.json) of a ladder or staircase: what is played, but for its levels. Without it:"
    " the session's [[positions]].",
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
@click.option(
    "--position",
    help="Name of the position; 'axis', if not given. Of [[positions]]: only this one.",
)
@click.option(
    "--placement", type=click.IntRange(min=1), help="Of [[positions]]: only this placement."
)
@click.option(
    "--again",
    metavar="WHAT",
    help="Of [[positions]], once more: POSITION, POSITION:NUMBER of a rung or tone, or"
    " POSITION:STIMULUS:NUMBER. Former recordings are kept.",
)
@click.option(
    "--placed",
    is_flag=True,
    help="The microphone is where each position says, or something else puts it there: do not ask."
    " Several placements then need --placement, one at a time.",
)
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
    help="Without a terminal: confirm, for every take, levels up to this, dB SPL at worst, that the"
    " gain stands as at the calibration, and that the probe is no louder than speech.",
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
@click.option(
    "--buffer-ms",
    type=numbers.BUFFER_MS,
    help="Audio buffer of each direction, 5 to 80: longer where drop-outs spoil rungs; by itself it"
    " begins with 10, and doubles after a drop-out.",
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
def command(session: Path, input_name: str, output_name: str, **given: Any) -> None:
    """Play ladders and staircases and record them into SESSION, with every safeguard.

    With --stimulus one take at one position. Without, the session's [[positions]] one after
    another: what is there is kept and shown, what is missing is asked for and captured. The same
    command again goes on where it was stopped.

    Of each take a quiet probe finds how loud the loudspeaker is; then it is said what will sound.
    Above 70 dB SPL, at worst, you confirm where the gain stands and that the probe was no louder
    than speech; above 85 you type the level. Ctrl-C fades out and keeps what was recorded.
    """
    from distsweep.capture import devices
    from distsweep.capture.safeguards import settle_ceiling
    from distsweep.cli import _capture_plan as plan
    from distsweep.stimulus.sidecar import read_sidecar

    plan.check_options(given)
    asker = _Asker(given["accept_level_spl_db"], given["accept_ceiling_spl_db"])
    if given["stimulus"] is None:
        stays = plan.planned_stays(session, given)
    else:
        played = read_sidecar(given["stimulus"])
    ceiling = settle_ceiling(given["ceiling_spl_db"], asker)
    system = devices.open_backend()
    if given["buffer_ms"] is not None:
        system.use_buffer(given["buffer_ms"] / 1000.0)
    setting = Setting(session, system, input_name, output_name, given, asker)
    if given["stimulus"] is None:
        plan.capture_plan(setting, stays, ceiling)
    else:
        _capture_one(setting, played, ceiling)


def _capture_one(setting: Setting, played: Stimulus, ceiling: SplCeiling) -> None:
    """Capture one take of a stimulus named on the command line."""
    from distsweep.capture.run import capture

    route = setting.route(played.recipe.rate_hz)
    order = setting.order(Asked.on_command_line(setting.given, played), route)
    sidecar = capture(
        order,
        backend=setting.system,
        route=route,
        ceiling=ceiling,
        asker=setting.asker,
        screen=setting.screen,
    )
    setting.screen.tell(f"captured: 'distsweep analyse {setting.folder}' makes results of it")
    printing.put_out(str(sidecar))


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
