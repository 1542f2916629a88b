"""Sentences on compression, each computed from the numbers of one take."""

from __future__ import annotations

import numpy as np

from distsweep.analysis.limits.gain_change import ONSET_DB
from distsweep.report.clean_level.words import clean_level_sentences
from distsweep.report.limits.last_step import last_step_words
from distsweep.report.limits.limiter_words import last_change_words, ratio_words, threshold_words
from distsweep.report.reliability import inside
from distsweep.results import HighOrderOnset, Limiter, Staircase, Take
from distsweep.words import wording

WHY_NONE = ("no_loss", "no_onset", "no_band_falls_together", "no_gain_change_clear", "in_band")
"""Codes of the reasons why a ladder shows no limiter."""


def ladder_sentences(take: Take) -> list[str]:
    """What limits a ladder, from where, and what the last 3 dB of drive brought."""
    sentences = [_limiter_of_band(limiter) for limiter in take.limiters]
    if sentences:
        sentences[-1] += _doubt(take.limiters[-1], take.return_check_db)
    return sentences + _of_any_take(take)


def limit_phrase(take: Take) -> str:
    """What limits a ladder, and where, in a few words; nothing where nobody judged it."""
    acting = [limiter for limiter in take.limiters if limiter.kind != "none"]
    if not acting:
        return "no limiter shows" if take.limiters else ""
    return ", ".join(
        limiter.kind
        + ("" if limiter.band_hz is None else f" from {wording.frequency_range(*limiter.band_hz)}")
        for limiter in acting
    )


def staircase_sentences(take: Take) -> list[str]:
    """What limits each tone of a staircase, and what the last 3 dB of drive brought."""
    rows = sorted(take.staircase, key=lambda row: row.frequency_hz)
    sentences = [_kinds(rows)]
    judged = [row for row in rows if row.limiter is not None]
    deepest = _most_limited(judged)
    if deepest is not None and _last_change(deepest) < ONSET_DB:
        sentences.append(_deepest(deepest))
    sentences += [text for row in rows if (text := _thermal(row))]
    return sentences + _of_any_take(take)


def _of_any_take(take: Take) -> list[str]:
    """What the last 3 dB brought, up to where it is clean, and where higher orders set in."""
    written = (last_step_words(take), clean_level_sentences(take), onset_words(take))
    return [text for text in written if text]


def _limiter_of_band(limiter: Limiter) -> str:
    if limiter.kind == "none":
        # Files of earlier versions hold sentences only: the first says why.
        why = limiter.sentence_of(*WHY_NONE) or next(iter(limiter.evidence), "")
        return f"No limiter shows in the ladder{f': {why}' if why else ''}."
    band = ""
    if limiter.band_hz is not None:
        band = f" from {wording.frequency_range(limiter.band_hz[0], limiter.band_hz[1])}"
    if limiter.kind == "clipping":
        return f"The wave is clipped{band}{_from(limiter)}."
    ratio, place = ratio_words(limiter), threshold_words(limiter)
    if limiter.kind == "limiting":
        known = " and ".join(
            part
            for part in (
                place and f"a threshold {_of(place)}",
                ratio and f"a ratio of at least {ratio.removeprefix('≥ ')}",
            )
            if part
        )
        bounds = f"; all that these levels tell is {known}" if known else ""
        return f"The output is limited{band}{bounds}."
    if not place:
        return f"A {limiter.kind} acts{band}."
    return (
        f"A {limiter.kind} with a ratio of {ratio} and a threshold of {place} acts{band}, with a"
        f" knee of {wording.decibels(limiter.knee_db or 0.0)}."
    )


def _of(place: str) -> str:
    """Write "between a and b" for "a to b", and leave "below b" as it is."""
    low, to, high = place.partition(" to ")
    return f"between {low} and {high}" if to else place


def _doubt(limiter: Limiter, moved_db: float | None) -> str:
    """Say what else may look like a limiter, where the first level did not come back the same."""
    if limiter.kind == "none" or moved_db is None or not abs(moved_db) >= -ONSET_DB:
        return ""
    return (
        " As the first level did not come back the same, a gain that was changed or a coil that"
        " grew hot on the way may look like it."
    )


def _from(limiter: Limiter) -> str:
    if limiter.threshold_dbfs is None:
        return ""
    return f" from {wording.decibels(limiter.threshold_dbfs, 'dBFS')} on"


def _kinds(rows: list[Staircase]) -> str:
    """Say what was found at which tones, kind by kind."""
    kinds: dict[str, list[str]] = {}
    for row in rows:
        kind = "nothing that can be stated" if row.limiter is None else row.limiter.kind
        if kind == "none" and _last_change(row) <= ONSET_DB:
            kind = "bent"  # a loss without a limiter is one that the waveform's shape explains
        kinds.setdefault(kind, []).append(wording.frequency(row.frequency_hz))
    names = {
        "none": "no limit",
        "bent": "a gently bent waveform",
        "thermal": "a slow sag of the gain",
        "limiter": "a limiter",
        "compressor": "a compressor",
        "limiting": "limiting of which only bounds are known",
    }
    parts = [f"{names.get(kind, kind)} at {wording.listed(tones)}" for kind, tones in kinds.items()]
    return f"The staircase found {'; '.join(parts)}."


def _last_change(row: Staircase) -> float:
    known = row.gain_change_db[np.isfinite(row.gain_change_db)]
    return float(known[-1]) if known.size else 0.0


def _most_limited(rows: list[Staircase]) -> Staircase | None:
    """Return the tone that loses most; of those within half a decibel, one with an attack."""
    deepest = min((_last_change(row) for row in rows), default=0.0)
    close = [row for row in rows if _last_change(row) <= deepest + 0.5]
    timed = [row for row in close if row.limiter and row.limiter.attack_ms is not None]
    return min(timed or close, key=_last_change, default=None)


def _deepest(row: Staircase) -> str:
    limiter = row.limiter
    assert limiter is not None  # the caller chose judged rows
    text = (
        f"It holds back most at {wording.frequency(row.frequency_hz)}: {last_change_words(row)} at"
        f" {wording.drive(float(row.drive_dbfs[-1]))}"
    )
    if limiter.kind in ("limiter", "compressor") and limiter.threshold_dbfs is not None:
        place = threshold_words(limiter)
        text += f", with a ratio of {ratio_words(limiter)} and a threshold of {place}"
    elif limiter.kind == "limiting" and threshold_words(limiter):
        text += f", with a threshold {_of(threshold_words(limiter))}"
    elif limiter.kind == "clipping":
        text += f", clipped{_from(limiter)}"
    times = [
        f"{name} {wording.with_unit(wording.as_given(value, 3), 'ms')}"
        for name, value in (("attack", limiter.attack_ms), ("release", limiter.release_ms))
        if value is not None
    ]
    return text + (f" ({', '.join(times)})." if times else ".")


def _thermal(row: Staircase) -> str | None:
    if row.thermal is None:
        return None
    thermal = row.thermal
    time_constant = wording.with_unit(wording.as_given(thermal.time_constant_s, 2), "s")
    rise = wording.with_unit(wording.signed(thermal.temperature_rise_k, 0), "K")
    return (
        f"At {wording.frequency(row.frequency_hz)} the gain sags slowly, by"
        f" {wording.decibels(thermal.seen_db)} in this recording and towards"
        f" {wording.decibels(thermal.depth_db)} with a time constant of {time_constant}: a copper"
        f" coil would have warmed by about {rise} (an estimate)."
    )


def onset_words(take: Take) -> str | None:
    """Say from where sound above the separated harmonics sets in."""
    if not take.high_order_onset:
        return None
    first: HighOrderOnset = take.high_order_onset[0]
    impulsive = first.crest_db is not None and first.crest_db >= 15.0
    knock = "" if _makes_impulses(take, first) else ", or a knock in the room"
    what = (
        f"it is impulsive distortion, as of a rattle{knock}"
        if impulsive
        else "higher orders, a limiter that is at work, or a noise that the silence did not hold"
    )
    return (
        f"From {wording.drive(first.drive_dbfs)} on, with {wording.frequency(first.frequency_hz)},"
        " there is sound beyond the separated harmonics, about"
        f" {wording.decibels(first.level_db, decimals=0)} re the fundamental: {what}."
    )


def _makes_impulses(take: Take, onset: HighOrderOnset) -> bool:
    """Tell whether impulses there come again at several levels: then no knock made them."""
    band_hz = onset.band_hz or [onset.frequency_hz]
    there = inside(take.frequency_hz, min(band_hz), max(band_hz))
    return any(
        np.isfinite(rung.impulsive_db[there]).any() for rung in take.rungs if rung.impulsive_db.size
    )
