"""What the numbers of a resonance mean, in plain sentences: for it and against it alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from distsweep.analysis.resonance.curves import LadderCurves
from distsweep.analysis.resonance.evidence import CLEAR_DB, PRESENT_BUMP_DB, Evidence
from distsweep.results import AtPosition, Resonance, Tone

ABSENT_BUMP_DB = 1.0
"""A smaller peak of the fundamental is none; up to PRESENT_BUMP_DB nothing tells (chosen)."""

EXPLAINS_MUCH, EXPLAINS_LITTLE = 0.9, 0.7
"""Share of the response's shape (on 550 simulated loudspeakers 95 of 100 real modes explain 0.88
and more, half of all other candidates less than 0.65)."""

COMB_WORTH_A_WORD_DB, RAISED_WORTH_A_WORD_DB, STANDS_OUT_MORE_DB = 1.0, 3.0, 0.5
Q_AGREES = 1.4
HUM_WITHIN = 0.015
"""A mains line within this fraction of where a peak is heard is worth a word: a window of 70
periods is so wide."""

GROWTH_TOLERANCE_DB_PER_DB = 0.5
__all__ = ["CLEAR_DB", "Case", "agreements", "bump_state", "contradictions", "summary"]


@dataclass(frozen=True)
class Case:
    """A resonance and what is known around it."""

    resonance: Resonance
    evidence: Evidence
    curves: LadderCurves
    rungs: tuple[int, int]
    hum: Sequence[Tone]
    position: str


def bump_state(evidence: Evidence) -> str:
    """Tell whether the fundamental has a narrow peak at the resonance's frequency."""
    bump_db = evidence.bump_db
    if not math.isfinite(bump_db):
        return "too_small_to_tell"
    if bump_db >= PRESENT_BUMP_DB:
        return "present"
    return "absent" if bump_db < ABSENT_BUMP_DB else "too_small_to_tell"


def agreements(case: Case) -> list[str]:
    """Say what agrees with the resonance's kind, one sentence each."""
    found, evidence = [_orders(case)], case.evidence
    if case.resonance.kind == "radiated":
        found += _radiated_agrees(case)
    elif case.resonance.fundamental_bump == "absent" and evidence.nearby_bump_db < PRESENT_BUMP_DB:
        found.append(
            "The fundamental has no peak there, as for something that is only set off at that "
            "frequency."
        )
    shown, asked = case.rungs
    if asked > 1 and shown > 1:
        found.append(f"{shown} of {asked} levels that could show it do.")
    growth = case.resonance.growth_db_per_db
    expected = case.resonance.expected_growth_db_per_db
    if growth is not None and expected is not None and _as_expected(growth, expected):
        found.append(
            f"Its {_ordinal(_followed(case))} harmonic grows by {growth:.1f} dB per "
            f"dB of drive; mild nonlinearity gives {expected:.0f}."
        )
    decay = case.resonance.decay
    if decay is not None and decay.state == "rings" and not _other_q(case):
        found.append(decay.sentence)
    kind = case.resonance.kind
    return found + [
        _present(at, kind) for at in case.resonance.positions if _is_elsewhere(case, at)
    ]


def _orders(case: Case) -> str:
    listed = ", ".join(
        f"{_ordinal(order)} at {clearest_hz(case, order):.0f} Hz "
        f"({case.evidence.spike_db[order]:.1f} dB)"
        for order in sorted(case.evidence.spike_db)
    )
    if case.resonance.kind == "radiated":
        return f"Peaks stand where a product lands on {_hertz(case)}: {listed} played."
    return f"Peaks stand at the same excitation frequency: {listed}, with the response divided out."


def clearest_hz(case: Case, order: int) -> float:
    """Excitation frequency of an order's clearest peak."""
    spots = [s for s in case.evidence.seen if s.order == order]
    return max(spots, key=lambda s: s.above_floor_db).excitation_hz


def _radiated_agrees(case: Case) -> list[str]:
    found = []
    evidence, top_db = case.evidence, case.evidence.heights_db[0]
    left_db = max(evidence.other_family_db, 0.0)
    if not evidence.stays:
        found.append(
            f"Divided by the linear response, only {left_db:.1f} of {top_db:.1f} dB of the "
            "peak are left."
        )
    if case.resonance.fundamental_bump == "present":
        found.append(f"The fundamental has a peak of {evidence.bump_db:.1f} dB there.")
    if evidence.lifted_pole is not None:
        orders = _and([f"the {_ordinal(n)}" for n in evidence.alone])
        found.append(
            f"Where they are played, {orders} harmonic each rise alone: they are lifted where they "
            "land, not set off."
        )
    pole = evidence.pole
    if pole is not None and pole.explained >= EXPLAINS_MUCH:
        share = "over 99" if pole.explained > 0.99 else f"{100.0 * pole.explained:.0f}"
        found.append(
            f"A mode of Q {pole.q:.0f} explains {share} % of what is not smooth in the complex "
            "response around it, reflected sound set aside."
        )
    return found


def contradictions(case: Case) -> list[str]:
    """Say what speaks against the resonance, one sentence each."""
    found = []
    evidence, resonance = case.evidence, case.resonance
    if len(evidence.spike_db) == 1:
        asked = [n for n in evidence.asked if n not in evidence.spike_db]
        others = f", though {_and([_ordinal(n) for n in asked])} could" if asked else ""
        found.append(f"Only the {_ordinal(evidence.strongest.order)} harmonic shows it{others}.")
    if resonance.kind == "radiated":
        left_db, top_db = max(evidence.other_family_db, 0.0), evidence.heights_db[0]
        if evidence.stays:
            cut = evidence.lifted_pole is not None
            stays = (
                f"{min(left_db, top_db):.1f} of {top_db:.1f} dB of the peak stay"
                if left_db <= top_db + STANDS_OUT_MORE_DB
                else f"the peak stands out even more, by {left_db:.1f} instead of {top_db:.1f} dB"
            )
            found.append(
                f"Divided by the linear response, {stays}"
                f"{', as where an equaliser takes a mode off it' if cut else ''}."
            )
        pole = None if evidence.lifted_pole is not None else evidence.pole
        if pole is not None and pole.explained < EXPLAINS_LITTLE:
            found.append(
                f"A mode explains but {100.0 * pole.explained:.0f} % of what is not "
                "smooth in the complex response around it."
            )
        found += _two_qs(evidence)
        if resonance.fundamental_bump != "present":
            found.append(_little_bump(evidence))
    else:
        found += _drive_bump(evidence)
        if evidence.either:
            heard_hz = evidence.strongest.order * evidence.frequency_hz
            found.append(
                "No other harmonic is clear enough to tell whether it is set off at "
                f"{evidence.frequency_hz:.0f} Hz or lifted at {heard_hz:.0f} Hz, by a mode that an "
                "equaliser takes off the response."
            )
    found += _comb(case) + _hum(case) + _one_rung(case) + _growth_against(case)
    if resonance.other_kind >= 0.2:
        other = "excited" if resonance.kind == "radiated" else "radiated"
        found.append(f"It could be {other} as well (confidence {resonance.other_kind:.2f}).")
    if resonance.decay is not None and resonance.decay.state == "no_longer":
        found.append(resonance.decay.sentence)
    found += _other_q(case)
    missing = [at.position for at in resonance.positions if at.state == "missing"]
    if missing:
        found.append(f"It is missing at {_and([f'“{name}”' for name in missing])}.")
    return found


def _other_q(case: Case) -> list[str]:
    """Say it where the decay means another Q than the response and the fit."""
    decay, q, pole = case.resonance.decay, case.resonance.q, case.evidence.pole
    if decay is None or decay.q is None or q is None:
        return []
    if _agree(decay.q, q) or (pole is not None and _agree(decay.q, pole.q)):
        return []
    return [f"{decay.sentence.removesuffix('.')}, the fit one of {q:.0f}."]


def _agree(one_q: float, other_q: float) -> bool:
    return abs(math.log(one_q / other_q)) < math.log(Q_AGREES)


def _two_qs(evidence: Evidence) -> list[str]:
    """Say it where response and products disagree on how sharp a mode is."""
    pole, lifted = evidence.pole, evidence.lifted_pole
    if pole is None or lifted is None or pole.explained < EXPLAINS_LITTLE:
        return []
    if _agree(pole.q, lifted.q):
        return []
    return [
        f"The response fits a Q of {pole.q:.0f}, what is lifted one of {lifted.q:.0f}: an "
        "equaliser may bend the one, noise or a neighbour the other."
    ]


def _little_bump(evidence: Evidence) -> str:
    """Say what the fundamental shows where it has no peak that is surely one."""
    if math.isnan(evidence.bump_db):
        return "Its frequency lies outside the sweep, so the fundamental there is not seen."
    if evidence.bump_db <= 0.0:
        return "The fundamental has no peak of its own there."
    return (
        f"The fundamental's peak of {evidence.bump_db:.1f} dB there is too small to tell from "
        "ripple."
    )


def _drive_bump(evidence: Evidence) -> list[str]:
    """Say how much of an excited peak a boost of the drive, by an equaliser, could explain."""
    order = max(evidence.spike_db, key=lambda n: evidence.spike_db[n])
    raised_db, top_db = evidence.raised_db[order], evidence.spike_db[order]
    share = f"{min(raised_db, top_db):.1f} dB of the {_ordinal(order)} harmonic's {top_db:.1f}"
    if evidence.nearby_bump_db >= PRESENT_BUMP_DB:
        return [
            f"The fundamental has a peak of {evidence.nearby_bump_db:.1f} dB there or close by; if "
            f"an equaliser makes it, {share} are due to that."
        ]
    if raised_db >= RAISED_WORTH_A_WORD_DB:
        return [
            "An equaliser's boost before the curvature, of which the fundamental may show little, "
            f"would explain {share}."
        ]
    return []


def _comb(case: Case) -> list[str]:
    comb_db = case.evidence.comb_bump_db
    echoes = case.curves.echoes
    if not echoes or not comb_db >= COMB_WORTH_A_WORD_DB:
        return []
    late = _and([f"{1000.0 * delay_s:.1f}" for delay_s in sorted(e.delay_s for e in echoes)])
    who = "A reflection" if len(echoes) == 1 else "Reflections"
    makes = "makes" if len(echoes) == 1 else "make"
    return [
        f"{who} {late} ms after the direct sound {makes} a comb of peaks and dips, with a peak of "
        f"{comb_db:.1f} dB here; it was taken off before judging."
    ]


def _hum(case: Case) -> list[str]:
    """A peak that sits on a mains line, and does not grow as distortion would."""
    top = case.evidence.strongest
    heard_hz = top.order * top.excitation_hz
    for tone in case.hum:
        if abs(heard_hz / tone.frequency_hz - 1.0) > HUM_WITHIN:
            continue
        growth = case.resonance.growth_db_per_db
        steady = growth is not None and growth < 0.0
        return [
            f"A line of mains hum stands at {tone.frequency_hz:.0f} Hz, where the "
            f"{_ordinal(top.order)} harmonic of it is heard"
            + (", and it does not grow with the drive." if steady else ".")
        ]
    return []


def _one_rung(case: Case) -> list[str]:
    shown, asked = case.rungs
    if shown > 1:
        return []
    row = case.evidence.seen[0].row
    where = f"at {_dbfs(float(case.curves.drive_dbfs[row]))}"
    if asked == 1:
        return [f"Only one level, {where}, stands clear of the noise: no other level confirms it."]
    return [
        f"Only one of {asked} levels that could show it does, {where}: a noise burst would look "
        "the same."
    ]


def _growth_against(case: Case) -> list[str]:
    growth, expected = case.resonance.growth_db_per_db, case.resonance.expected_growth_db_per_db
    if growth is None or expected is None or _as_expected(growth, expected):
        return []
    name = f"Its {_ordinal(_followed(case))} harmonic grows by {growth:.1f} dB per dB"
    if growth > expected:
        return [f"{name}, faster than the {expected:.0f} of mild nonlinearity: something sets in."]
    return [f"{name}, slower than the {expected:.0f} of mild nonlinearity."]


def _followed(case: Case) -> int:
    """Order whose growth is given."""
    points = case.resonance.growth
    return points[0].order if points else case.evidence.strongest.order


def _as_expected(growth: float, expected: float) -> bool:
    return abs(growth - expected) <= GROWTH_TOLERANCE_DB_PER_DB


def _is_elsewhere(case: Case, at: AtPosition) -> bool:
    return at.state in ("present", "strongest") and at.position != case.position


def _present(at: AtPosition, kind: str) -> str:
    strongest = at.state == "strongest"
    where = f"strongest at “{at.position}”" if strongest else f"seen at “{at.position}” too"
    if strongest and kind == "excited":
        where += ", where its product's level is highest"
    sizes = [
        f"a peak of {height_db:.1f} dB in {curve}"
        for curve, height_db in (
            ("the fundamental", at.fundamental_bump_db),
            ("a harmonic", at.spike_db),
        )
        if height_db is not None and height_db >= ABSENT_BUMP_DB
    ]
    return f"It is {where}{': ' if sizes else ''}{_and(sizes)}."


def summary(resonance: Resonance, *, causes_known: bool) -> str:
    """Write one plain paragraph on a resonance."""
    q = "" if resonance.q is None else f", Q about {resonance.q:.0f}"
    what = (
        "lifts every product that lands on it"
        if resonance.kind == "radiated"
        else "is set off when that frequency is played"
    )
    several = len(resonance.positions) > 1 and bool(resonance.seen_in)
    at = f" at “{resonance.seen_in[0].position}”" if several else ""
    text = (
        f"{_chance(resonance.confidence)} something at {resonance.frequency_hz:.0f} Hz{q} {what}: "
        f"its strongest peak{at} stands {resonance.prominence_db:.0f} dB above its surroundings"
    )
    if resonance.appears_at_dbfs is not None:
        text += f" and shows from {_dbfs(resonance.appears_at_dbfs)} up"
    text += "."
    if resonance.growth_db_per_db is None:
        text += (
            " How it grows with level cannot be told: no two levels of it stand clear of the noise."
        )
    strongest = next((p for p in resonance.positions if p.state == "strongest"), None)
    if strongest is not None:
        text += f" It is strongest at “{strongest.position}”."
    elif len(resonance.positions) < 2:
        text += " With one position only, where it comes from cannot be told."
    else:
        text += " Where it is strongest cannot be told."
    if resonance.decay is not None and resonance.decay.state == "hidden":
        text += f" {resonance.decay.sentence}"
    if resonance.possible_causes:
        text += f" {resonance.possible_causes[0].sentence}"
    elif causes_known:
        text += " None of the frequencies that the cabinet's and the port's sizes predict is near."
    return text


def _chance(confidence: float) -> str:
    if confidence >= 0.9:
        return "Almost certainly,"
    if confidence >= 0.7:
        return "Probably,"
    return "Perhaps" if confidence >= 0.3 else "Hardly likely, but"


def _ordinal(order: int) -> str:
    return f"{order}{ {2: 'nd', 3: 'rd'}.get(order, 'th') }"


def _dbfs(level: float) -> str:
    return f"{level:g} dBFS".replace("-", "−")


def _hertz(case: Case) -> str:
    return f"{case.resonance.frequency_hz:.0f} Hz"


def _and(names: Sequence[str]) -> str:
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"
