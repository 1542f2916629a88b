"""What agrees with a resonance and what speaks against it: when each reason holds."""

from __future__ import annotations

import math
from collections.abc import Sequence

from distsweep.analysis.resonance.causes import OfferedCause
from distsweep.analysis.resonance.found import PRESENT_BUMP_DB, ResonanceFacts
from distsweep.analysis.resonance.growth import Growth
from distsweep.analysis.resonance.heights import clearest
from distsweep.analysis.resonance.mode import SHOWN_LOG_RATIO
from distsweep.reason import Reason
from distsweep.results import AtPosition, Tone

OTHERWISE_WORTH_A_WORD = 0.2
"""Share of a mode's evidence that another explanation reaches: less goes without a word (chosen:
one in five is no rarity)."""

Q_AGREES = 1.4
"""Two Qs agree within this factor (chosen: the Qs that are tried are 1.6 apart, and a ripple of
2 dB bends a decay of 20 dB by a tenth)."""

HUM_WITHIN = 0.015
"""A mains line within this fraction of where a peak is heard is worth a word (chosen: a window of
70 periods is so wide)."""

GROWTH_TOLERANCE_DB_PER_DB = 0.5
"""Growth this close to that of mild nonlinearity agrees with it (chosen: half-way to that of the
next order)."""

OTHER_KIND_WORTH_A_WORD = 0.2
"""Confidence that the other kind would have (chosen: one in five is no rarity)."""


def agreements(facts: ResonanceFacts) -> tuple[Reason, ...]:
    """Return what agrees with the resonance's kind."""
    reasons = [*_curves(facts, "curves_agree", 1.0), *_peaks(facts)]
    if facts.kind == "radiated":
        if not facts.mode.in_response:
            reasons.append(Reason("products_keep_it"))
        elif facts.fundamental_bump == "present":
            reasons.append(Reason("fundamental_peaks_too", bump_db=facts.heights.bump_db))
    elif facts.fundamental_bump == "absent":
        reasons.append(Reason("fundamental_flat_where_set_off"))
    if facts.levels_clear > 1 and facts.levels_showing > 1:
        reasons.append(
            Reason("levels_show_it", showing=facts.levels_showing, clear=facts.levels_clear)
        )
    if _grows_mildly(facts.growth):
        reasons.append(Reason("grows_as_mild", **facts.growth.values))
    if facts.decay.state == "rings" and not _decay_of_other_q(facts):
        reasons.append(facts.decay.reason)
    return (*reasons, *(_shown_at(at, facts) for at in facts.positions.at if _elsewhere(at, facts)))


def _curves(facts: ResonanceFacts, code: str, sign: float) -> list[Reason]:
    """Name the curves that speak for a mode, or against it where ``sign`` is −1, most first."""
    chosen = sorted(
        (c for c in facts.mode.contributions if sign * c.log_ratio >= SHOWN_LOG_RATIO),
        key=lambda c: -sign * c.log_ratio,
    )
    if not chosen:
        return []
    return [
        Reason(
            code,
            orders=[c.order for c in chosen],
            positions=[c.position for c in chosen],
            log_ratios=[sign * c.log_ratio for c in chosen],
        )
    ]


def _peaks(facts: ResonanceFacts) -> list[Reason]:
    heights = facts.heights
    if not heights.spikes:
        return []
    orders = sorted(heights.spike_db)
    peaks: dict[str, list[float]] = {
        "played_hz": [clearest(heights.seen, order).excitation_hz for order in orders],
        "heights_db": [heights.spike_db[order] for order in orders],
    }
    if facts.kind == "excited":
        return [Reason("peaks_where_played", orders=orders, **peaks)]
    hz = facts.mode.frequency_hz
    return [Reason("peaks_where_products_land", frequency_hz=hz, orders=orders, **peaks)]


def contradictions(facts: ResonanceFacts, hum: Sequence[Tone]) -> tuple[Reason, ...]:
    """Return what speaks against the resonance; ``hum`` is the background's mains lines."""
    heights, mode = facts.heights, facts.mode
    reasons = _curves(facts, "curves_disagree", -1.0)
    if not mode.direct:
        reasons.append(Reason("room_may_make_it"))
    if facts.kind == "excited" and len(heights.spike_db) == 1:
        silent = [n for n in heights.clear_orders if n not in heights.spike_db]
        reasons.append(Reason("single_order", order=heights.top.order, silent_orders=silent))
    if facts.kind == "radiated" and mode.in_response and facts.fundamental_bump != "present":
        reasons.append(_little_bump(heights.bump_db))
    if mode.other_log_ratio > OTHERWISE_WORTH_A_WORD * mode.log_ratio:
        share = min(mode.other_log_ratio / mode.log_ratio, 1.0)
        reasons.append(Reason("explained_otherwise", kind=facts.kind, share=share))
    reasons += _hum(facts, hum) + _one_level(facts)
    if facts.growth.slope_db_per_db is not None and not _grows_mildly(facts.growth):
        reasons.append(Reason("grows_otherwise", **facts.growth.values))
    if facts.other_kind >= OTHER_KIND_WORTH_A_WORD:
        other = "excited" if facts.kind == "radiated" else "radiated"
        reasons.append(Reason("other_kind", kind=other, confidence=facts.other_kind))
    if facts.decay.state == "no_longer":
        reasons.append(facts.decay.reason)
    reasons += _decay_of_other_q(facts)
    missing = [at.position for at in facts.positions.at if at.state == "missing"]
    if missing:
        reasons.append(Reason("missing_at", positions=missing))
    return tuple(reasons)


def _agree(one_q: float, other_q: float) -> bool:
    return abs(math.log(one_q / other_q)) < math.log(Q_AGREES)


def _little_bump(bump_db: float) -> Reason:
    """What the fundamental shows where it has no peak that is surely one."""
    if math.isnan(bump_db):
        return Reason("outside_sweep")
    if bump_db <= 0.0:
        return Reason("fundamental_has_no_peak")
    return Reason("fundamental_peak_too_small", bump_db=bump_db)


def _hum(facts: ResonanceFacts, hum: Sequence[Tone]) -> list[Reason]:
    """A peak that sits on a mains line, and perhaps does not grow as distortion would."""
    top, growth = facts.heights.top, facts.growth.slope_db_per_db
    if not facts.heights.spikes:
        return []
    heard_hz = top.order * top.excitation_hz
    for tone in hum:
        if abs(heard_hz / tone.frequency_hz - 1.0) <= HUM_WITHIN:
            steady = growth is not None and growth < 0.0
            return [Reason("on_hum", hum_hz=tone.frequency_hz, order=top.order, steady=steady)]
    return []


def _one_level(facts: ResonanceFacts) -> list[Reason]:
    if facts.levels_showing != 1:
        return []
    drive_dbfs = float(facts.heights.curves.drive_dbfs[facts.heights.seen[0].row])
    if facts.levels_clear == 1:
        return [Reason("one_clear_level", drive_dbfs=drive_dbfs)]
    return [Reason("one_of_several_levels", drive_dbfs=drive_dbfs, clear=facts.levels_clear)]


def _grows_mildly(growth: Growth) -> bool:
    slope = growth.slope_db_per_db
    return slope is not None and abs(slope - growth.mild_db_per_db) <= GROWTH_TOLERANCE_DB_PER_DB


def _decay_of_other_q(facts: ResonanceFacts) -> list[Reason]:
    """The decay means another Q than the response and the fit."""
    decay, q = facts.decay, facts.mode.q
    if decay.q is None or _agree(decay.q, q):
        return []
    return [Reason("rings_with_other_q", **decay.reason.values, fitted_q=q)]


def _elsewhere(at: AtPosition, facts: ResonanceFacts) -> bool:
    return at.state in ("present", "strongest") and at.position != facts.position


def _shown_at(at: AtPosition, facts: ResonanceFacts) -> Reason:
    """A position that shows it too, with the heights that are worth a number."""
    bump_db, spike_db = (
        None if height_db is None or height_db < PRESENT_BUMP_DB else height_db
        for height_db in (at.fundamental_bump_db, at.spike_db)
    )
    strongest = at.state == "strongest"
    return Reason(
        "shown_at",
        position=at.position,
        strongest=strongest,
        loudest_product=strongest and facts.kind == "excited",
        bump_db=bump_db,
        spike_db=spike_db,
    )


def _steady_tone(facts: ResonanceFacts) -> list[Reason]:
    """What a steady tone would show of it."""
    steady = facts.steady
    if steady is None:
        return []
    return [
        Reason(
            "steady_tone_shows",
            order=steady.order,
            frequency_hz=steady.frequency_hz,
            drive_dbfs=steady.drive_dbfs,
            level_db=steady.level_db,
            low_db=steady.low_db,
            high_db=steady.high_db,
            swept_db=steady.swept_db,
            sweep_s=steady.sweep_s,
        )
    ]


def summary(
    facts: ResonanceFacts, causes: Sequence[OfferedCause], *, sizes_known: bool
) -> tuple[Reason, ...]:
    """Return what makes one paragraph on a resonance.

    ``sizes_known`` says whether the cabinet's or the port's sizes predict any frequency.
    """
    positions, growth = facts.positions.at, facts.growth
    reasons = [
        Reason(
            "something_resonates",
            confidence=facts.confidence,
            frequency_hz=facts.mode.frequency_hz,
            q=facts.mode.q,
            kind=facts.kind,
            position=facts.position if len(positions) > 1 else None,
            peak_db=facts.heights.top.prominence_db,
            appears_at_dbfs=growth.appears_at_dbfs,
        )
    ]
    if not facts.mode.direct:
        reasons.append(Reason("near_field_would_tell"))
    if growth.slope_db_per_db is None and facts.heights.spikes:
        reasons.append(Reason("growth_not_known"))
    strongest = next((at.position for at in positions if at.state == "strongest"), None)
    if strongest is not None:
        reasons.append(Reason("strongest_at", position=strongest))
    elif len(positions) < 2:
        reasons.append(Reason("origin_not_known"))
    else:
        reasons.append(Reason("strongest_not_known"))
    if facts.decay.state == "hidden":
        reasons.append(facts.decay.reason)
    reasons += _steady_tone(facts)
    if causes:
        reasons.append(causes[0].reason)
    elif sizes_known:
        reasons.append(Reason("no_predicted_mode_near"))
    return tuple(reasons)
