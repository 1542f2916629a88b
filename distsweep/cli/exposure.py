"""``distsweep exposure``: the noise dose of a plan, or of what a session has played."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from distsweep.cli import _numbers as numbers

if TYPE_CHECKING:
    from distsweep.capture.exposure import Dose, Exposure

SCHEMA = "distsweep.exposure/1"


@click.command("exposure")
@click.argument("source", metavar="[SIDECAR|SESSION]", required=False, type=click.Path())
@click.option(
    "--level",
    "levels_dba",
    multiple=True,
    type=numbers.LEVEL_SPL_DB,
    help="A-weighted level, dB SPL.",
)
@click.option(
    "--minutes",
    "minutes",
    multiple=True,
    type=numbers.MINUTES,
    help="How long, in minutes; one a --level.",
)
@click.option(
    "--spl-at-0dbfs",
    "spl_at_0dbfs_db",
    type=numbers.LEVEL_SPL_DB,
    help="With SIDECAR: level in dB SPL at the microphone of a sine at 0 dBFS.",
)
@click.option(
    "--distance-m",
    type=numbers.DISTANCE_M,
    help="With SIDECAR: loudspeaker to microphone, metres.",
)
@click.option(
    "--listener-distance-m",
    type=numbers.LISTENER_DISTANCE_M,
    help="With SIDECAR: loudspeaker to listener, metres.",
)
@click.option(
    "--json",
    "json_file",
    metavar="FILE",
    help="Write the doses as JSON; '-' is stdout. Only a file of doses is replaced.",
)
def command(
    source: str | None,
    levels_dba: tuple[float, ...],
    minutes: tuple[float, ...],
    spl_at_0dbfs_db: float | None,
    distance_m: float | None,
    listener_distance_m: float | None,
    json_file: str | None,
) -> None:
    """Add up the noise dose at the listener's place.

    Either of --level and --minutes pairs, or of a stimulus (SIDECAR, with --spl-at-0dbfs, for
    a flat loudspeaker), or of what a SESSION has played so far; pairs are added to both.
    """
    from distsweep.capture.exposure import Exposure, doses, listener_offset_db

    if len(levels_dba) != len(minutes):
        raise click.UsageError("give one --minutes for each --level")
    if source is None and not levels_dba:
        raise click.UsageError("give --level and --minutes, or a SIDECAR or SESSION")
    exposures = [Exposure(*pair) for pair in zip(levels_dba, minutes, strict=True)]
    if source is not None:
        if listener_distance_m is not None and distance_m is None:
            raise click.UsageError("--listener-distance-m needs --distance-m, the microphone's")
        offset_db = listener_offset_db(distance_m, listener_distance_m)
        exposures += _of_source(Path(source), spl_at_0dbfs_db, offset_db)
    by_regime = doses(exposures)
    if json_file is not None:
        _write(json_file, _as_data(exposures, by_regime))
    if json_file != "-":
        _show(exposures, by_regime)


def _of_source(path: Path, spl_at_0dbfs_db: float | None, offset_db: float) -> list[Exposure]:
    from distsweep.capture.noted_dose import played_before
    from distsweep.capture.stimulus_dose import stimulus_exposures
    from distsweep.stimulus.sidecar import read_sidecar

    if path.is_dir():
        return played_before(path)
    if spl_at_0dbfs_db is None:
        raise click.UsageError("a SIDECAR needs --spl-at-0dbfs: how loud is a sine at 0 dBFS?")
    return stimulus_exposures(read_sidecar(path), spl_at_0dbfs_db + offset_db)


def _show(exposures: list[Exposure], by_regime: list[Dose]) -> None:
    if not exposures:
        click.echo("No playing is on record there, so there is no dose to add up.")
        return
    total = sum(item.minutes for item in exposures)
    loudest = max(item.level_dba for item in exposures)
    click.echo(f"{total:.2f} min of sound, up to {loudest:.1f} dBA, nobody protected:")
    for dose in by_regime:
        level = f"8 h at {dose.eight_hour_level_dba:6.1f} dBA"
        if dose.percent <= 0.0:
            level = "nothing counts"
        click.echo(
            f"  {dose.regime.name:16s} {dose.percent:8.2f} %   {level:17s}   {dose.regime.source}"
        )
    click.echo("100 % is what a day may hold. A caution, not a measurement by these rules.")


def _as_data(exposures: list[Exposure], by_regime: list[Dose]) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "exposures": [vars(item) for item in exposures],
        "doses": [
            {
                "regime": dose.regime.name,
                "source": dose.regime.source,
                "dose_percent": dose.percent,
                "eight_hour_level_dba": dose.eight_hour_level_dba if dose.percent > 0.0 else None,
            }
            for dose in by_regime
        ],
    }


def _write(json_file: str, data: dict[str, Any]) -> None:
    from distsweep.whole_files import check_json_place, write_whole_text

    text = json.dumps(data, indent=1) + "\n"
    if json_file == "-":
        click.echo(text, nl=False)
    else:
        check_json_place(Path(json_file), schema=SCHEMA)
        write_whole_text(Path(json_file), text)
