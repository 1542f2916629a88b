"""Recipes: what is to be played, as a tester writes it down in TOML."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from distsweep.errors import InputError
from distsweep.stimulus.level_rules import check_levels
from distsweep.stimulus.staircase_recipe import StaircaseRecipe, parse_staircase
from distsweep.stimulus.sweep import HIGHEST_OF_RATE, shortest_sweep_s
from distsweep.toml_input import Table, nearest, read_toml

LONGEST_S = 3600.0
"""Longest stimulus (chosen: a loudspeaker, a room and a tester change within an hour)."""

RATES_HZ = (44100, 192000)
"""Lowest and highest sampling rate that recipes may ask for (chosen: what converters have)."""


def shipped_folder() -> Path:
    """Return the folder of the recipes that ship: ``stimuli/`` of the source tree."""
    package = Path(__file__).parent.parent
    installed = package / "stimuli"  # where a wheel puts the folder that stands beside distsweep/
    return installed if installed.is_dir() else package.parent / "stimuli"


@dataclass(frozen=True)
class LadderRecipe:
    """The same sweep at rising levels; the keys are those of the contract.

    ``reduce_drive_below_hz``, if given, lowers the drive by 12 dB/octave below that corner.
    """

    name: str
    rate_hz: int
    band_hz: tuple[float, float]
    sweep_s: float
    levels_dbfs: tuple[float, ...]
    order: int = 10
    quiet_s: float = 3.0
    pause_s: float = 1.5
    return_rung: bool = True
    repeats: int = 1
    reduce_drive_below_hz: float | None = None
    kind: str = "ladder"

    def as_dict(self) -> dict[str, Any]:
        """Return every key of the recipe, as the sidecar repeats them."""
        return dataclasses.asdict(self)


Recipe = LadderRecipe | StaircaseRecipe

FORMER_KEYS = {"spare_below_hz": "reduce_drive_below_hz"}
"""Names that keys had in earlier recipes and sidecars, and their present names."""


def with_present_names(data: dict[str, Any], where: str) -> dict[str, Any]:
    """Return a recipe's or sweep's keys under their present names.

    Raises
    ------
    InputError
        A key is there under both names.
    """
    for former, present in FORMER_KEYS.items():
        if former in data and present in data:
            raise InputError(f"{where}: {former} is the former name of {present}: give one")
    return {FORMER_KEYS.get(key, key): value for key, value in data.items()}


def read_recipe(name_or_path: str) -> Recipe:
    """Read a recipe from a path, or by the bare name of one that ships.

    Raises
    ------
    InputError
        There is no such recipe, or it asks for what cannot work.
    """
    path = Path(name_or_path)
    if not path.is_file():
        shipped = shipped_folder() / f"{name_or_path}.toml"
        if "/" in name_or_path or path.suffix == ".toml" or not shipped.is_file():
            names = [item.stem for item in shipped_folder().glob("*.toml")]
            hint = nearest(path.stem, names)
            raise InputError(f"{name_or_path}: no such recipe, neither a file nor shipped{hint}")
        path = shipped
    return parse_recipe(read_toml(path), str(name_or_path))


def parse_recipe(data: dict[str, Any], where: str) -> Recipe:
    """Check the keys and values of a recipe; ``where`` names it in messages.

    Raises
    ------
    InputError
        A key is missing or unknown, or a value cannot work.
    """
    table = Table(with_present_names(data, where), where)
    kind = table.text("kind")
    if kind not in ("ladder", "staircase"):
        table.fail("kind", f'is {kind!r}: must be "ladder" or "staircase"')
    if kind == "staircase":
        return parse_staircase(table, name=_file_name(table), rate_hz=_rate(table))
    return _parse_ladder(table)


def _parse_ladder(table: Table) -> LadderRecipe:
    recipe = LadderRecipe(
        name=_file_name(table),
        rate_hz=_rate(table),
        band_hz=table.numbers("band_hz", count=2),
        sweep_s=table.number("sweep_s", above=0.0),
        levels_dbfs=table.numbers("levels_dbfs"),
        order=table.whole("order", 10, least=2),
        quiet_s=table.number("quiet_s", 3.0, least=0.5),
        pause_s=table.number("pause_s", 1.5, least=0.3),
        return_rung=table.truth("return_rung", True),
        repeats=table.whole("repeats", 1, least=1),
        reduce_drive_below_hz=table.number("reduce_drive_below_hz", None, above=0.0),
    )
    table.close()
    _check_band(table, recipe)
    check_levels(
        table,
        recipe.levels_dbfs,
        must_rise="must rise from rung to rung: sort them, lowest first",
    )
    _check_length(table, recipe)
    return recipe


def _file_name(table: Table) -> str:
    name: str = table.text("name")
    if name != Path(name).name or name.startswith(".") or not name.isprintable():
        table.fail(
            "name",
            f"is {name!r}: it becomes a file's name, so no slash, no leading dot and no control"
            " character",
        )
    if len(name.encode("utf-8")) > 100:
        table.fail(
            "name",
            f"is {name[:20]!r}… of {len(name)} characters: make it 100 at most, for a file's name",
        )
    return name


def _rate(table: Table) -> int:
    rate_hz: int = table.whole("rate_hz", least=1)
    if not RATES_HZ[0] <= rate_hz <= RATES_HZ[1]:
        table.fail("rate_hz", f"is {rate_hz}: must lie between {RATES_HZ[0]} and {RATES_HZ[1]}")
    return rate_hz


def _check_band(table: Table, recipe: LadderRecipe) -> None:
    low_hz, high_hz = recipe.band_hz
    if low_hz < 1.0 or high_hz < 4.0 * low_hz:
        table.fail(
            "band_hz",
            f"is {low_hz:g} to {high_hz:g}: must start at 1 or more and span two octaves or more",
        )
    limit_hz = 0.95 * HIGHEST_OF_RATE * recipe.rate_hz
    if high_hz > limit_hz:
        table.fail(
            "band_hz",
            f"ends at {high_hz:g}, above {limit_hz:.0f}, where half the rate"
            f" ({recipe.rate_hz / 2:g}) leaves no room for the guard band:"
            " lower it, or raise rate_hz",
        )
    shortest_s = shortest_sweep_s(rate_hz=recipe.rate_hz, band_hz=recipe.band_hz)
    if recipe.sweep_s < shortest_s:
        table.fail(
            "sweep_s",
            f"is {recipe.sweep_s:g}: too short to part the orders 1 to {recipe.order} at"
            f" {low_hz:g} Hz: make it {shortest_s:g} or more, or raise the band's lower end",
        )
    if recipe.sweep_s > 300.0:
        table.fail("sweep_s", f"is {recipe.sweep_s:g}: must be 300 or less")
    if recipe.order > 40:
        table.fail("order", f"is {recipe.order}: must be 40 or less")
    if recipe.reduce_drive_below_hz is not None and recipe.reduce_drive_below_hz >= high_hz:
        table.fail(
            "reduce_drive_below_hz",
            f"is {recipe.reduce_drive_below_hz:g}: must lie inside the band",
        )


def _check_length(table: Table, recipe: LadderRecipe) -> None:
    sweeps = recipe.repeats * (len(recipe.levels_dbfs) + recipe.return_rung)
    length_s = recipe.quiet_s + sweeps * (recipe.sweep_s + recipe.pause_s)
    if length_s > LONGEST_S:
        raise InputError(
            f"{table.where}: quiet_s, sweep_s, pause_s, repeats and levels_dbfs make {length_s:.0f}"
            f" s together: make them {LONGEST_S:.0f} s or less"
        )
