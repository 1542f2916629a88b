"""The dataclasses behind ``results.json``, their reader and their writer.

Field names are those of the contract ("distsweep.results/2"). Inside, arrays are numpy
arrays, with NaN or −inf where a number does not exist; in the file those are ``null``.
"""

from distsweep.results.at_spl import BAND, EACH_FREQUENCY, AtSpl, HarmonicAtSpl
from distsweep.results.damage import Damage
from distsweep.results.file import parse_results, read_results, to_json, write_results
from distsweep.results.hiss import KIND as BACKGROUND
from distsweep.results.hiss import Hiss
from distsweep.results.impulse import ImpulseResponse
from distsweep.results.ladder import (
    Background,
    Compression,
    HarmonicCurve,
    HighOrderOnset,
    Rung,
    Smoothed,
    SmoothedLevel,
    ThdAdvice,
    ThdThirdOctave,
    Tone,
)
from distsweep.results.limits import (
    TURNED_DOWN,
    Agreement,
    CleanLevel,
    Limiter,
    LimiterAgreement,
    LimiterNumbers,
    Thermal,
)
from distsweep.results.loopback import Loopback
from distsweep.results.provenance import Provenance, SourceFile
from distsweep.results.record import RecordedReason
from distsweep.results.reproducibility import PlaceDeviation, PlaceSpread, Reproducibility
from distsweep.results.resonance import (
    AtPosition,
    Decay,
    DecayMap,
    GrowthPoint,
    PossibleCause,
    Resonance,
    SeenIn,
    SpikeSeen,
)
from distsweep.results.session import Conditions, Device, RecordedCalibration
from distsweep.results.staircase import BurstTrace, Staircase, ToneLevels
from distsweep.results.take import AXIS, SCHEMA, Results, Take, Warning_, first_take
from distsweep.results.thd import SAME_DRIVE_DB, SAME_TONE, Thd

__all__ = [
    "AXIS",
    "BACKGROUND",
    "BAND",
    "EACH_FREQUENCY",
    "SAME_DRIVE_DB",
    "SAME_TONE",
    "SCHEMA",
    "TURNED_DOWN",
    "Agreement",
    "AtPosition",
    "AtSpl",
    "Background",
    "BurstTrace",
    "CleanLevel",
    "Compression",
    "Conditions",
    "Damage",
    "Decay",
    "DecayMap",
    "Device",
    "GrowthPoint",
    "HarmonicAtSpl",
    "HarmonicCurve",
    "HighOrderOnset",
    "Hiss",
    "ImpulseResponse",
    "Limiter",
    "LimiterAgreement",
    "LimiterNumbers",
    "Loopback",
    "PlaceDeviation",
    "PlaceSpread",
    "PossibleCause",
    "Provenance",
    "RecordedCalibration",
    "RecordedReason",
    "Reproducibility",
    "Resonance",
    "Results",
    "Rung",
    "SeenIn",
    "Smoothed",
    "SmoothedLevel",
    "SourceFile",
    "SpikeSeen",
    "Staircase",
    "Take",
    "Thd",
    "ThdAdvice",
    "ThdThirdOctave",
    "Thermal",
    "Tone",
    "ToneLevels",
    "Warning_",
    "first_take",
    "parse_results",
    "read_results",
    "to_json",
    "write_results",
]
