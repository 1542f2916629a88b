"""``distsweep stimulus``: write a stimulus and its sidecar."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from distsweep.stimulus.recipe import Recipe
    from distsweep.stimulus.sidecar import Stimulus

WIDE_DB = 1.0
"""A drive that is known less closely is said with what it lies between (chosen)."""


@click.command("stimulus")
@click.argument("recipe")
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    required=True,
    help="Folder to write into; it is made if need be.",
)
@click.option(
    "--split",
    is_flag=True,
    help="One sound file a rung, or a tone of a staircase, instead of one for all.",
)
@click.option(
    "--format",
    "sample_format",
    type=click.Choice(["wav24", "float", "flac"]),
    default="wav24",
    show_default=True,
    help="24-bit WAV, 32-bit float WAV, or 24-bit FLAC.",
)
@click.option(
    "--levels-spl",
    metavar="LEVELS",
    help="Ladders: the drives that give these levels in the level band, '70 to 95 by 5', at the"
    " gain of --from.",
)
@click.option(
    "--from",
    "earlier",
    metavar="RESULTS",
    type=click.Path(path_type=Path),
    help="An earlier measurement with the same gain: results.json, its folder, or the session.",
)
def command(
    recipe: str,
    folder: Path,
    split: bool,
    sample_format: str,
    levels_spl: str | None,
    earlier: Path | None,
) -> None:
    """Write NAME.wav and its sidecar NAME.json from RECIPE.

    RECIPE is a TOML file, or the bare name of a recipe that ships.
    """
    from distsweep.stimulus.recipe import read_recipe
    from distsweep.stimulus.write import write_stimulus

    if (levels_spl is None) != (earlier is None):
        raise click.UsageError("--levels-spl and --from go together")
    chosen = read_recipe(recipe)
    if levels_spl is not None and earlier is not None:
        chosen = _for_levels(chosen, levels_spl, earlier)
    stimulus, paths = write_stimulus(chosen, folder, split=split, sample_format=sample_format)
    for path in paths:
        click.echo(path)
    seconds = sum(item.samples for item in stimulus.files) / stimulus.recipe.rate_hz
    if levels_spl is None:
        told = f"{_levels_of(stimulus)}: turn the volume down before you play it."
    else:
        told = "these levels hold while every gain stands as it did; they are at the microphone."
    click.echo(f"{seconds:.0f} s; {told}", err=True)


def _levels_of(stimulus: Stimulus) -> str:
    from distsweep.words.wording import as_given

    levels_dbfs = stimulus.recipe.levels_dbfs
    sound = "rung" if stimulus.recipe.kind == "ladder" else "burst"
    if len(levels_dbfs) > 1:
        rise_db = levels_dbfs[-1] - levels_dbfs[0]
        return f"the loudest {sound} is {rise_db:g} dB louder than the first"
    return f"it plays at {as_given(levels_dbfs[0])} dBFS"


def _for_levels(recipe: Recipe, levels: str, earlier: Path) -> Recipe:
    """Return the recipe with the drives for levels in dB SPL, and say which drive gives which."""
    from distsweep.capture.levels import parse_levels
    from distsweep.takes.drives_for_levels import find_results, ladder_for_levels
    from distsweep.words.wording import as_given, signed

    changed, drives = ladder_for_levels(recipe, parse_levels(levels), find_results(earlier))
    for one in drives:
        ends = f"{signed(one.low_dbfs)} and {signed(one.high_dbfs)}"
        wide = one.high_dbfs - one.low_dbfs > WIDE_DB
        doubt = f" (known to lie between {ends})" if wide else ""
        if one.below:
            doubt = " (below all that was played: dB for dB)"
        drive = f"{signed(one.drive_dbfs)} dBFS{doubt}"
        click.echo(f"{as_given(one.spl_db)} dB SPL: {drive}", err=True)
    return changed
