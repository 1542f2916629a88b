"""What the page tells of the measurement itself: conditions, warnings, levels played, cautions."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from distsweep.report.content import (
    Block,
    Cell,
    Paragraph,
    Points,
    Section,
    Table,
    Terms,
    number_cell,
)
from distsweep.report.reliability import thd_reliable
from distsweep.results import (
    BACKGROUND,
    Loopback,
    RecordedCalibration,
    Results,
    Rung,
    Take,
    Warning_,
)
from distsweep.words import wording
from distsweep.words.calibration import correction

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

_CAUTIONS = [
    "Sweeps at high level harm hearing: wear protection, or leave the room.",
    "They harm drivers too, tweeters first and woofers below their tuning: start low, go up in "
    "small steps, and stop at the first unusual sound or smell.",
    "Never lift a protective earth to be rid of hum. Use balanced lines or an isolating "
    "transformer in the signal line.",
    "Local rules for electrical safety and noise come first, before anything written here.",
]


def warnings(results: Results) -> Section:
    """What the analysis warns of."""
    if not results.warnings:
        blocks: list[Block] = [Paragraph("The analysis found nothing to warn of.")]
    else:
        blocks = [Points([_warning_sentence(results, w) for w in results.warnings])]
    count = f" ({len(results.warnings)})" if results.warnings else ""
    return Section(f"Warnings{count}", "warnings", blocks)


def conditions(results: Results) -> Section:
    """Device, place and calibration."""
    return Section("Conditions", "conditions", [Terms(condition_terms(results))])


def levels(_results: Results, take: Take, name: str) -> Section:
    """Stimulus and rungs."""
    blocks: list[Block] = [Terms(_take_terms(take))]
    if take.rungs:
        blocks.append(_rung_table(take))
    clipped = [rung for rung in take.rungs if rung.clipped]
    line = f"{len(clipped)} of {len(take.rungs)} rungs clipped." if clipped else ""
    return Section("Levels played", f"take-{name}.levels", blocks, folded=True, lead=line)


def cautions(_results: Results) -> Section:
    """Before anyone repeats this."""
    return Section("Before you repeat this", "cautions", [Points(_CAUTIONS)])


def one_line(results: Results) -> str:
    """The conditions on one line: the places, the distance, the calibration, the date."""
    places = list(dict.fromkeys(take.position for take in results.takes))
    calibrated = any(wording.level_unit(take) == "dB SPL" for take in results.takes)
    distance_m, temperature_c = results.distance_m_at(), results.conditions.temperature_c
    if results.takes and all(take.distance_m not in (None, distance_m) for take in results.takes):
        distance_m = None  # each take has one of its own
    played = any(take.kind != BACKGROUND for take in results.takes) or not results.takes
    made = results.provenance.created[:10] if results.provenance else ""
    parts = [
        "Sine sweeps at rising levels" if played else "The background while nothing was played",
        wording.listed(places[:4]) + (f" and {len(places) - 4} more" if len(places) > 4 else ""),
        "" if distance_m is None else f"{distance_m:g} m",
        "" if temperature_c is None else f"{temperature_c:g} °C",
        "calibrated in dB SPL" if calibrated else "not calibrated: levels in dBFS",
        made,
    ]
    return " · ".join(part for part in parts if part)


def condition_terms(results: Results) -> list[tuple[str, str]]:
    """Device, conditions and calibration as pairs of a name and a value."""
    pairs = [(_label(key), _words(value)) for key, value in results.device.items()]
    pairs += [(_label(key), _words(value)) for key, value in results.conditions.items()]
    calibrated = any(wording.level_unit(take) == "dB SPL" for take in results.takes)
    pairs.append(("Calibration", "calibrated in dB SPL" if calibrated else "none: levels in dBFS"))
    pairs += [(_label(key), _words(value)) for key, value in _scale(results.calibration).items()]
    pairs.append((_label("mic_correction"), correction(results.calibration)))
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
    """Return a calibration without the microphone's correction, which is the session's.

    The level is rounded: hundredths of a decibel are beyond any calibrator.
    """
    scale = {k: v for k, v in calibration.items() if not k.startswith("mic_correction")}
    level_db = scale.get("spl_at_0dbfs_db")
    if level_db is not None:
        scale["spl_at_0dbfs_db"] = wording.signed(level_db)
    return scale


def _label(key: str) -> str:
    return _LABELS.get(key, key.replace("_", " ").capitalize())


def _words(value: Any) -> str:
    """Write a value from a file for a reader: lists with commas, tables as "key value"."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return wording.as_given(value) if math.isfinite(value) else ""
    if isinstance(value, dict):
        return ", ".join(f"{key.replace('_', ' ')} {_words(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_words(item) for item in value)
    return str(value)


def _warning_sentence(results: Results, warning: Warning_) -> str:
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


def _take_terms(take: Take) -> list[tuple[str, str]]:
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
    if take.loopback is not None:
        pairs.append(("Loop-back", _loopback(take.loopback)))
    if take.return_check_db is not None and math.isfinite(take.return_check_db):
        change = wording.signed(take.return_check_db, 2)
        pairs.append(("Return check", f"{change} dB (return rung minus first rung)"))
    pairs.append(("Level unit", wording.level_axis(take).removeprefix("Level, ")))
    return pairs


def _loopback(loopback: Loopback) -> str:
    """Say where the loop-back was, and how much later the microphone heard it."""
    channel = f"channel {loopback.channel}"
    if loopback.delay_ms is None or loopback.distance_m is None:
        return channel
    return (
        f"{channel}; the microphone hears it {loopback.delay_ms:.2f} ms later, in which sound goes "
        f"{loopback.distance_m:.2f} m at {loopback.temperature_c:g} °C (the delay of a "
        "loudspeaker's electronics is in it)"
    )


def _rung_table(take: Take) -> Table:
    """Drive, SPL, peak and clipping a rung."""
    calibrated = wording.level_unit(take) == "dB SPL"
    rows = [
        [
            Cell(wording.drive(rung.drive_dbfs)),
            number_cell(rung.spl_db, missing="not stated" if calibrated else "not calibrated"),
            number_cell(rung.peak_dbfs, missing="not known"),
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
