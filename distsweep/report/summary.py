"""The summary: a few plain sentences, each computed from the numbers of one take."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from distsweep.report.agreement.limiters import disagreements
from distsweep.report.background.section import hum_sentence
from distsweep.report.content import Block, Fold, Points
from distsweep.report.damage import section as damage
from distsweep.report.distortion import impulses, interface
from distsweep.report.distortion import words as distortion
from distsweep.report.limits import gain_change
from distsweep.report.limits.sentences import (
    ladder_sentences,
    limit_phrase,
    staircase_sentences,
)
from distsweep.report.reliability import loudest_rung, thd_reliable
from distsweep.results import Results, Take
from distsweep.words import wording

_Writer = Callable[[Results, Take], str | None]

STEADY_DB = 0.2  # chosen: what careful repeats of one sweep in a room usually stay within


def take_head(results: Results, take: Take) -> list[Block]:
    """What was found in a take, and folded below it how far that is known."""
    found, known = found_sentences(results, take), known_sentences(results, take)
    return [Points(found), *([Fold("How far this is known", [Points(known)])] if known else [])]


def summary_sentences(results: Results, take: Take) -> list[str]:
    """Sentences on a take, most important first; never empty."""
    return [*found_sentences(results, take), *known_sentences(results, take)]


def found_sentences(results: Results, take: Take) -> list[str]:
    """What limits the output, then levels, distortion and what happened to the recording."""
    if take.staircase:
        return staircase_sentences(take)
    if not take.rungs:
        return ["This take holds no ladder, so there is no curve against frequency."]
    writers: list[_Writer] = [
        _level, distortion.middle_band, distortion.bass, distortion.reliable_ends,
        gain_change.sentence, _clipping, damage.sentence, impulses.sentence,
    ]  # fmt: skip
    moved = [] if _held_still(take) else [_return_check]
    found = _written([*writers, *moved], results, take)
    return [*ladder_sentences(take), *found, *disagreements(results, take)]


def known_sentences(results: Results, take: Take) -> list[str]:
    """What noise leaves known of a ladder, and whether the loudspeaker and room held still."""
    if take.staircase or not take.rungs:
        return []
    writers: list[_Writer] = [
        distortion.averages, distortion.lowest_drive, distortion.hidden, interface.sentence,
        hum_sentence,
    ]  # fmt: skip
    return _written([*writers, *([_return_check] if _held_still(take) else [])], results, take)


def lead(results: Results, take: Take) -> str:
    """One line on a take: its levels, and what was found."""
    if take.staircase:
        return staircase_sentences(take)[0]
    if not take.rungs:
        return found_sentences(results, take)[0]
    drives = [rung.drive_dbfs for rung in take.rungs]
    levels = wording.drive(max(drives))
    if len(drives) > 1:
        levels = f"{len(drives)} levels, {wording.signed(min(drives), 0)} to {levels}"
    spl_db = loudest_rung(take).spl_db
    loud = "" if spl_db is None else f"up to {wording.decibels(spl_db, 'dB SPL')}"
    parts = [loud, distortion.headline(take), limit_phrase(take)]
    return f"{levels}: {'; '.join(part for part in parts if part)}."


def _written(writers: list[_Writer], results: Results, take: Take) -> list[str]:
    return [text for write in writers if (text := write(results, take))]


def _held_still(take: Take) -> bool:
    """Whether the return rung came back as it was, or there is none."""
    change = take.return_check_db
    return change is None or not math.isfinite(change) or abs(change) <= STEADY_DB


def _which(take: Take) -> str:
    louder = max(rung.drive_dbfs for rung in take.rungs) > loudest_rung(take).drive_dbfs
    return "highest drive that did not clip" if louder else "highest drive"


def _level(results: Results, take: Take) -> str:
    rung = loudest_rung(take)
    name = wording.drive(rung.drive_dbfs)
    if rung.spl_db is None or not math.isfinite(rung.spl_db):
        if wording.level_unit(take) == "dB SPL":
            return (
                f"The {_which(take)} was played at {name}. No level in dB SPL is stated for it: of "
                "the band that levels are averaged over, nothing was measured."
            )
        return (
            f"The {_which(take)} was {name}. Nothing was calibrated, so levels are in "
            "dBFS at the recorder and say nothing of sound pressure; THD needs no calibration."
        )
    distance_m = results.distance_m_at(take.position)
    where = "" if distance_m is None else f" at {distance_m:g} m"
    return (
        f"At the {_which(take)} ({name}) the loudspeaker gave "
        f"{wording.decibels(rung.spl_db, 'dB SPL')}{where}{_band_words(results, take)}."
    )


def _band_words(results: Results, take: Take) -> str:
    """Name the band that a level is the mean over: what of it was measured."""
    band_hz = results.conditions.level_band_hz
    if band_hz is None:
        return ""
    low_hz = max(band_hz[0], float(take.frequency_hz[0]))
    high_hz = min(band_hz[1], float(take.frequency_hz[-1]))
    return f", the mean from {wording.frequency_range(low_hz, high_hz)}"


def _return_check(_results: Results, take: Take) -> str | None:
    change = take.return_check_db
    if change is None or not math.isfinite(change):
        return "There is no return rung, so nothing tells whether anything changed on the way."
    side = "higher" if change > 0 else "lower"
    moved = (
        f"{wording.decibels(abs(change), decimals=2)} {side}"
        if abs(change) >= 0.005
        else "at the same level"
    )
    verdict = (
        "loudspeaker, room and chain held still to that degree."
        if abs(change) <= STEADY_DB
        else "something changed on the way, and gain changes of that size may come from it."
    )
    return f"The return rung, which is the first rung repeated last, came back {moved}: {verdict}"


def _clipping(_results: Results, take: Take) -> str | None:
    clipped = [rung for rung in take.rungs if rung.clipped]
    if not clipped:
        return None
    names = ", ".join(wording.drive(rung.drive_dbfs) for rung in clipped)
    flags = np.array([thd_reliable(rung) for rung in clipped])
    if not flags.any():
        return f"The recording clipped at {names}: no THD of that counts as reliable."
    summed = np.array([rung.orders_summed > 0 for rung in clipped])
    share = wording.share_of(float(np.mean(flags[summed])))
    return (
        f"The recording clipped at {names}: what the clipping fell on does not count, "
        f"and THD is reliable at {share} of the frequencies there."
    )
