"""The page's section on where its numbers come from: version, date, settings, checksums."""

from __future__ import annotations

from typing import Any

from distsweep.report.content import Block, Paragraph, Section, Terms
from distsweep.results import BACKGROUND, Provenance, Results, SourceFile
from distsweep.words import wording

_RECORDINGS = (
    "Recordings, with the SHA-256 of their decoded samples (all channels interleaved, 64-bit"
    " floating point, little-endian, full scale 1), which a WAV and a FLAC of the same recording"
    " share:"
)


def provenance(results: Results) -> Section | None:
    """Say by what, when and from what the results were made; None in files that do not say."""
    made = results.provenance
    if made is None:
        return None
    blocks: list[Block] = [Terms(_facts(made))]
    takes = made.settings.get("takes")
    if isinstance(takes, list) and all(isinstance(take, dict) for take in takes):
        blocks.append(Paragraph("What each take was set to:"))
        blocks.append(
            Terms([(str(take.get("position", "")), _set_to(take)) for take in takes], long=True)
        )
    blocks += [Paragraph(_RECORDINGS), _checksums(made.recordings)]
    blocks += [Paragraph("Stimuli, with the SHA-256 of the files:"), _checksums(made.stimuli)]
    return Section(
        "Where the numbers come from", "provenance", blocks, folded=True, lead=_lead(made)
    )


def _lead(made: Provenance) -> str:
    recordings, stimuli = len(made.recordings), len(made.stimuli)
    return (
        f"distsweep {made.version}, {_date(made)}; checksums of {recordings}"
        f" recording{'' if recordings == 1 else 's'} and {stimuli}"
        f" stimul{'us' if stimuli == 1 else 'i'}."
    )


def _date(made: Provenance) -> str:
    """Write the date and time as a reader's eye takes it in: "2026-11-27 17:21:05 UTC"."""
    return made.created.replace("T", " ").replace("Z", " UTC")


def _facts(made: Provenance) -> list[tuple[str, str]]:
    """Return version, date, and the settings that concern every take."""
    pairs = [("Analysed by", f"distsweep {made.version}"), ("Analysed on", _date(made))]
    band = _numbers(made.settings.get("level_band_hz"))
    if len(band) == 2:
        pairs.append(("Level band", wording.frequency_range(*band)))
    levels = _numbers(made.settings.get("levels_spl"))
    if levels:
        listed = ", ".join(f"{level:g}" for level in levels)
        pairs.append(("Stated levels", f"{listed} dB SPL"))
    mic = made.settings.get("mic_correction")
    if isinstance(mic, dict):
        pairs.append(("Microphone correction", f"{mic.get('name')}, SHA-256 {mic.get('sha256')}"))
    return pairs


def _numbers(value: Any) -> list[float]:
    """Return a setting that is a list of numbers; nothing for what else a file may hold there."""
    numbers = value if isinstance(value, list) else []
    return numbers if all(isinstance(one, int | float) for one in numbers) else []


def _set_to(take: dict[str, Any]) -> str:
    """Say what a take's numbers depend on beside its samples."""
    named = take.get("recordings")
    recordings = ", ".join(map(str, named)) if isinstance(named, list) else ""
    played = take.get("stimulus", "stimulus not noted")
    if take.get("kind") == BACKGROUND:
        played = f"background, loudspeaker {take.get('state', 'state not noted')},"
    parts = [f"{played} in {recordings or 'no recording'}"]
    chosen = (
        ("placement {}", take.get("placement")),
        ("channel {}", take.get("channel")),
        ("loop-back channel {}", take.get("loopback_channel")),
        ("run {}", take.get("number")),
        ("orders up to {}", take.get("order")),
    )
    parts += [text.format(value) for text, value in chosen if value is not None]
    parts.append(f"calibration: {take.get('calibration', 'none')}")
    return "; ".join(parts)


def _checksums(files: list[SourceFile]) -> Terms:
    """Return names and checksums: a table of them would be wider than a phone."""
    return Terms([(file.name, file.sha256) for file in files], long=True)
