"""A session: the folder of a measurement, described by its ``session.toml``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from distsweep import plausible
from distsweep.errors import InputError
from distsweep.results.session import DEFAULT_LEVEL_BAND_HZ, Conditions, Device
from distsweep.takes.session_calibration import Calibration, read_calibration
from distsweep.takes.session_plan import PlannedPosition, read_plan
from distsweep.takes.session_takes import BackgroundEntry, TakeEntry, read_takes
from distsweep.takes.stated_levels import read_stated_levels
from distsweep.toml_input import Table, read_toml

OTHER_UNIT = "are these metres or centimetres?"


@dataclass(frozen=True)
class Session:
    """Everything that ``session.toml`` says, with paths made absolute or relative to here.

    ``file`` is where it was read; None of a session that was not. ``every_run``: a take is made of
    every run of its stimulus that its recording holds.
    ``levels_spl_db`` are those at which THD is to be stated. ``backgrounds`` are takes of the
    background; ``positions`` is what ``capture`` is to go through.
    """

    folder: Path
    device: Device
    conditions: Conditions
    calibration: Calibration
    takes: tuple[TakeEntry, ...]
    file: Path | None = None
    every_run: bool = False
    levels_spl_db: tuple[float, ...] = ()
    backgrounds: tuple[BackgroundEntry, ...] = ()
    positions: tuple[PlannedPosition, ...] = ()

    @property
    def entries(self) -> tuple[TakeEntry | BackgroundEntry, ...]:
        """All takes: of stimuli, then of the background."""
        return (*self.takes, *self.backgrounds)

    @property
    def calibrated(self) -> bool:
        """Whether any take has levels in dB SPL."""
        return any(self.calibration_of(one).pascal_per_fs is not None for one in self.entries)

    def calibration_of(self, entry: TakeEntry | BackgroundEntry) -> Calibration:
        """Return what a take's levels go by: its own calibration, or else the session's."""
        return self.calibration if entry.calibration is None else entry.calibration


def read_session(
    path: str | Path, *, takes_required: bool = True, calibration_required: bool = True
) -> Session:
    """Read a session from its folder or its ``session.toml``.

    ``takes_required=False`` is for sessions that are about to be captured, and
    ``calibration_required=False`` for those whose calibration is about to be written anew.

    Raises
    ------
    InputError
        The file is missing or malformed, a key is unknown, or a value cannot be used.
        Recordings are looked at only when they are analysed.
    """
    path = Path(path)
    file = path / "session.toml" if path.is_dir() else path
    if path.is_dir() and not file.is_file():
        raise InputError(
            f"{path}: holds no session.toml: give the folder of a session, or write one there"
        )
    return parse_session(
        read_toml(file),
        file,
        takes_required=takes_required,
        calibration_required=calibration_required,
    )


def parse_session(
    data: dict[str, Any],
    file: Path,
    *,
    takes_required: bool = True,
    calibration_required: bool = True,
) -> Session:
    """Read a session from what its TOML holds; ``file`` is where that stands, or will.

    Raises
    ------
    InputError
        As ``read_session``.
    """
    table = Table(data, str(file))
    device, conditions = _device(table), _conditions(table)
    levels_spl_db = read_stated_levels(table)
    calibration = read_calibration(table, file, required=calibration_required)
    positions = read_plan(table, file)
    takes: tuple[TakeEntry, ...] = ()
    backgrounds: tuple[BackgroundEntry, ...] = ()
    if takes_required or table.has("takes"):
        takes, backgrounds = read_takes(table, file, calibration)
        device = _one_device(table, device)
    table.close()
    return Session(
        file.parent,
        device,
        conditions,
        calibration,
        takes,
        file=file,
        levels_spl_db=levels_spl_db,
        backgrounds=backgrounds,
        positions=positions,
    )


def _device(table: Table) -> Device:
    inner = Table(table.take("device", {}), f"{table.where}: [device]")
    cabinet_mm = inner.numbers("cabinet_mm", None, count=3)
    if cabinet_mm is not None and not all(map(plausible.CABINET_MM.holds, cabinet_mm)):
        low, high = plausible.CABINET_MM.possible
        inner.fail(
            "cabinet_mm",
            f"is {_listed(cabinet_mm)}: must be three lengths of {low:g} mm or more, up to"
            f" {high:g}; {OTHER_UNIT}{plausible.lengths_in_mm(*cabinet_mm)}",
        )
    device = Device(
        name=inner.text("name", None), cabinet_mm=cabinet_mm, port_mm=_port(inner, cabinet_mm)
    )
    inner.close()
    return device


def _port(inner: Table, cabinet_mm: tuple[float, ...] | None) -> dict[str, float] | None:
    if not inner.has("port_mm"):
        return None
    port = Table(inner.take("port_mm"), f"{inner.where} port_mm")
    port_mm: dict[str, float] = {key: port.number(key) for key in ("length", "diameter")}
    port.close()
    for key, bounds in (
        ("diameter", plausible.PORT_DIAMETER_MM),
        ("length", plausible.PORT_LENGTH_MM),
    ):
        if not bounds.holds(port_mm[key]):
            low, high = bounds.possible
            inner.fail(
                "port_mm",
                f"has a {key} of {port_mm[key]:g}: must be {low:g} mm or more, up to {high:g};"
                f" {OTHER_UNIT}",
            )
    if cabinet_mm is not None and port_mm["diameter"] >= max(cabinet_mm):
        inner.fail(
            "port_mm",
            f"has a diameter of {port_mm['diameter']:g}, and no side of cabinet_mm is longer than"
            f" {max(cabinet_mm):g}: give both in mm",
        )
    return port_mm


def _listed(values: tuple[float, ...]) -> str:
    return f"[{', '.join(f'{value:g}' for value in values)}]"


def same_device(name: str, other: str) -> bool:
    """Tell whether two names are one loudspeaker's; capitals and blanks make no difference."""
    return name.casefold().split() == other.casefold().split()


def _one_device(table: Table, device: Device) -> Device:
    """Return the device with the name that its takes give it, if any.

    Positions of two loudspeakers would be taken for two positions of one: what only one of them
    has would speak against it.
    """
    name = device.name
    for number, data in enumerate(table.take("takes"), start=1):
        inner = Table(data, f"{table.where}: [[takes]] {number}")
        own = inner.text("device", name)
        if own is not None and name is not None and not same_device(own, name):
            inner.fail(
                "device",
                f"is {own!r}, and this is a session of {name!r}: a session is one loudspeaker, so"
                " make a folder with a session.toml for each",
            )
        name = own if name is None else name
    return replace(device, name=name)


def _conditions(table: Table) -> Conditions:
    inner = Table(table.take("conditions", {}), f"{table.where}: [conditions]")
    band = inner.numbers("level_band_hz", DEFAULT_LEVEL_BAND_HZ, count=2)
    if not 0.0 < band[0] < band[1]:
        inner.fail("level_band_hz", f"is {list(band)}: must be two rising frequencies above 0")
    low_hz, high_hz = plausible.AUDIBLE_HZ
    if band[0] < plausible.LEAST_BAND_HZ or band[1] < low_hz or band[0] > high_hz:
        khz = f"in kHz? write {_listed((1e3 * band[0], 1e3 * band[1]))}" if band[1] < 100.0 else ""
        inner.fail(
            "level_band_hz",
            f"is {_listed(band)}: {khz or f'must lie between {low_hz:g} and {high_hz:g} Hz'}",
        )
    distance = plausible.distance_hint
    conditions = Conditions(
        temperature_c=_possible(
            inner, "temperature_c", "°C", plausible.TEMPERATURE_C, plausible.temperature_hint
        ),
        distance_m=_possible(inner, "distance_m", "m", plausible.DISTANCE_M, distance),
        listener_distance_m=_possible(
            inner, "listener_distance_m", "m", plausible.LISTENER_DISTANCE_M, distance
        ),
        level_band_hz=(band[0], band[1]),
        date=inner.date("date", None),
    )
    inner.close()
    return conditions


def _possible(
    inner: Table, key: str, unit: str, bounds: plausible.Range, hint: Callable[[float], str]
) -> float | None:
    """Return a number that its quantity can have; None where none was noted."""
    value: float | None = inner.number(key, None)
    if value is not None and not bounds.holds(value):
        low, high = bounds.possible
        meant = f"{said}; it " if (said := hint(value)) else ""
        inner.fail(key, f"is {value:g} {unit}: {meant}must lie between {low:g} and {high:g}")
    return value
