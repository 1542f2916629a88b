"""What agrees with a resonance and what speaks against it: when each reason holds."""

from __future__ import annotations

import math
from collections.abc import Sequence

from distsweep.analysis.resonance.causes import OfferedCause
from distsweep.analysis.resonance.curves import LadderCurves
from distsweep.analysis.resonance.evidence import PRESENT_BUMP_DB, Evidence, clearest
from distsweep.analysis.resonance.found import ABSENT_BUMP_DB, ResonanceFacts
from distsweep.analysis.resonance.growth import Growth
from distsweep.reason import Reason
from distsweep.results import AtPosition, Tone

EXPLAINS_MUCH, EXPLAINS_LITTLE = 0.9, 0.7
"""Share of the response's shape (on 550 simulated loudspeakers 95 of 100 real modes explain 0.88
and more, half of all other candidates less than 0.65)."""

COMB_WORTH_A_WORD_DB, RAISED_WORTH_A_WORD_DB, STANDS_OUT_MORE_DB = 1.0, 3.0, 0.5
"""Peak that a comb makes, what a boost of the drive would add to a product, and by how much a peak
grows in the division: less goes without a word (chosen: it would explain no peak of 3 dB)."""

Q_AGREES = 1.4
"""Two Qs agree within this factor (chosen: the fit to products has steps of 1.1, and a ripple of
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
    evidence = facts.evidence
    reasons = [_peaks(facts)]
    if facts.kind == "radiated":
        reasons += _radiated_agrees(facts)
    elif facts.fundamental_bump == "absent" and evidence.nearby_bump_db < PRESENT_BUMP_DB:
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


def _peaks(facts: ResonanceFacts) -> Reason:
    evidence = facts.evidence
    orders = sorted(evidence.spike_db)
    peaks: dict[str, list[float]] = {
        "played_hz": [clearest(evidence.seen, order).excitation_hz for order in orders],
        "heights_db": [evidence.spike_db[order] for order in orders],
    }
    if facts.kind == "excited":
        return Reason("peaks_where_played", orders=orders, **peaks)
    hz = evidence.frequency_hz
    return Reason("peaks_where_products_land", frequency_hz=hz, orders=orders, **peaks)


def _radiated_agrees(facts: ResonanceFacts) -> list[Reason]:
    evidence, pole = facts.evidence, facts.evidence.pole
    reasons = []
    if not evidence.survives_division:
        left_db = max(evidence.other_family_db, 0.0)
        reasons.append(
            Reason("division_takes_peak", left_db=left_db, peak_db=evidence.heights_db[0])
        )
    if facts.fundamental_bump == "present":
        reasons.append(Reason("fundamental_peaks_too", bump_db=evidence.bump_db))
    if evidence.lifted_pole is not None:
        reasons.append(Reason("orders_rise_alone", orders=evidence.lone_orders))
    if pole is not None and pole.explained >= EXPLAINS_MUCH:
        reasons.append(Reason("mode_explains_response", q=pole.q, share=pole.explained))
    return reasons


def contradictions(
    facts: ResonanceFacts, curves: LadderCurves, hum: Sequence[Tone]
) -> tuple[Reason, ...]:
    """Return what speaks against the resonance.

    Parameters
    ----------
    facts : of the resonance.
    curves : of the take it was found in.
    hum : mains lines of the background.
    """
    evidence = facts.evidence
    reasons = []
    if len(evidence.spike_db) == 1:
        silent = [n for n in evidence.clear_orders if n not in evidence.spike_db]
        reasons.append(Reason("single_order", order=evidence.strongest.order, silent_orders=silent))
    reasons += _radiated_against(facts) if facts.kind == "radiated" else _excited_against(evidence)
    reasons += _comb(evidence, curves) + _hum(facts, hum) + _one_level(facts, curves)
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


def _radiated_against(facts: ResonanceFacts) -> list[Reason]:
    evidence, pole = facts.evidence, facts.evidence.pole
    equalised = evidence.lifted_pole is not None
    reasons = []
    if evidence.survives_division:
        left_db, peak_db = max(evidence.other_family_db, 0.0), evidence.heights_db[0]
        lifts = left_db > peak_db + STANDS_OUT_MORE_DB
        reasons.append(
            Reason(
                "division_leaves_peak",
                left_db=left_db if lifts else min(left_db, peak_db),
                peak_db=peak_db,
                lifts=lifts,
                equalised=equalised,
            )
        )
    if not equalised and pole is not None and pole.explained < EXPLAINS_LITTLE:
        reasons.append(Reason("mode_explains_little", share=pole.explained))
    reasons += _two_qs(evidence)
    if facts.fundamental_bump != "present":
        reasons.append(_little_bump(evidence))
    return reasons


def _two_qs(evidence: Evidence) -> list[Reason]:
    """Response and products disagree on how sharp a mode is."""
    pole, lifted = evidence.pole, evidence.lifted_pole
    if pole is None or lifted is None or pole.explained < EXPLAINS_LITTLE:
        return []
    if _agree(pole.q, lifted.q):
        return []
    return [Reason("response_of_other_q", response_q=pole.q, lifted_q=lifted.q)]


def _agree(one_q: float, other_q: float) -> bool:
    return abs(math.log(one_q / other_q)) < math.log(Q_AGREES)


def _little_bump(evidence: Evidence) -> Reason:
    """What the fundamental shows where it has no peak that is surely one."""
    if math.isnan(evidence.bump_db):
        return Reason("outside_sweep")
    if evidence.bump_db <= 0.0:
        return Reason("fundamental_has_no_peak")
    return Reason("fundamental_peak_too_small", bump_db=evidence.bump_db)


def _excited_against(evidence: Evidence) -> list[Reason]:
    """How much a boost of the drive could explain; and whether the kind is open."""
    order = max(evidence.spike_db, key=lambda n: evidence.spike_db[n])
    raised_db, peak_db = evidence.raised_db[order], evidence.spike_db[order]
    share = {"order": order, "share_db": min(raised_db, peak_db), "peak_db": peak_db}
    reasons = []
    if evidence.nearby_bump_db >= PRESENT_BUMP_DB:
        reasons.append(Reason("boost_may_raise_peak", bump_db=evidence.nearby_bump_db, **share))
    elif raised_db >= RAISED_WORTH_A_WORD_DB:
        reasons.append(Reason("hidden_boost_may_raise_peak", **share))
    if evidence.kind_open:
        played_hz = evidence.frequency_hz
        heard_hz = evidence.strongest.order * played_hz
        reasons.append(Reason("set_off_or_lifted", played_hz=played_hz, heard_hz=heard_hz))
    return reasons


def _comb(evidence: Evidence, curves: LadderCurves) -> list[Reason]:
    if not curves.echoes or not evidence.comb_bump_db >= COMB_WORTH_A_WORD_DB:
        return []
    delays_s = sorted(echo.delay_s for echo in curves.echoes)
    return [Reason("comb_taken_off", delays_s=delays_s, comb_db=evidence.comb_bump_db)]


def _hum(facts: ResonanceFacts, hum: Sequence[Tone]) -> list[Reason]:
    """A peak that sits on a mains line, and perhaps does not grow as distortion would."""
    top, growth = facts.evidence.strongest, facts.growth.slope_db_per_db
    heard_hz = top.order * top.excitation_hz
    for tone in hum:
        if abs(heard_hz / tone.frequency_hz - 1.0) <= HUM_WITHIN:
            steady = growth is not None and growth < 0.0
            return [Reason("on_hum", hum_hz=tone.frequency_hz, order=top.order, steady=steady)]
    return []


def _one_level(facts: ResonanceFacts, curves: LadderCurves) -> list[Reason]:
    if facts.levels_showing > 1:
        return []
    drive_dbfs = float(curves.drive_dbfs[facts.evidence.seen[0].row])
    if facts.levels_clear == 1:
        return [Reason("one_clear_level", drive_dbfs=drive_dbfs)]
    return [Reason("one_of_several_levels", drive_dbfs=drive_dbfs, clear=facts.levels_clear)]


def _grows_mildly(growth: Growth) -> bool:
    slope = growth.slope_db_per_db
    return slope is not None and abs(slope - growth.mild_db_per_db) <= GROWTH_TOLERANCE_DB_PER_DB


def _decay_of_other_q(facts: ResonanceFacts) -> list[Reason]:
    """The decay means another Q than the response and the fit."""
    decay, q, pole = facts.decay, facts.q, facts.evidence.pole
    if decay.q is None or q is None:
        return []
    if _agree(decay.q, q) or (pole is not None and _agree(decay.q, pole.q)):
        return []
    return [Reason("rings_with_other_q", **decay.reason.values, fitted_q=q)]


def _elsewhere(at: AtPosition, facts: ResonanceFacts) -> bool:
    return at.state in ("present", "strongest") and at.position != facts.position


def _shown_at(at: AtPosition, facts: ResonanceFacts) -> Reason:
    """A position that shows it too, with the heights that are worth a number."""
    bump_db, spike_db = (
        None if height_db is None or height_db < ABSENT_BUMP_DB else height_db
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
            frequency_hz=facts.evidence.frequency_hz,
            q=facts.q,
            kind=facts.kind,
            position=facts.position if len(positions) > 1 else None,
            peak_db=facts.evidence.strongest.prominence_db,
            appears_at_dbfs=growth.appears_at_dbfs,
        )
    ]
    if growth.slope_db_per_db is None:
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
