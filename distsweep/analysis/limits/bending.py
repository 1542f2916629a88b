"""Tones whose waveform is bent, compared: at one drive at every frequency, or at several."""

from __future__ import annotations

from collections.abc import Sequence

from distsweep.results import Staircase

SAME_DRIVE_DB = 1.0
"""Onsets so near each other count as the same drive (chosen: a loudspeaker's own curvature and
steps of 2 or 3 dB move an interpolated onset by less)."""

LEAST_SPAN = 4.0
"""The tones must span two octaves for their drives to say anything of frequency."""


def add_bending(rows: Sequence[Staircase], bent: Sequence[bool]) -> None:
    """Say beside each bent tone how the drives of all of them compare.

    Only tones with an onset (0.5 dB less gain) are compared. ``bent`` says of each row whether
    its waveform is.
    """
    pairs = zip(rows, bent, strict=True)
    found = [row for row, flag in pairs if flag and row.onset_dbfs is not None]
    text = _comparison(found, rows)
    for row in found:
        if text and row.limiter is not None:
            row.limiter.evidence.append(text)


def _comparison(bent: Sequence[Staircase], rows: Sequence[Staircase]) -> str:
    onsets = {row.frequency_hz: row.onset_dbfs for row in bent if row.onset_dbfs is not None}
    if not onsets:
        return ""
    low, high = min(onsets.values()), max(onsets.values())
    straight = [row for row in rows if not any(row is one for one in bent)]
    follow = [row for row in straight if row.drive_dbfs[-1] >= high + SAME_DRIVE_DB]
    if high - low > SAME_DRIVE_DB:
        each = ", ".join(f"{tone:g} Hz {onset:.1f}" for tone, onset in sorted(onsets.items()))
        text = (
            f"bent at drives that differ with frequency (0.5 dB less gain from, in dBFS: {each}):"
            " a driver, or electronics behind a filter"
        )
    elif follow:
        others = ", ".join(f"{row.frequency_hz:g}" for row in follow)
        text = (
            f"at {others} Hz, played as loud, the gain falls by less than 0.5 dB or without"
            " a bent wave: what bends it acts on a part of the band"
        )
    elif max(onsets) >= LEAST_SPAN * min(onsets):
        text = (
            f"bent at the same drive at {len(onsets)} tones from {min(onsets):g} to"
            f" {max(onsets):g} Hz (0.5 dB less gain from {low:.1f} to {high:.1f} dBFS): that"
            " points to electronics before the drivers, rather than to a driver"
        )
    else:
        text = ""  # too few tones, or too near each other, to tell
    return text.replace(" -", " −")
