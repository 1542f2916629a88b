"""Whether the recordings of a take hold the stimulus that its sidecar describes, file by file.

The markers alone do not tell: they are alike in every stimulus, and two stimuli may be equally
long. So what lies between them must be what the sidecar says. Levels are no evidence: nothing is
known of gain, response and limiters.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from distsweep.analysis.ladder import MeasuredLadder
from distsweep.errors import InputError
from distsweep.reason import Reason
from distsweep.takes.cutting import FoundLadder
from distsweep.takes.recording import Recording
from distsweep.units import BoolArray, FloatArray, IntArray

CLOCKS_PPM = 200.0
"""Two clocks differ by less (chosen: converters keep 100 ppm each). What differs by more was
played at another speed, and is believed only on the proof of what was played."""

SPEED_PPM = 150.0
"""Within this the sweeps' arrivals, or the tones' frequencies, must give the markers' speed
(chosen: an arrival known to a millisecond tells the speed of ten seconds to 100 ppm)."""

LARGEST_SMEAR_S = 0.0006
"""Largest steady drift of the arrival per octave (chosen: crossovers and rooms give steps of
both signs, or well below half a millisecond above 1 kHz; a sweep whose band starts 3 % higher
gives 0.7 ms in 2 s, and more in longer ones)."""

ARRIVAL_DOUBT_S, WITH_MARKERS_S = 0.001, 0.003
"""Arrivals of one loudspeaker's rungs agree within the first, besides SPEED_PPM of the time
between them; with those of the markers, which hold other frequencies, within the second (chosen:
from rung to rung only noise moves an arrival; a crossover delays one band by some milliseconds)."""

SILENT_DB = 10.0
"""A rung is silent that is softer by this than its drive and the loudest rung make expected
(chosen: compression makes quiet rungs louder re the loud ones, never softer)."""

GIVE_SIDECAR = "give the sidecar of the stimulus that was played"


def check_sweeps(
    recordings: Sequence[Recording], found: FoundLadder, measured: MeasuredLadder
) -> list[Reason]:
    """Refuse a recording whose sweeps are not the stimulus's; warn where some are silent.

    The louder half of the rungs that are not silent is judged, at least two of them, and half
    of those must be the sweep: a noise may spoil the others. Of a ladder of more than two rungs
    two must be in place, wherever they are.

    Raises
    ------
    InputError
        They are not, or neither two clocks nor one speed explain where the markers stand.
    """
    _check_speed(recordings, found, measured)
    drives = np.array([rung.drive_dbfs for rung in found.cut.rungs])
    in_place, silent = measured.arrivals.octaves.in_place, _silent_rungs(drives, measured)
    loudest_first = np.argsort(-drives, kind="stable")
    heard = loudest_first[~silent[loudest_first]]
    judged = heard[: max(2, -(-len(heard) // 2))]
    smear_s = LARGEST_SMEAR_S + _unknown_smear_s(found)
    enough = np.sum(in_place) >= (2 if len(drives) > 2 else 1)
    half = 2 * np.sum(in_place[judged]) >= len(judged)
    if not (enough and half) or measured.arrivals.smear_s > smear_s:
        bad = next((row for row in loudest_first if not in_place[row]), loudest_first[0])
        raise InputError(
            f"{recordings[found.cut.rungs[bad].file].path}: {_there(found)} are not this"
            f" stimulus's, or drown in noise: {GIVE_SIDECAR}"
        )
    return [_silence(recordings, found, np.flatnonzero(silent))] if np.any(silent) else []


def _there(found: FoundLadder) -> str:
    """Name the sweeps by what they were placed by."""
    marked = found.placements[0].markers not in ("sweeps", "sweep")
    return "the markers are there, but the sweeps between them" if marked else "the sweeps in it"


def _unknown_smear_s(found: FoundLadder) -> float:
    """Return by how much later per octave a sweep arrives by a clock's drift that is not known."""
    if found.placements[0].markers != "sweep":
        return 0.0
    return 1e-6 * CLOCKS_PPM * found.cut.sweep.rate_constant_s * math.log(2.0)


def _silence(recordings: Sequence[Recording], found: FoundLadder, silent: IntArray) -> Reason:
    """Name silent rungs by file and drive; the first and the return rung are one drive."""
    places = sorted({(found.cut.rungs[row].file, found.cut.rungs[row].drive_dbfs)
                     for row in silent})  # fmt: skip
    return Reason(
        "silent_rungs",
        recordings=[recordings[file].path.name for file, _ in places],
        drives_dbfs=[drive for _, drive in places],
    )


def _check_speed(
    recordings: Sequence[Recording], found: FoundLadder, measured: MeasuredLadder
) -> None:
    """Refuse markers that clocks do not put where they stand, unless a speed does so.

    When sweeps arrive shows a speed where a file has several. Samples lost from a file of one
    sweep hardly move it: the files of a take must run at one speed.

    Raises
    ------
    InputError
        A speed does not show.
    """
    drifts_ppm = {
        number: placement.clock_drift_ppm
        for number, placement in enumerate(found.placements)
        if placement.clock_drift_ppm is not None
    }
    if all(abs(drift_ppm) <= CLOCKS_PPM for drift_ppm in drifts_ppm.values()):
        return
    if len(drifts_ppm) > 1:
        _check_one_speed(recordings, drifts_ppm)
    for number, drift_ppm in drifts_ppm.items():
        rows = [row for row, rung in enumerate(found.cut.rungs) if rung.file == number]
        if abs(drift_ppm) > CLOCKS_PPM and not _sweeps_run_at_speed(found, measured, rows):
            raise InputError(f"{recordings[number].path}: {no_clocks(drift_ppm)}")


def _check_one_speed(recordings: Sequence[Recording], drifts_ppm: dict[int, float]) -> None:
    """Refuse the recording that runs at another speed than the take's others."""
    usual_ppm = {
        number: float(np.median([ppm for other, ppm in drifts_ppm.items() if other != number]))
        for number in drifts_ppm
    }
    off_ppm = {number: abs(ppm - usual_ppm[number]) for number, ppm in drifts_ppm.items()}
    odd = max(drifts_ppm, key=lambda number: (off_ppm[number], abs(drifts_ppm[number])))
    if off_ppm[odd] > SPEED_PPM:
        raise InputError(
            f"{recordings[odd].path}: its markers stand {off_ppm[odd]:.0f} ppm"
            f" {'further' if drifts_ppm[odd] > usual_ppm[odd] else 'less far'} apart than those of"
            f" the take's other recordings: record it again if samples were lost, or {GIVE_SIDECAR}"
        )


def _silent_rungs(drives: FloatArray, measured: MeasuredLadder) -> BoolArray:
    """Tell which rungs are not there though a loudspeaker that follows would be heard."""
    in_place = measured.arrivals.octaves.in_place
    if not np.any(in_place):
        return ~in_place
    heard_db = measured.median_dbfs
    loudest = int(np.argmax(np.where(in_place, heard_db, -np.inf)))
    expected_db = heard_db[loudest] + drives - drives[loudest]
    return np.asarray(~in_place & (heard_db < expected_db - SILENT_DB))


def _sweeps_run_at_speed(found: FoundLadder, measured: MeasuredLadder, rows: Sequence[int]) -> bool:
    """Tell whether a file's sweeps arrive when the speed that its markers give puts them.

    A single sweep must arrive with its markers, several with each other.
    """
    arrivals_s = measured.arrivals.direct_s[list(rows)]
    clear = np.isfinite(arrivals_s)
    if 2 * np.sum(clear) < len(rows) or not np.any(clear):
        return False
    starts_s = np.array([found.cut.rungs[row].start_s for row in rows])[clear]
    arrivals_s = arrivals_s[clear]
    if len(arrivals_s) == 1:
        return bool(abs(arrivals_s[0]) <= WITH_MARKERS_S)
    allowed_s = ARRIVAL_DOUBT_S + 1e-6 * SPEED_PPM * float(np.ptp(starts_s))
    return bool(np.ptp(arrivals_s) <= allowed_s)


def no_clocks(drift_ppm: float) -> str:
    """Say that markers stand where two clocks do not put them, and no proof explains it."""
    return (
        f"its markers stand {abs(drift_ppm):.0f} ppm"
        f" {'further' if drift_ppm > 0.0 else 'less far'} apart than this stimulus's, more than"
        f" two clocks differ ({CLOCKS_PPM:.0f} ppm), and what lies between them does not show"
        f" that speed: {GIVE_SIDECAR}, or record again if samples were lost"
    )
