"""The rehearsal: a simulated loudspeaker on a simulated measuring bench.

A waveform goes in and a recording comes back. The loudspeaker is made of physical parameters; what
it distorts follows from them. Nothing here is shared with the analysis, so that a mistake cannot
cancel itself.
"""

from __future__ import annotations

from distsweep.rehearsal.background import background
from distsweep.rehearsal.bench import Bench, Reflection
from distsweep.rehearsal.demo import demo_bench, demo_loudspeaker
from distsweep.rehearsal.iteration import NotConvergedError
from distsweep.rehearsal.loudspeaker import (
    Bell,
    Box,
    Crossover,
    Heating,
    Limiter,
    Loudspeaker,
    Tweeter,
    Woofer,
)
from distsweep.rehearsal.measuring import measure
from distsweep.rehearsal.resonances import Resonance

__all__ = [
    "Bell",
    "Bench",
    "Box",
    "Crossover",
    "Heating",
    "Limiter",
    "Loudspeaker",
    "NotConvergedError",
    "Reflection",
    "Resonance",
    "Tweeter",
    "Woofer",
    "background",
    "demo_bench",
    "demo_loudspeaker",
    "measure",
]
