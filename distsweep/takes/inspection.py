"""What a recording holds: levels, background, clipping, muted blocks, markers, a stimulus's runs.

It is gone through in blocks, whatever its length, and nothing is asked but the file: a sidecar adds
where its stimulus was played. Distortion is not looked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from distsweep.analysis.noise.background import describe_background, noise_spectrum
from distsweep.analysis.settings import TakeSettings
from distsweep.errors import InputError
from distsweep.results import Background
from distsweep.results.inspection import FoundMarker, InspectedChannel, Inspection
from distsweep.stimulus.marker import design_marker
from distsweep.takes.correction import no_correction
from distsweep.takes.flaws import Clipping, clipped_and_muted
from distsweep.takes.inspected_runs import LookedFor, with_runs
from distsweep.takes.marker_search import Searching, marker_places
from distsweep.takes.placement import SURE_MATCH
from distsweep.takes.recording import SILENT_PEAK
from distsweep.takes.sound_file import SoundFile, open_sound, read_channel
from distsweep.takes.survey import LEVELS_S, ChannelLevels, survey
from distsweep.takes.sweeps_heard import heard_sweeps
from distsweep.units import FloatArray, db_to_power, power_to_db, ratio_to_db

QUIET_S, QUIETER_DB = (3.0, 1.0), 6.0
"""Length of the quietest stretch that is taken for the background, and by how much a shorter one
must be quieter to be taken instead (chosen: our stimuli begin with a silence of 3 s; of mere noise
the quietest second lies less than 1 dB below the quietest three)."""

MUTED_SHARE = 0.5
"""A tenth of a second of which more is exactly 0 is no background (chosen: half)."""

SIGNAL_DB = 10.0
"""Without markers a channel has a signal where something stands this far above its quietest stretch
(chosen: noise alone varies by 1 or 2 dB from tenth to tenth of a second)."""

USUAL_BAND_HZ = (20.0, 20000.0)
"""Band in which a background is stated, and of the marker that is looked for without a sidecar: it
is the same for every band that holds 375 Hz to 3.3 kHz."""

LOSSY = ("MPEG", "VORBIS", "OPUS", "ULAW", "ALAW", "ADPCM", "GSM", "G72", "VOX", "NMS", "DPCM")
"""Parts of libsndfile's names of encodings that leave something out of the sound, or round it
coarsely."""


def inspect_recording(
    path: Path, looked_for: LookedFor | None = None, *, searching: Searching | None = None
) -> Inspection:
    """Return what a recording holds.

    Raises
    ------
    InputError
        It cannot be read.
    """
    sound = open_sound(path)
    if not sound.samples:
        raise InputError(f"{path}: holds no samples: record it again, or copy it again")
    levels = survey(sound, searching=searching)
    clipped, muted = clipped_and_muted(sound, levels)
    channels = [
        _channel(sound, number, found, clipped[number - 1])
        for number, found in enumerate(levels, start=1)
    ]
    inspected = Inspection(
        recording=path.name,
        container=sound.container,
        encoding=sound.encoding,
        lossy=any(name in sound.encoding for name in LOSSY),
        rate_hz=sound.rate_hz,
        samples=sound.samples,
        length_s=sound.length_s,
        channels=channels,
        damage=muted,
    )
    if looked_for is not None:
        inspected = with_runs(inspected, sound, looked_for, searching)
    if inspected.signal_channel is None:
        inspected = _with_markers(inspected, sound, levels, searching)
    if inspected.signal_channel is None:
        inspected = _with_sweeps(inspected, sound, _clearest(levels))
    return inspected


def _with_sweeps(inspected: Inspection, sound: SoundFile, channel: int | None) -> Inspection:
    """Add the sweeps on the channel that holds the signal, if one does."""
    if channel is None:
        return inspected
    return replace(inspected, signal_channel=channel, sweeps=heard_sweeps(sound, channel))


def _channel(
    sound: SoundFile, channel: int, levels: ChannelLevels, clipped: Clipping
) -> InspectedChannel:
    silent = levels.peak < SILENT_PEAK
    inspected = InspectedChannel(
        channel=channel,
        peak_dbfs=float(ratio_to_db(levels.peak)),
        # A sine of peak 1 has the mean square ½: that is 0 dBFS.
        rms_dbfs=float(power_to_db(2.0 * levels.mean_power)),
        direct_current=levels.mean,
        silent=silent,
        not_a_number=levels.not_a_number,
    )
    if clipped.samples:
        inspected = replace(
            inspected,
            clipped_samples=clipped.samples,
            clipped_at_dbfs=inspected.peak_dbfs,
            first_clipped_s=clipped.first / sound.rate_hz,
        )
    if silent or levels.not_a_number is not None:
        return inspected
    quiet = quietest(levels)
    if quiet is None:
        return inspected
    first, last = (round(end * LEVELS_S * sound.rate_hz) for end in quiet)
    return replace(
        inspected,
        background=_background(read_channel(sound, channel, first=first, last=last), sound),
        background_start_s=first / sound.rate_hz,
        background_end_s=last / sound.rate_hz,
    )


def quietest(levels: ChannelLevels) -> tuple[int, int] | None:
    """Return the quietest stretch of a channel that is not muted, in steps of ``LEVELS_S``.

    It is as long as the first of ``QUIET_S``, or the second where that is quieter by far; None
    where the recording is shorter.
    """
    powers = levels.powers
    live = np.where(levels.zeros > MUTED_SHARE, np.inf, powers)
    best, best_power = None, np.inf
    for length_s in QUIET_S:
        count = round(length_s / LEVELS_S)
        if count > len(powers):
            continue
        sums = np.sum(np.lib.stride_tricks.sliding_window_view(live, count), axis=1)
        first = int(np.argmin(sums))
        power = float(sums[first]) / count
        if power < best_power / db_to_power(QUIETER_DB):
            best, best_power = (first, first + count), power
    return best


def _background(samples: FloatArray, sound: SoundFile) -> Background | None:
    noise = noise_spectrum([samples], rate_hz=sound.rate_hz, step=sound.step)
    if noise is None:
        return None
    low_hz, high_hz = USUAL_BAND_HZ
    band_hz = low_hz, min(high_hz, 0.45 * sound.rate_hz)
    settings = TakeSettings(band_hz=band_hz, order=1, correction_db=no_correction)
    return describe_background(noise, settings)


def _clearest(levels: Sequence[ChannelLevels]) -> int | None:
    """Return the channel whose loudest moment stands furthest above its quietest stretch."""
    best, best_db = None, SIGNAL_DB
    for channel, found in enumerate(levels, start=1):
        quiet = quietest(found)
        if quiet is None or found.peak < SILENT_PEAK or found.not_a_number is not None:
            continue
        quiet_power = float(np.mean(found.powers[slice(*quiet)]))
        if quiet_power <= 0.0:
            continue
        above_db = float(power_to_db(np.max(found.powers) / quiet_power))
        if above_db >= best_db:
            best, best_db = channel, above_db
    return best


def _with_markers(
    inspected: Inspection,
    sound: SoundFile,
    levels: Sequence[ChannelLevels],
    searching: Searching | None,
) -> Inspection:
    """Add the markers on the first channel that has any."""
    marker = design_marker(rate_hz=sound.rate_hz, band_hz=USUAL_BAND_HZ, level_dbfs=0.0)
    if marker.start_hz * 2.6 > sound.rate_hz:
        return inspected
    for channel, found in enumerate(levels, start=1):
        if found.peak < SILENT_PEAK or found.not_a_number is not None:
            continue
        places, matches = marker_places(
            sound, marker, channel=channel, mean_power=found.mean_power, searching=searching
        )
        sure = matches >= SURE_MATCH
        if np.any(sure):
            markers = [
                FoundMarker(float(place) / sound.rate_hz, float(match))
                for place, match in zip(places[sure], matches[sure], strict=True)
            ]
            return replace(inspected, signal_channel=channel, markers=markers)
    return inspected
