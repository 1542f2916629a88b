"""The way through the house: from a session, or one recording, to results."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from distsweep.analysis.ladder import MeasuredLadder
from distsweep.analysis.limits.clean_level_ladder import ladder_clean_levels
from distsweep.analysis.placements.apart import placement_doubts
from distsweep.analysis.placements.group import reproducibility_of
from distsweep.analysis.placements.tones import tones_with_reproducibility
from distsweep.analysis.placements.widened import (
    clean_levels_with_reproducibility,
    with_reproducibility,
)
from distsweep.analysis.resonance.find import (
    Enclosure,
    ResonanceFindings,
    SearchedTake,
    find_resonances,
)
from distsweep.analysis.stated_levels import at_stated_levels, levels_not_played
from distsweep.conversion.resonances import (
    resonance_notes,
    resonance_records,
    with_resonances,
)
from distsweep.conversion.take import (
    advice_records,
    calibration_record,
    warning_record,
)
from distsweep.results import (
    Agreement,
    LimiterAgreement,
    Reproducibility,
    Results,
    Take,
    first_take,
)
from distsweep.take_pipeline import (
    Found,
    Progress,
    analyse_backgrounds,
    analyse_takes,
    with_every_run,
)
from distsweep.takes.bundle import opened_session
from distsweep.takes.doubts import session_warnings
from distsweep.takes.marker_search import Searching
from distsweep.takes.provenance import provenance_of
from distsweep.takes.recording_session import recording_session
from distsweep.takes.session import Session


def analyse(
    session: Session | str | Path,
    *,
    progress: Progress | None = None,
    searching: Searching | None = None,
    found: Found | None = None,
) -> Results:
    """Analyse every take of a session.

    Parameters
    ----------
    session : a session, its folder, its ``session.toml``, or a bundle of ``analyse --bundle``.
    progress : called with a short text before each take.
    searching : called, while a long recording is searched, with its name and the share done.
    found : called with what was found of a sweep where a take names the sound file that was played
        instead of a sidecar.

    Raises
    ------
    InputError
        Anything in the session cannot be used; the message says what, where, and what to do.
    """
    if isinstance(session, Session):
        return _analysed(session, progress, searching, found)
    with opened_session(session) as opened:
        return _analysed(opened, progress, searching, found)


def _analysed(
    session: Session,
    progress: Progress | None,
    searching: Searching | None,
    found: Found | None,
) -> Results:
    session, several = with_every_run(session, searching)
    warnings = [warning_record(reason) for reason in (*several, *session_warnings(session))]
    takes, ladders, doubts = analyse_takes(session, progress, searching, found)
    warnings += doubts
    axis = first_take(takes, "axis") or (takes[0] if takes else None)
    session_background = None if axis is None else axis.background
    device = session.device
    resonances = find_resonances(
        [_searched(takes[number], ladder) for number, ladder in ladders],
        Enclosure(device.cabinet_mm, device.port_mm, session.conditions.temperature_c),
        hum=[] if session_background is None else session_background.hum,
    )
    reproducibility = reproducibility_of(takes)  # by the intervals of noise, which is taken off
    warnings += [
        warning_record(reason, take=group.position)
        for group in reproducibility
        for reason in placement_doubts(group, takes)
    ]
    takes = _holding_steady_tones(takes, ladders, resonances)
    agreement, limiter_agreement = _compared(takes)
    takes = _holding_placements(takes, reproducibility)
    takes = _with_levels_read(takes, ladders, reproducibility, session.levels_spl_db)
    backgrounds, doubts = analyse_backgrounds(session, takes, progress)
    warnings += doubts
    if session.calibrated:
        warnings += map(warning_record, levels_not_played(takes, session.levels_spl_db))
    return Results(
        device=device,
        conditions=session.conditions,
        calibration=calibration_record(session.calibration),
        takes=[
            *with_resonances(takes, [number for number, _ in ladders], resonances),
            *backgrounds,
        ],
        resonances=resonance_records(resonances),
        background=session_background,
        warnings=list(dict.fromkeys(warnings)),  # of several takes at a position each once
        agreement=agreement,
        limiter_agreement=limiter_agreement,
        resonance_notes=resonance_notes(resonances),
        provenance=provenance_of(session),
        reproducibility=reproducibility,
    )


def _searched(take: Take, measured: MeasuredLadder) -> SearchedTake:
    """Return what the search for resonances is given of a ladder."""
    return SearchedTake(
        take.position,
        measured.frequency_hz,
        measured.rungs_as_measured,
        measured.impulse,
        measured.rate_constant_s,
        measured.swept,
        partial=take.partial,
        distance_m=take.distance_m,
    )


def _holding_steady_tones(
    takes: Sequence[Take],
    ladders: Sequence[tuple[int, MeasuredLadder]],
    found: ResonanceFindings,
) -> list[Take]:
    """Widen the intervals of ladders whose sweeps passed an excited mode."""
    finished = list(takes)
    for (number, ladder), change in zip(ladders, found.steady_changes, strict=True):
        if change is not None:
            from distsweep.analysis.resonance.steady_intervals import holding_steady

            rungs = holding_steady(ladder.rungs, ladder.swept, change)
            advice = advice_records(takes[number].thd_advice, rungs)
            finished[number] = replace(takes[number], rungs=rungs, thd_advice=advice)
    return finished


def _holding_placements(
    takes: Sequence[Take], reproducibility: Sequence[Reproducibility]
) -> list[Take]:
    """Widen the intervals of takes at positions that the microphone was put back at.

    Advice on noise stays, and so do gain changes: they are of one placement.
    """
    finished = list(takes)
    for found in reproducibility:
        for number in found.takes:
            finished[number] = replace(
                takes[number],
                rungs=with_reproducibility(takes[number].rungs, found),
                staircase=tones_with_reproducibility(takes[number].staircase, found),
            )
    return finished


def _with_levels_read(
    takes: Sequence[Take],
    ladders: Sequence[tuple[int, MeasuredLadder]],
    reproducibility: Sequence[Reproducibility],
    levels_spl_db: Sequence[float],
) -> list[Take]:
    """Read clean levels, and THD at the levels that were asked for, off the last intervals."""
    finished = list(takes)
    placed = {number: found for found in reproducibility for number in found.takes}
    for number, ladder in ladders:
        take = takes[number]
        stated = levels_spl_db if take.level_unit == "dB SPL" else ()
        each, thirds = ladder_clean_levels(
            ladder.frequency_hz,
            take.rungs,
            ladder.compression,
            ladder.limits.limiters,
            of_one_placement=ladder.rungs,
        )
        if number in placed:
            each, thirds = clean_levels_with_reproducibility(each, thirds, placed[number])
        finished[number] = replace(
            take,
            clean_level=each,
            clean_level_third_octave=thirds,
            at_spl=at_stated_levels(ladder.frequency_hz, take.rungs, stated),
        )
    return finished


def _compared(takes: Sequence[Take]) -> tuple[list[Agreement], list[LimiterAgreement]]:
    """Compare every ladder with every staircase at the same position: levels, and limiters.

    Of placements that are counted, each is held against its own.
    """
    pairs = [
        (number, ladder, staircase)
        for number, ladder in enumerate(takes)
        for staircase in takes
        if ladder.rungs
        and staircase.staircase
        and ladder.position == staircase.position
        and (ladder.placement or 1) == (staircase.placement or 1)
    ]
    if not pairs:
        return [], []
    from distsweep.analysis.agreement.levels import compare_takes
    from distsweep.analysis.agreement.limiters import compare_limiters

    alike = [(a, b) for _, a, b in pairs if a.level_unit == b.level_unit]
    return (
        [item for a, b in alike for item in compare_takes(a, b)],
        [item for number, a, b in pairs for item in compare_limiters(a, b, ladder_take=number)],
    )


def analyse_recording(
    recording: str | Path | Sequence[str | Path],
    *,
    stimulus: str | Path,
    channel: int | None = None,
    loopback_channel: int | None = None,
    progress: Progress | None = None,
    searching: Searching | None = None,
    found: Found | None = None,
) -> Results:
    """Analyse one recording (or one file a rung) without a session; levels are in dBFS.

    A recording that holds the stimulus several times gives as many takes, "axis", "axis 2" and so
    on, in the order recorded.

    Parameters
    ----------
    recording : a sound file, or a list of them in the order of the stimulus's files.
    stimulus : the sidecar of the stimulus that was played, or the sound file itself.
    channel : counted from 1; None: the first, or, if that one is silent or does not hold the
        stimulus, one that does.
    loopback_channel : the one that the output was wired back to, which tells the clock, the time
        of flight and what the interface distorts by itself.
    progress, searching, found : as of `analyse`.

    Raises
    ------
    InputError
        A file cannot be used, or the recording does not hold this stimulus.
    """
    session = recording_session(
        recording, stimulus=stimulus, channel=channel, loopback_channel=loopback_channel
    )
    return analyse(session, progress=progress, searching=searching, found=found)
