"""The records of an inspection: what a recording holds, as far as it tells without an analysis."""

from __future__ import annotations

from dataclasses import dataclass, field

from distsweep.results.damage import Damage
from distsweep.results.ladder import Background
from distsweep.results.record import Record

SCHEMA = "distsweep.inspection/1"


@dataclass(frozen=True, repr=False)
class InspectedChannel(Record):
    """One channel: its levels, its background and where it was clipped.

    Attributes
    ----------
    channel : counted from 1.
    peak_dbfs, rms_dbfs : of the whole channel; a sine of full scale has the RMS 0 dBFS.
    direct_current : mean of all samples, full scale 1.
    silent : no sample reaches −120 dBFS.
    not_a_number : which sample is the first that is no finite number; None where all are.
    clipped_samples : how many samples lie at a flat top.
    clipped_at_dbfs, first_clipped_s : level of that top, and when it is first reached.
    background : in the quietest stretch, in dBFS; None where the recording is too short.
    background_start_s, background_end_s : which stretch that is.
    """

    channel: int
    peak_dbfs: float
    rms_dbfs: float
    direct_current: float
    silent: bool
    not_a_number: int | None = None
    clipped_samples: int = 0
    clipped_at_dbfs: float | None = None
    first_clipped_s: float | None = None
    background: Background | None = None
    background_start_s: float | None = None
    background_end_s: float | None = None


@dataclass(frozen=True, repr=False)
class FoundMarker(Record):
    """A marker as every stimulus of ours has two: when it begins, and how well it matches (0…1)."""

    start_s: float
    match: float


@dataclass(frozen=True, repr=False)
class FoundSweep(Record):
    """An exponential sweep, as far as it is seen: it may begin earlier, below ``low_hz``."""

    start_s: float
    end_s: float
    low_hz: float
    high_hz: float


@dataclass(frozen=True, repr=False)
class FoundRun(Record):
    """One run of the stimulus in a recording.

    Attributes
    ----------
    start_s, end_s : where its file begins and ends.
    markers : which were found: "both", "start" or "end"; "sweeps" or "sweep" where a stimulus that
        has none was placed by its sweeps; "" where it could not be cut out.
    match : normalised correlation of the weaker marker, 0…1; None where there is none.
    clock_drift_ppm : recorded length over played length, minus one; None where it is not known.
    missing : a sentence for each part of it that is not complete.
    trouble : why it could not be cut out; "" where it was.
    """

    start_s: float
    end_s: float
    markers: str
    match: float | None
    clock_drift_ppm: float | None = None
    missing: list[str] = field(default_factory=list)
    trouble: str = ""


@dataclass(frozen=True, repr=False)
class Inspection(Record):
    """What was found in one recording.

    Attributes
    ----------
    recording : the file's name.
    container, encoding : as libsndfile names them, such as "WAV" and "PCM_24".
    lossy : whether the encoding leaves something out of the sound.
    rate_hz, samples, length_s : of each channel.
    channels : one a channel.
    signal_channel : the channel with the markers; without any, the one that stands most clearly out
        of its background; None where none does.
    markers : of any stimulus of ours, on that channel.
    sweeps : exponential ones on that channel, where there are no markers.
    stimulus : name of the stimulus that was looked for; None where none was given.
    runs : where it was found.
    not_found : why it was not; "" where it was, or was not looked for.
    damage : what happened to the recording, as far as it shows without an analysis.
    """

    recording: str
    container: str
    encoding: str
    lossy: bool
    rate_hz: int
    samples: int
    length_s: float
    channels: list[InspectedChannel]
    signal_channel: int | None = None
    markers: list[FoundMarker] = field(default_factory=list)
    sweeps: list[FoundSweep] = field(default_factory=list)
    stimulus: str | None = None
    runs: list[FoundRun] = field(default_factory=list)
    not_found: str = ""
    damage: list[Damage] = field(default_factory=list)


@dataclass(frozen=True, repr=False)
class Inspections(Record):
    """What ``inspect`` writes as JSON."""

    schema: str = SCHEMA
    recordings: list[Inspection] = field(default_factory=list)
