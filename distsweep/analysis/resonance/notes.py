"""What cannot be told of a session's resonances, and why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.resonance.curves import LadderCurves
from distsweep.analysis.resonance.evidence import CLEAR_DB
from distsweep.results import Resonance, Take

UNRESOLVED_RATIO = 4.0
"""A sweep that resolves nothing over its lowest two octaves is worth a word (chosen)."""

HARDLY_ANY = 0.01
"""Share of all harmonics' points that must stand clear of the noise for a search to mean much."""


def notes(
    takes: Sequence[Take],
    curves: Sequence[LadderCurves],
    resonances: Sequence[Resonance],
    *,
    causes_known: bool,
) -> list[str]:
    """Say what cannot be told of a session, and why; an empty list of resonances gets a word."""
    if not curves:
        return [_nothing_to_search(takes)]
    found = [*_unresolved(curves)]
    heard = [c.above_floor_db for c in curves if not np.isnan(c.above_floor_db).all()]
    if not heard and not found:
        found.append(
            "How far the harmonics stand above the noise is not known, so no peak can be told "
            "from it."
        )
    elif heard and max(float(np.mean(above >= CLEAR_DB)) for above in heard) < HARDLY_ANY:
        found.append(
            "Hardly any harmonic stands clear of the noise, so no peak can be told from it: a "
            "resonance may be there and hidden. Measure louder, closer or in a quieter place."
        )
    elif heard and not resonances:
        found.append(
            "No narrow peak stands out of any harmonic in a way that a resonance would: none "
            "was found. One that noise hides, or that a step of the response swallows, is not "
            "excluded."
        )
    if all(len(c.drive_dbfs) == 1 for c in curves):
        found.append(
            "There is one clean level only: whether a peak grows with level, or is a burst of "
            "noise, cannot be told."
        )
    if len(curves) == 1:
        found.append(
            f"There is one position only, “{curves[0].position}”: where a resonance is strongest "
            "cannot be told, nor a reflection in the room be excluded. Near-field takes of "
            "woofer, port and tweeter would."
        )
    if resonances and not causes_known:
        found.append(
            "No causes are offered: they need the cabinet's or the port's inner size (cabinet_mm, "
            "port_mm in session.toml)."
        )
    return found


def _unresolved(curves: Sequence[LadderCurves]) -> list[str]:
    """Say it where a sweep is too short to tell narrow peaks over much of its band."""
    best = min(curves, key=lambda c: float(c.resolved_from_hz.min() / c.frequency_hz[0]))
    from_hz = float(best.resolved_from_hz.min())
    if from_hz <= UNRESOLVED_RATIO * float(best.frequency_hz[0]):
        return []
    return [
        f"The sweep is too short to tell narrow peaks below {from_hz:.0f} Hz played: harmonics "
        "lie too close together in time there. A longer sweep reaches lower."
    ]


def _nothing_to_search(takes: Sequence[Take]) -> str:
    if not takes:
        return (
            "There is no ladder to look for resonances in: they show in harmonics over frequency."
        )
    return (
        "No resonance was looked for: every level clipped, or no harmonic was separated. Record "
        "at a lower input gain, with a stimulus of order 2 or more."
    )
