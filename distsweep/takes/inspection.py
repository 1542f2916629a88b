"""What a recording holds: levels, background, clipping, muted blocks, markers, a stimulus's runs.

It is gone through in blocks, whatever its length, and nothing is asked but the file: a sidecar adds
where its stimulus was played. Distortion is not looked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from distsweep.analysis.noise.background import SEGMENT_S, describe_background, noise_spectrum
from distsweep.analysis.settings import TakeSettings
from distsweep.errors import InputError
from distsweep.results import Background, Damage
from distsweep.results.inspection import FoundMarker, InspectedChannel, Inspection
from distsweep.stimulus.marker import design_marker
from distsweep.takes.correction import no_correction
from distsweep.takes.inspected_runs import LookedFor, with_runs
from distsweep.takes.marker_search import Searching, marker_places
from distsweep.takes.muted import BESIDE_S, MUTED_S, muted_blocks
from distsweep.takes.placement import SURE_MATCH
from distsweep.takes.recording import SILENT_PEAK, find_clipping
from distsweep.takes.sound_file import SoundFile, blocks, open_sound, read_channel
from distsweep.takes.survey import LEVELS_S, ChannelLevels, survey
from distsweep.units import FloatArray, power_to_db, ratio_to_db

QUIET_S = 3.0
"""Length of the quietest stretch that is taken for the background (chosen: the silence that our
stimuli begin with)."""

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
    clipped, muted = _clipped_and_muted(sound, levels)
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
        inspected = replace(inspected, signal_channel=_clearest(levels))
    return inspected


@dataclass
class _Clipping:
    """How many samples of a channel are clipped, and which is the first; −1 where none is."""

    samples: int = 0
    first: int = -1


def _clipped_and_muted(
    sound: SoundFile, levels: Sequence[ChannelLevels]
) -> tuple[list[_Clipping], list[Damage]]:
    """Go through a file for flat tops at each channel's peak, and for muted blocks."""
    clipped = [_Clipping() for _ in levels]
    muted: list[Damage] = []
    # Blocks overlap by what a muted block needs on both sides.
    kept = round((2.0 * BESIDE_S + MUTED_S) * sound.rate_hz)
    rest = np.empty((0, sound.channels))
    for first, block in blocks(sound):
        whole = np.concatenate([rest, block])
        begin = first - len(rest)
        for channel, found in enumerate(levels):
            if found.peak < SILENT_PEAK or found.not_a_number is not None:
                continue
            places = find_clipping(block[:, channel], found.peak, step=sound.step)
            if len(places):
                seen = clipped[channel]
                seen.first = seen.first if seen.samples else first + int(places[0])
                seen.samples += len(places)
            muted += [
                _muted(sound, begin + start, begin + end)
                for start, end in muted_blocks(
                    whole[:, channel], rate_hz=sound.rate_hz, step=sound.step
                )
            ]
        rest = whole[-kept:]
    # A block in the overlap is found twice, and channels are often muted together.
    times = sorted({(one.start_s, one.end_s): one for one in muted}.items())
    return clipped, [one for _, one in times]


def _muted(sound: SoundFile, start: int, end: int) -> Damage:
    return Damage(
        "muted",
        start / sound.rate_hz,
        end / sound.rate_hz,
        samples=end - start,
        recording=sound.path.name,
    )


def _channel(
    sound: SoundFile, channel: int, levels: ChannelLevels, clipped: _Clipping
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

    Where no whole ``QUIET_S`` can be had, the whole channel; None where that is too short.
    """
    count = round(QUIET_S / LEVELS_S)
    if len(levels.powers) * LEVELS_S < 2.0 * SEGMENT_S:
        return None
    if len(levels.powers) <= count:
        return 0, len(levels.powers)
    muted = np.where(levels.zeros > MUTED_SHARE, np.inf, 0.0)
    for powers in (levels.powers + muted, levels.powers):
        sums = np.sum(np.lib.stride_tricks.sliding_window_view(powers, count), axis=1)
        first = int(np.argmin(sums))
        if np.isfinite(sums[first]):
            return first, first + count
    return None


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
