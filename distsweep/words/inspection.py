"""The page of text of an inspection."""

from __future__ import annotations

import math
from collections.abc import Sequence

from distsweep.results import Damage
from distsweep.results.inspection import FoundRun, InspectedChannel, Inspection
from distsweep.words.wording import (
    as_given,
    clock_time,
    decibels,
    frequency_range,
    listed,
    signed,
    with_sign,
)

SHOWN = 20
"""Markers and damages of a page that are listed singly (chosen: a page has some forty lines)."""

DIRECT_CURRENT = 0.001
"""Direct current from which it is mentioned, full scale 1 (chosen: −60 dBFS; many converters have
less)."""

_ENCODINGS = {
    "PCM_S8": "8 bits",
    "PCM_U8": "8 bits",
    "PCM_16": "16 bits",
    "PCM_24": "24 bits",
    "PCM_32": "32 bits",
    "FLOAT": "32 bits, floating point",
    "DOUBLE": "64 bits, floating point",
}


def inspection_page(found: Inspection) -> str:
    """Return what was found in one recording as some lines of text."""
    lines = [found.recording, *_indented([_file_line(found), *_channel_lines(found)])]
    lines += _indented(_stimulus_lines(found))
    lines += _indented(_damage_lines(found.damage))
    return "\n".join(lines)


def _indented(lines: Sequence[str]) -> list[str]:
    return [f"  {line}" for line in lines]


def _file_line(found: Inspection) -> str:
    encoding = _ENCODINGS.get(found.encoding, found.encoding)
    channels = "1 channel" if len(found.channels) == 1 else f"{len(found.channels)} channels"
    lossy = "; coded with loss: what its coder held to be masked is gone" if found.lossy else ""
    return (
        f"{found.container}, {encoding}, {found.rate_hz} Hz, {channels}, {time_of(found.length_s)}"
        f" long{lossy}"
    )


def _channel_lines(found: Inspection) -> list[str]:
    return [
        line
        for channel in found.channels
        for line in _one_channel(channel, signal=channel.channel == found.signal_channel)
    ]


def _one_channel(channel: InspectedChannel, *, signal: bool) -> list[str]:
    name = f"channel {channel.channel}"
    if channel.silent:
        return [f"{name}: silent"]
    here = ", holds the signal" if signal else ""
    lines = [
        f"{name}{here}: peak {decibels(channel.peak_dbfs, 'dBFS')},"
        f" RMS {decibels(channel.rms_dbfs, 'dBFS')}{_clipping(channel)}"
    ]
    if channel.not_a_number is not None:
        lines.append(f"  sample {channel.not_a_number} is not a number: it cannot be analysed")
    if abs(channel.direct_current) >= DIRECT_CURRENT:
        lines.append(f"  direct current of {100.0 * channel.direct_current:.2g} % of full scale")
    return [*lines, *_background(channel)]


def _clipping(channel: InspectedChannel) -> str:
    if not channel.clipped_samples or channel.clipped_at_dbfs is None:
        return ", not clipped"
    assert channel.first_clipped_s is not None
    return (
        f", {channel.clipped_samples} samples clipped at"
        f" {decibels(channel.clipped_at_dbfs, 'dBFS', 2)}, first at"
        f" {time_of(channel.first_clipped_s)}"
    )


def _background(channel: InspectedChannel) -> list[str]:
    background = channel.background
    if background is None:
        return ["  too short to tell a background"] if channel.not_a_number is None else []
    assert channel.background_start_s is not None and channel.background_end_s is not None
    lines = [
        f"  quietest from {time_of(channel.background_start_s)} to"
        f" {time_of(channel.background_end_s)}: background {_level(background.level_db)},"
        f" A-weighted {_level(background.a_weighted_db)}"
    ]
    if background.hum:
        tones = [
            f"{as_given(t.frequency_hz)} Hz at {signed(t.level_db, 0)}" for t in background.hum
        ]
        lines.append(f"  hum: {listed(tones)} dBFS")
    return lines


def _level(level_dbfs: float | None) -> str:
    return "unknown" if level_dbfs is None else decibels(level_dbfs, "dBFS")


def _stimulus_lines(found: Inspection) -> list[str]:
    lines = []
    if found.stimulus is not None and found.not_found:
        lines.append(f"stimulus {found.stimulus!r} was not found: {found.not_found}")
    if found.runs:
        times = "once" if len(found.runs) == 1 else f"{len(found.runs)} times"
        lines.append(f"stimulus {found.stimulus!r} was found {times}:")
        for run in found.runs:
            lines += _indented(_run_lines(run))
    if found.markers:
        at = [time_of(marker.start_s) for marker in found.markers[:SHOWN]]
        more = len(found.markers) - len(at)
        lines.append(f"markers of a stimulus at {listed(at)}{f' and {more} more' * (more > 0)}")
        if found.stimulus is None:
            lines.append("  give its sidecar with --stimulus to know what they belong to")
    for sweep in found.sweeps[:SHOWN]:
        lines.append(
            f"a sweep, seen from {frequency_range(sweep.low_hz, sweep.high_hz)}, from"
            f" {time_of(sweep.start_s)} to {time_of(sweep.end_s)}"
        )
    if not (found.runs or found.markers or found.sweeps or found.not_found):
        lines.append("no markers of a stimulus were found")
    return lines


def _run_lines(run: FoundRun) -> list[str]:
    place = f"from {time_of(run.start_s)} to {time_of(run.end_s)}"
    if run.trouble:
        return [f"{place}, but cannot be used: {run.trouble}"]
    found_by = {
        "both": "both markers",
        "start": "start marker only",
        "end": "end marker only",
        "sweeps": "by its sweeps",
        "sweep": "by its only sweep",
    }
    match = "" if run.match is None else f" (match {run.match:.2f} of 1)"
    drift = ""
    if run.clock_drift_ppm is not None:
        drift = f", clocks {with_sign(run.clock_drift_ppm)} ppm apart"
    told = f"{place}, {found_by.get(run.markers, 'one marker')}{match}{drift}"
    return [told, *_indented(run.missing)]


def _damage_lines(damage: Sequence[Damage]) -> list[str]:
    lines = [_damage(one) for one in damage[:SHOWN]]
    if len(damage) > SHOWN:
        lines.append(f"and {len(damage) - SHOWN} more")
    return ["damage:", *_indented(lines)] if lines else []


def _damage(damage: Damage) -> str:
    samples = "" if damage.samples is None else f", {damage.samples} samples"
    return f"{damage.kind.replace('_', ' ')} at {time_of(damage.start_s, 3)}{samples}"


def time_of(time_s: float, decimals: int = 1) -> str:
    """Write a place in a recording with a part of a second, "1:02.3"."""
    if not math.isfinite(time_s):
        return "?"
    scaled = round(abs(time_s) * 10**decimals)
    whole, part = divmod(scaled, 10**decimals)
    sign = "−" if time_s < 0.0 and scaled else ""
    return f"{sign}{clock_time(whole)}.{part:0{decimals}}"
