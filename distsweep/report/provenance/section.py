"""The page's section on where its numbers come from: version, date, settings, checksums."""

from __future__ import annotations

from typing import Any

from distsweep.report.content import Block, Cell, Paragraph, Section, Table, Terms
from distsweep.results import Provenance, Results, SourceFile
from distsweep.words import wording

_CHECK = (
    "A recording's checksum is the SHA-256 of its decoded samples: all channels interleaved, 64-bit"
    " floating point, little-endian, full scale 1. A WAV and a FLAC of the same recording have the"
    " same one. A stimulus's checksum is that of the file's bytes."
)


def provenance(results: Results) -> Section | None:
    """Say by what, when and from what the results were made; None in files that do not say."""
    made = results.provenance
    if made is None:
        return None
    blocks: list[Block] = [Terms(_facts(made))]
    takes = made.settings.get("takes")
    if isinstance(takes, list) and all(isinstance(take, dict) for take in takes):
        blocks.append(_take_table(takes))
    blocks.append(_checksum_table("Recordings", made.recordings))
    blocks.append(_checksum_table("Stimuli", made.stimuli))
    blocks.append(Paragraph(_CHECK))
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
    band = made.settings.get("level_band_hz")
    if isinstance(band, list) and len(band) == 2:
        pairs.append(("Level band", wording.frequency_range(*band)))
    levels = made.settings.get("levels_spl")
    if isinstance(levels, list) and levels:
        listed = ", ".join(f"{level:g}" for level in levels)
        pairs.append(("Stated levels", f"{listed} dB SPL"))
    mic = made.settings.get("mic_correction")
    if isinstance(mic, dict):
        pairs.append(("Microphone correction", f"{mic.get('name')}, SHA-256 {mic.get('sha256')}"))
    return pairs


def _take_table(takes: list[dict[str, Any]]) -> Table:
    """Return what each take was set to."""
    columns = ["Take", "Stimulus", "Recording", "Channel", "Run", "Highest order", "Calibration"]
    rows = [
        [
            Cell(str(take.get("position", ""))),
            Cell(str(take.get("stimulus", ""))),
            Cell(", ".join(map(str, take.get("recordings") or []))),
            _given(take.get("channel"), "not named"),
            _given(take.get("number"), "not named"),
            _given(take.get("order"), "—"),
            _given(take.get("calibration"), "none"),
        ]
        for take in takes
    ]
    return Table("What each take was set to.", columns, rows)


def _given(value: object, missing: str) -> Cell:
    return Cell(missing, pale=True) if value is None else Cell(str(value))


def _checksum_table(caption: str, files: list[SourceFile]) -> Table:
    """Return names and checksums, these in two lines of 32 characters, as wide as a phone holds."""
    rows = [[Cell(file.name), Cell(file.sha256[:32], below=file.sha256[32:])] for file in files]
    return Table(f"{caption}, with their checksums.", [caption, "SHA-256"], rows)
