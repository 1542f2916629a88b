"""The commands: one file each, thin — parse, call, print."""

from __future__ import annotations

import importlib
import os
import sys
from contextlib import suppress
from typing import Any

import click

from distsweep.cli import _printing as printing
from distsweep.errors import DistsweepError
from distsweep.version import VERSION

COMMANDS = {
    "stimulus": "Write a stimulus and its sidecar from a recipe.",
    "devices": "List audio devices.",
    "calibrate": "Find pascal per full scale, from a calibrator or data sheets.",
    "capture": "Play and record a ladder or staircase, with every safeguard.",
    "inspect": "Tell what a recording holds, without an analysis.",
    "analyse": "Analyse a session, or one recording.",
    "compare": "Compare results, or tell what filters in front of a loudspeaker cost.",
    "exposure": "Add up the noise dose of a plan or a session.",
    "demo": "Do the whole job on a simulated loudspeaker.",
}
"""Command names and what each does: known without importing any of them."""


class LazyGroup(click.Group):
    """A group whose commands are imported only when they run, so that help answers at once."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command's module and return the command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"distsweep.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> Any:
        """Turn our errors into one line and their exit code."""
        try:
            return super().invoke(ctx)
        except DistsweepError as error:
            message = " ".join(str(error).split())
            printing.say(f"distsweep: {message}")
            ctx.exit(error.exit_code)
        except KeyboardInterrupt:
            # Click would print first, and a terminal that was closed takes no more.
            raise click.Abort from None


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(VERSION, prog_name="distsweep")
def group() -> None:
    """Show how a loudspeaker misbehaves as it gets louder.

    Harmonics, THD and compression against frequency, from one sweep played at several levels.
    """


def main() -> None:
    """Run the command line; an interrupt ends with exit code 130.

    Its many products of short arrays are calculated by one thread each, unless the user sets
    another number: several threads wait for one another, on a busy machine most of the time.
    numpy reads that when it is loaded, which no command has done yet.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        # Outside click's standalone mode, ctx.exit(code) comes back as a return value.
        code = group(prog_name="distsweep", standalone_mode=False)
    except click.ClickException as error:
        printing.finish()
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        with suppress(OSError):  # the terminal may be gone
            printing.say("distsweep: interrupted")
        code = 130
    with suppress(KeyboardInterrupt):  # a pipe that nobody reads need not be waited for
        printing.leave(code if isinstance(code, int) else 0)
    sys.exit(130)
