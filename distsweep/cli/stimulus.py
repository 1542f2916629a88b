"""``distsweep stimulus``: write a stimulus and its sidecar."""

from __future__ import annotations

from pathlib import Path

import click


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
def command(recipe: str, folder: Path, split: bool, sample_format: str) -> None:
    """Write NAME.wav and its sidecar NAME.json from RECIPE.

    RECIPE is a TOML file, or the bare name of a recipe that ships.
    """
    from distsweep.stimulus.recipe import read_recipe
    from distsweep.stimulus.write import write_stimulus
    from distsweep.words.wording import as_given

    stimulus, paths = write_stimulus(
        read_recipe(recipe), folder, split=split, sample_format=sample_format
    )
    for path in paths:
        click.echo(path)
    levels_dbfs = stimulus.recipe.levels_dbfs
    seconds = sum(item.samples for item in stimulus.files) / stimulus.recipe.rate_hz
    sound = "rung" if stimulus.recipe.kind == "ladder" else "burst"
    levels = (
        f"the loudest {sound} is {levels_dbfs[-1] - levels_dbfs[0]:g} dB louder than the first"
        if len(levels_dbfs) > 1
        else f"it plays at {as_given(levels_dbfs[0])} dBFS"
    )
    click.echo(f"{seconds:.0f} s; {levels}: turn the volume down before you play it.", err=True)
