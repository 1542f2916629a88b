"""Whether the recordings of a take hold the stimulus that its sidecar describes, file by file.

The markers alone do not tell: they are alike in every stimulus, and two stimuli may be equally
long. So what lies between them must be what the sidecar says. Levels are no evidence: nothing is
known of gain, response and limiters.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.ladder import Amplitudes
from distsweep.errors import InputError
from distsweep.results import Warning_
from distsweep.takes.cutting import CutTake
from distsweep.takes.recording import Recording
from distsweep.units import BoolArray, FloatArray, ratio_to_db

CLOCKS_PPM = 200.0
"""Two clocks differ by less (chosen: converters keep 100 ppm each). What differs by more was
played at another speed, and is believed only on the proof of what was played."""

SPEED_PPM = 150.0
"""Within this the sweeps' arrivals, or the tones' frequencies, must give the markers' speed."""

LARGEST_SMEAR_S = 0.0006
"""Largest steady drift of the arrival per octave (chosen: crossovers and rooms give steps of
both signs, or well below half a millisecond above 1 kHz; a sweep whose band starts 3 % higher
gives 0.7 ms in 2 s, and more in longer ones)."""

ARRIVAL_DOUBT_S, WITH_MARKERS_S = 0.001, 0.003
"""Arrivals of one loudspeaker's rungs agree within the first, besides SPEED_PPM of the time
between them; with those of the markers, which hold other frequencies, within the second."""

SILENT_DB = 10.0
"""A rung that is so much softer than a loudspeaker that follows makes it is silent (chosen:
compression makes quiet rungs louder re the loud ones, never softer)."""

GIVE_SIDECAR = "give the sidecar of the stimulus that was played"


def check_sweeps(
    recordings: Sequence[Recording], cut: CutTake, amplitudes: Amplitudes
) -> list[Warning_]:
    """Refuse a recording whose sweeps are not the stimulus's; warn where some are silent.

    The louder half of the rungs is judged, at least two of them, and half of those must be
    the sweep: a noise may spoil the others.

    Raises
    ------
    InputError
        They are not, or clocks do not explain where the markers stand, nor does a speed.
    """
    drives = np.array([rung.drive_dbfs for rung in cut.rungs])
    judged = np.argsort(-drives, kind="stable")[: max(2, -(-len(drives) // 2))]
    in_place = amplitudes.octaves.in_place[judged]
    if 2 * np.sum(in_place) < len(judged) or amplitudes.smear_s > LARGEST_SMEAR_S:
        raise InputError(
            f"{recordings[0].path}: the markers are there, but the sweeps between them are not"
            f" this stimulus's, or drown in noise: {GIVE_SIDECAR}"
        )
    for number, (recording, placement) in enumerate(zip(recordings, cut.placements, strict=True)):
        drift_ppm = placement.clock_drift_ppm
        if drift_ppm is None or abs(drift_ppm) <= CLOCKS_PPM:
            continue
        rows = [row for row, rung in enumerate(cut.rungs) if rung.file == number]
        if not _sweeps_run_at_speed(cut, amplitudes, rows):
            raise InputError(f"{recording.path}: {no_clocks(drift_ppm)}")
    silent = _silent_rungs(drives, amplitudes)
    if not np.any(silent):
        return []
    levels = ", ".join(f"{drive:g}" for drive in drives[silent]).replace("-", "−")
    text = (
        f"{recordings[0].path.name} is silent where this stimulus has its rung at {levels} dBFS,"
        " while others are clear: did the loudspeaker mute itself, or was another stimulus played?"
    )
    return [Warning_("silent_rungs", text)]


def _silent_rungs(drives: FloatArray, amplitudes: Amplitudes) -> BoolArray:
    """Tell which rungs are not there though a loudspeaker that follows would be heard."""
    in_place = amplitudes.octaves.in_place
    if not np.any(in_place):
        return ~in_place
    heard_db = np.nanmedian(ratio_to_db(np.abs(amplitudes.orders[0])), axis=1)
    loudest = int(np.argmax(np.where(in_place, heard_db, -np.inf)))
    expected_db = heard_db[loudest] + drives - drives[loudest]
    return np.asarray(~in_place & (heard_db < expected_db - SILENT_DB))


def _sweeps_run_at_speed(cut: CutTake, amplitudes: Amplitudes, rows: Sequence[int]) -> bool:
    """Tell whether a file's sweeps arrive when the speed that its markers give puts them.

    A single sweep must arrive with its markers, several with each other.
    """
    arrivals_s = amplitudes.arrivals_s[list(rows)]
    clear = np.isfinite(arrivals_s)
    if 2 * np.sum(clear) < len(rows) or not np.any(clear):
        return False
    starts_s = np.array([cut.rungs[row].start_s for row in rows])[clear]
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
