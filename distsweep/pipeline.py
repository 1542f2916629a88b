"""The way through the house: from a session, or one recording, to results."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from distsweep.analysis.cut import CutLadder
from distsweep.analysis.limits.ladder import find_ladder_limits
from distsweep.analysis.noise.background import describe_background, noise_spectrum
from distsweep.analysis.resonance.find import (
    Enclosure,
    ResonanceFindings,
    SearchedTake,
    find_resonances,
)
from distsweep.analysis.sweep.harmonics import LadderSettings, measure_ladder
from distsweep.analysis.sweep.levels import read_ladder
from distsweep.conversion_limits import limiter_record
from distsweep.pipeline_gain import ladder_gain_warnings
from distsweep.results import (
    Agreement,
    Background,
    LimiterAgreement,
    Results,
    Take,
    Warning_,
    first_take,
)
from distsweep.stimulus.sidecar import LadderStimulus, read_sidecar
from distsweep.takes.cutting import cut_ladder
from distsweep.takes.doubts import session_doubts, take_doubts
from distsweep.takes.identity import CLOCKS_PPM, check_sweeps
from distsweep.takes.order import refuse_copies, refuse_ladder_order, refuse_repeated
from distsweep.takes.recording import Recording, read_recording
from distsweep.takes.session import (
    Calibration,
    Conditions,
    Device,
    Session,
    TakeEntry,
    read_session,
)
from distsweep.units import ratio_to_db

Progress = Callable[[str], None]
"""Told what is being worked on, a short text at a time."""

NEAR_FULL_SCALE = 0.9886
"""−0.1 dBFS: a level set so that it just fits is an accident more likely than a plan."""

DRIFT_WORTH_A_WORD_PPM = 20.0
"""Two clocks that differ by more are mentioned; one interface for both shows none."""


def analyse(session: Session | str | Path, *, progress: Progress | None = None) -> Results:
    """Analyse every take of a session.

    Parameters
    ----------
    session : a session, its folder, or its ``session.toml``.
    progress : called with a short text before each take.

    Raises
    ------
    InputError
        Anything in the session cannot be used; the message says what, where, and what to do.
    """
    if not isinstance(session, Session):
        session = read_session(session)
    takes: list[Take] = []
    searched: list[SearchedTake] = []
    warnings = session_doubts(session)
    scales = [session.calibration_of(entry).pascal_per_fs for entry in session.takes]
    if all(scale is None for scale in scales):
        warnings.append(
            Warning_("uncalibrated", "No calibration was given: every level is in dBFS.")
        )
    for entry in session.takes:
        if progress is not None:
            progress(f"take {entry.position!r}")
        take, take_warnings = _analyse_take(session, entry, searched)
        if take.level_unit == "dBFS" and any(scales):
            text = "No calibration was given for this take: its levels are in dBFS."
            take_warnings.append(Warning_("uncalibrated", text, take=take.position))
        takes.append(take)
        warnings += take_warnings
    axis = first_take(takes, "axis") or takes[0]
    found = _resonances(session, searched, axis.background)
    return Results(
        device=_given(session.device),
        conditions=_given(session.conditions),
        calibration=_described(session.calibration),
        takes=takes,
        resonances=found.resonances,
        background=axis.background,
        warnings=warnings,
        agreement=_agreements(takes),
        limiter_agreement=_limiter_agreements(takes),
        resonance_notes=found.notes,
    )


def _resonances(
    session: Session, searched: Sequence[SearchedTake], background: Background | None
) -> ResonanceFindings:
    """Search every ladder take, and give each what its own curves and decay show."""
    device = session.device
    found = find_resonances(
        searched,
        Enclosure(device.cabinet_mm, device.port_mm, session.conditions.temperature_c),
        hum=[] if background is None else background.hum,
    )
    for one, spikes, decay in zip(searched, found.spikes, found.decay_maps, strict=True):
        one.take.spikes = spikes
        one.take.decay_map = decay
    return found


def _agreements(takes: Sequence[Take]) -> list[Agreement]:
    """Compare every ladder with every staircase at the same position."""
    pairs = [pair for pair in _met(takes) if pair[0].level_unit == pair[1].level_unit]
    if not pairs:
        return []
    from distsweep.analysis.agreement.levels import compare_takes

    return [item for pair in pairs for item in compare_takes(*pair)]


def _limiter_agreements(takes: Sequence[Take]) -> list[LimiterAgreement]:
    """Compare what holds each tone back with the ladder's limiters at the same position."""
    pairs = _met(takes)
    if not pairs:
        return []
    from distsweep.analysis.agreement.limiters import compare_limiters

    number = {id(take): index for index, take in enumerate(takes)}
    return [
        item
        for ladder, staircase in pairs
        for item in compare_limiters(ladder, staircase, ladder_take=number[id(ladder)])
    ]


def _met(takes: Sequence[Take]) -> list[tuple[Take, Take]]:
    """Return every ladder with every staircase at the same position."""
    return [
        (ladder, staircase)
        for ladder in takes
        for staircase in takes
        if ladder.rungs and staircase.staircase and ladder.position == staircase.position
    ]


def analyse_recording(
    recording: str | Path | Sequence[str | Path],
    *,
    stimulus: str | Path,
    channel: int = 1,
    progress: Progress | None = None,
) -> Results:
    """Analyse one recording (or one file a rung) without a session; levels are in dBFS.

    Parameters
    ----------
    recording : a sound file, or a list of them in the order of the stimulus's files.
    stimulus : the sidecar of the stimulus that was played.
    channel : counted from 1.

    Raises
    ------
    InputError
        A file cannot be used, or the recording does not hold this stimulus.
    """
    paths = [recording] if isinstance(recording, str | Path) else list(recording)
    entry = TakeEntry("axis", Path(stimulus), tuple(Path(p) for p in paths), channel)
    session = Session(Path(), Device(name=None), Conditions(), Calibration(), (entry,))
    return analyse(session, progress=progress)


def _analyse_take(
    session: Session, entry: TakeEntry, searched: list[SearchedTake]
) -> tuple[Take, list[Warning_]]:
    stimulus = read_sidecar(entry.stimulus)
    recordings = [read_recording(path, channel=entry.channel) for path in entry.recordings]
    if isinstance(stimulus, LadderStimulus):
        one, warnings = _analyse_ladder(session, entry, stimulus, recordings)
        take = one.take
        searched.append(one)
    else:
        from distsweep.pipeline_staircase import analyse_staircase_take

        calibration = session.calibration_of(entry)
        take, warnings = analyse_staircase_take(entry, stimulus, recordings, calibration)
        warnings += _take_warnings([], take)
    take.partial = entry.partial
    take.calibration = _described(session.calibration_of(entry))
    warnings += _peak_warnings(recordings)
    warnings += take_doubts(
        take,
        session.calibration_of(entry),
        level_band_hz=session.conditions.level_band_hz,
    )
    return take, [dataclasses.replace(warning, take=entry.position) for warning in warnings]


def _analyse_ladder(
    session: Session,
    entry: TakeEntry,
    stimulus: LadderStimulus,
    recordings: Sequence[Recording],
) -> tuple[SearchedTake, list[Warning_]]:
    refuse_repeated(recordings)
    found = cut_ladder(stimulus, recordings)
    cut = found.cut
    refuse_ladder_order(stimulus, recordings, found.placements)
    refuse_copies(recordings, stimulus.files)
    calibration, recipe = session.calibration_of(entry), stimulus.recipe
    amplitudes = measure_ladder(
        cut,
        LadderSettings(recipe.band_hz, recipe.order, calibration.correction_db),
    )
    odd = check_sweeps(recordings, found, amplitudes)
    reading = read_ladder(
        amplitudes,
        cut.rungs,
        level_offset_db=calibration.level_offset_db,
        level_band_hz=session.conditions.level_band_hz,
        calibrated=calibration.pascal_per_fs is not None,
    )
    limits = find_ladder_limits(amplitudes.frequency_hz, reading.rungs, reading.compression)
    take = Take(
        position=entry.position,
        stimulus=entry.stimulus.name,
        kind=recipe.kind,
        clock_drift_ppm=found.clock_drift_ppm,
        level_unit=calibration.level_unit,
        frequency_hz=amplitudes.frequency_hz,
        band_hz=list(recipe.band_hz),
        drive_shape_db=np.asarray(ratio_to_db(stimulus.sweep.drive_ratio(amplitudes.frequency_hz))),
        rungs=reading.rungs,
        compression=reading.compression,
        return_check_db=reading.return_check_db,
        limiters=[limiter_record(limiter) for limiter in limits.limiters],
        clean_level=limits.clean_level,
        clean_level_third_octave=limits.clean_level_third_octave,
        high_order_onset=limits.high_order_onset,
        background=_background(cut, stimulus, calibration),
    )
    searched = SearchedTake(take, amplitudes.impulse, stimulus.sweep.rate_constant_s)
    moved = ladder_gain_warnings(stimulus, found.marker_changes, take)
    return searched, [*_take_warnings(found.missing, take), *odd, *reading.warnings, *moved]


def _peak_warnings(recordings: Sequence[Recording]) -> list[Warning_]:
    """Warn of a recording that touches full scale without a flat top that proves clipping."""
    return [
        Warning_(
            "near_full_scale",
            f"{one.path.name} peaks at {round(float(ratio_to_db(one.peak)), 2) + 0.0:.2f} dBFS:"
            " whether something before the recorder clipped cannot be told. Lower the input gain.",
        )
        for one in recordings
        if NEAR_FULL_SCALE <= one.peak <= 1.0 and not len(one.clipped_samples)
    ]


def _background(
    cut: CutLadder, stimulus: LadderStimulus, calibration: Calibration
) -> Background | None:
    noise = noise_spectrum(cut.quiet, rate_hz=stimulus.recipe.rate_hz, step=cut.step)
    if noise is None:
        return None
    return describe_background(
        noise,
        band_hz=stimulus.recipe.band_hz,
        level_offset_db=calibration.level_offset_db,
        correction_db=calibration.correction_db,
    )


def _take_warnings(missing: Sequence[str], take: Take) -> list[Warning_]:
    warnings = [Warning_("incomplete", f"{text}.") for text in missing]
    drift_ppm = take.clock_drift_ppm
    unsure = ", or samples were lost: one sweep cannot tell" if len(take.rungs) == 1 else ""
    if drift_ppm is not None and abs(drift_ppm) > DRIFT_WORTH_A_WORD_PPM:
        warnings.append(
            Warning_(
                "clock_drift",
                f"Player and recorder ran on different clocks, {drift_ppm:+.1f} ppm apart;"
                " this was taken out."
                if abs(drift_ppm) <= CLOCKS_PPM
                else f"The recording runs {abs(drift_ppm):.0f} ppm"
                f" {'slower' if drift_ppm > 0.0 else 'faster'} than what was to be played, more"
                f" than two clocks differ ({CLOCKS_PPM:.0f} ppm): a player or a recorder ran at"
                f" another speed{unsure}. It was taken out; every frequency stated is the one that"
                " was to be played.",
            )
        )
    if take.background is None:
        warnings.append(
            Warning_(
                "no_background",
                "The silence before the first rung was not recorded: floors are not known, and"
                " nothing can be called reliable.",
            )
        )
    return warnings


def _given(value: Device | Conditions) -> dict[str, Any]:
    """Return what was noted, without what was not."""
    return {k: v for k, v in dataclasses.asdict(value).items() if v is not None}


def _described(calibration: Calibration) -> dict[str, Any]:
    if calibration.pascal_per_fs is None:
        described: dict[str, Any] = {}
    else:
        described = {
            "pascal_per_fs": calibration.pascal_per_fs,
            "spl_at_0dbfs_db": calibration.level_offset_db,
            "source": calibration.source,
        }
    if calibration.mic is not None:
        largest_at_hz, largest_db = calibration.mic.largest
        described |= {
            "mic_correction": calibration.mic_correction_file,
            "mic_correction_points": len(calibration.mic.frequency_hz),
            "mic_correction_largest_db": largest_db,
            "mic_correction_largest_at_hz": largest_at_hz,
        }
    return described
