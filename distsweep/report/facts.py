"""Tables and lists of the page, from results to cells; an absent thing becomes a sentence."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from distsweep.report.content import Block, Cell, Paragraph, Table, Terms
from distsweep.report.reliability import Standing, thd_reliable, thd_standing
from distsweep.results import Background, RecordedCalibration, Results, Rung, Take, Warning_
from distsweep.units import FloatArray
from distsweep.words import wording

# Octave centres of IEC 61260-1, with thirds added where bass distortion changes fastest.
TABLE_HZ = (25, 31.5, 40, 50, 63, 80, 100, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
_NEAR_ENOUGH = 2 ** (1 / 12)  # a grid point further off would stand for another frequency

_LABELS = {
    "name": "Name",
    "temperature_c": "Temperature, °C",
    "distance_m": "Microphone distance, m",
    "listener_distance_m": "Listener distance, m",
    "level_band_hz": "Band a level is averaged over, Hz",
    "cabinet_mm": "Cabinet inside (width, height, depth), mm",
    "port_mm": "Port, mm",
    "pascal_per_fs": "Pressure of a 0 dBFS sine, Pa RMS",
    "spl_at_0dbfs_db": "Level of a 0 dBFS sine, dB SPL",
    "source": "Calibration taken from",
    "mic_correction": "Microphone correction",
}

CAUTIONS = [
    "Sweeps at high level harm hearing: wear protection, or leave the room.",
    "They harm drivers too, tweeters first and woofers below their tuning: start low, go up in "
    "small steps, and stop at the first unusual sound or smell.",
    "Never lift a protective earth to be rid of hum. Use balanced lines or an isolating "
    "transformer in the signal line.",
    "Local rules for electrical safety and noise come first, before anything written here.",
]


def condition_terms(results: Results) -> list[tuple[str, str]]:
    """Device, conditions and calibration as pairs of a name and a value."""
    pairs = [(_label(key), _words(value)) for key, value in results.device.noted().items()]
    pairs += [(_label(key), _words(value)) for key, value in results.conditions.noted().items()]
    calibrated = any(wording.level_unit(take) == "dB SPL" for take in results.takes)
    pairs.append(("Calibration", "calibrated in dB SPL" if calibrated else "none: levels in dBFS"))
    pairs += [(_label(key), _words(value)) for key, value in _scale(results.calibration).items()]
    pairs.append((_label("mic_correction"), correction_words(results.calibration)))
    pairs += [
        (
            f"Take “{take.position}” was made with",
            _words(_scale(take.calibration)) or "no calibration",
        )
        for take in results.takes
        if take.calibration != results.calibration
    ]
    return [(name, value) for name, value in pairs if value]


def _scale(calibration: RecordedCalibration) -> dict[str, Any]:
    """Return a calibration without the microphone's correction, which is the session's."""
    return {k: v for k, v in calibration.noted().items() if not k.startswith("mic_correction")}


def correction_words(calibration: RecordedCalibration) -> str:
    """Say which correction was applied, at how many points, and its largest value; "" if none."""
    name = calibration.mic_correction
    if not name:
        return ""
    points = calibration.mic_correction_points
    largest_db = calibration.mic_correction_largest_db
    at_hz = calibration.mic_correction_largest_at_hz
    if points is None or largest_db is None or at_hz is None:  # results of an earlier version
        return str(name)
    return (
        f"{name}: {points} points, largest {wording.signed(largest_db, 2)} dB at"
        f" {wording.frequency(at_hz)}, subtracted"
    )


def _label(key: str) -> str:
    return _LABELS.get(key, key.replace("_", " ").capitalize())


def _words(value: Any) -> str:
    """Write a value from a file for a reader: lists with commas, tables as "key value"."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.6g}".replace("-", "−") if math.isfinite(value) else ""
    if isinstance(value, dict):
        return ", ".join(f"{key.replace('_', ' ')} {_words(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_words(item) for item in value)
    return str(value)


def warning_sentence(results: Results, warning: Warning_) -> str:
    """A warning with where it applies."""
    where = []
    if warning.take:
        where.append(f"take “{warning.take}”")
    if warning.rung is not None:
        where.append(_rung_words(results, warning))
    if warning.frequency_hz is not None and math.isfinite(warning.frequency_hz):
        where.append(wording.frequency(warning.frequency_hz))
    return warning.message + (f" ({', '.join(where)})" if where else "")


def _rung_words(results: Results, warning: Warning_) -> str:
    """The drive of the rung a warning names; its number when the take cannot be told."""
    assert warning.rung is not None  # the caller looked
    takes = [t for t in results.takes if t.position == warning.take] or results.takes[:1]
    if len(takes) == 1 and 0 <= warning.rung < len(takes[0].rungs):
        return f"drive {wording.drive(takes[0].rungs[warning.rung].drive_dbfs)}"
    return f"rung {warning.rung + 1}"


def take_terms(take: Take) -> list[tuple[str, str]]:
    """Stimulus, grid, clock and return check of a take."""
    pairs = [("Stimulus", take.stimulus), ("Kind", take.kind)]
    f = take.frequency_hz
    if f.size:
        ends = wording.frequency_range(float(f[0]), float(f[-1]))
        pairs.append(("Excitation frequencies", f"{f.size} points from {ends}"))
    if len(take.band_hz) == 2:
        pairs.append(("Measured band", wording.frequency_range(*take.band_hz)))
    shape = take.drive_shape_db[np.isfinite(take.drive_shape_db)]
    if shape.size and float(np.abs(shape).max()) >= 0.05:
        low, high = wording.signed(float(shape.min())), wording.signed(float(shape.max()))
        pairs.append(("Drive shaped over frequency", f"{low} to {high} dB re the rung's drive"))
    drift = take.clock_drift_ppm
    pairs.append(("Clock drift", "not known" if drift is None else f"{wording.signed(drift)} ppm"))
    if take.return_check_db is not None and math.isfinite(take.return_check_db):
        change = wording.signed(take.return_check_db, 2)
        pairs.append(("Return check", f"{change} dB (return rung minus first rung)"))
    pairs.append(("Level unit", wording.level_axis(take).removeprefix("Level, ")))
    return pairs


def rung_table(take: Take) -> Table:
    """Drive, SPL, peak and clipping a rung."""
    calibrated = wording.level_unit(take) == "dB SPL"
    rows = [
        [
            Cell(wording.drive(rung.drive_dbfs)),
            _number(rung.spl_db, "not stated" if calibrated else "not calibrated"),
            _number(rung.peak_dbfs, "not known"),
            Cell(_clipped_words(rung)),
        ]
        for rung in take.rungs
    ]
    columns = ["Drive", "Level, dB SPL", "Recording's peak level, dBFS", "Clipped"]
    return Table("The rungs played, and what was recorded of each.", columns, rows)


def _clipped_words(rung: Rung) -> str:
    if not rung.clipped:
        return "no"
    rest = thd_reliable(rung).any() or any(c.reliable.any() for c in rung.harmonics.values())
    return "yes: in part" if rest else "yes: nothing reliable"


def _number(value: float | None, otherwise: str) -> Cell:
    if value is None or not math.isfinite(value):
        return Cell(otherwise, pale=True)
    return Cell(wording.signed(value))


def thd_table(take: Take) -> Block:
    """THD at octaves (thirds in the bass) for each rung, in percent and dB."""
    picked = _table_points(take.frequency_hz)
    standings = [thd_standing(rung) for rung in take.rungs]
    if not picked or not any(standing.any() for standing in standings):
        return Paragraph(
            "There is no table of THD: at no level and no frequency does it stand clear of the "
            "noise, unclipped."
        )
    rows = [
        [Cell(f"{nominal:g} Hz" if nominal < 1000 else f"{nominal / 1000:g} kHz")]
        + [_thd_cell(r, s, index) for r, s in zip(take.rungs, standings, strict=True)]
        for nominal, index in picked
    ]
    caption = (
        "THD in percent, and below it in dB re the fundamental, at the grid point nearest to each "
        "frequency: a narrow peak between two rows does not show. “≈”: uncertain, noise may have "
        "moved it by several decibels; “noise”: hidden by noise, so unknown; “—”: no harmonic lies "
        "inside the band."
    )
    if any(rung.clipped for rung in take.rungs):
        caption += " “Clipped”: spoilt by clipping, or by noise, and nothing tells by which."
    columns = ["Excitation frequency"] + [wording.drive(rung.drive_dbfs) for rung in take.rungs]
    return Table(caption, columns, rows)


def _table_points(frequency_hz: FloatArray) -> list[tuple[float, int]]:
    """Nominal frequencies that the grid holds, each with its nearest point."""
    picked = []
    for nominal in TABLE_HZ:
        if frequency_hz.size:
            index = int(np.argmin(np.abs(np.log(frequency_hz / nominal))))
            ratio = float(frequency_hz[index]) / nominal
            if 1 / _NEAR_ENOUGH <= ratio <= _NEAR_ENOUGH:
                picked.append((float(nominal), index))
    return picked


def _thd_cell(rung: Rung, standing: Standing, index: int) -> Cell:
    if not rung.orders_summed[index] > 0:
        return Cell("—", pale=True)
    percent = wording.percent(float(rung.thd_percent[index]))
    decibels = wording.decibels(float(rung.thd_db[index]))
    if standing.reliable[index]:
        return Cell(percent, decibels)
    if standing.uncertain[index]:
        return Cell(f"≈ {percent}", f"≈ {decibels}", pale=True)
    return Cell("clipped" if rung.clipped else "noise", pale=True)


def background_blocks(take: Take, background: Background | None) -> list[Block]:
    """Level, A-weighted level and hum of the background, or that it is not known."""
    if background is None:
        return [Paragraph("The background noise was not measured in this take.")]
    unit = wording.level_unit(take)
    pairs = [
        (name, "not known" if level is None or not math.isfinite(level)
         else wording.decibels(level, unit))
        for name, level in (("Level", background.level_db),
                            ("A-weighted level", background.a_weighted_db))
    ]  # fmt: skip
    blocks: list[Block] = [Terms(pairs)]
    if not background.hum:
        return [*blocks, Paragraph("No line of mains hum stands out of it.")]
    rows = [
        [Cell(wording.frequency(tone.frequency_hz)), _number(tone.level_db, "not known")]
        for tone in background.hum
    ]
    return [*blocks, Table("Lines of mains hum.", ["Frequency heard", f"Level, {unit}"], rows)]
