"""What clipping leaves between the orders: no click or knock of its own, as the clip is named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from distsweep.analysis.cut import CutLadder
from distsweep.analysis.sweep.left_over import FRAME_S
from distsweep.analysis.sweep.spoilt import LeftOver
from distsweep.units import db_to_ratio

CLIPPED_SHARE = 0.5
"""Share of an event's strong moments that are clipped from which clipping made it (chosen: what
clips a sweep does so for as long as the event lasts)."""

NEAR_FORETOLD = 0.9
"""A pass that another foretells such a share of, or more, is as loud as foretold (chosen: 1 dB, by
which noise and a loudspeaker that gets more sensitive may differ)."""


def mark_clips(left: LeftOver, cut: CutLadder, rate_hz: float) -> LeftOver:
    """Return what is left over with those events marked that clipping made, which is named itself.

    Those are clipped at most of their strong moments, and the sweep alone reaches the limit there,
    as another pass foretells. A knock that is clipped is not: it is what went past the limit.
    """
    clips = [samples for rung in cut.rungs for samples in rung.clipped_samples]
    events = []
    for event in left.events:
        begins, ends = (
            np.searchsorted(clips[event.row], (left.layout.time_s[event.strong] + side_s) * rate_hz)
            for side_s in (-FRAME_S, FRAME_S)
        )
        clipped = clips[event.row][begins[0] : ends[-1]]
        by_clip = (
            event.whose == "damage"
            and bool(np.mean(ends > begins) >= CLIPPED_SHARE)
            and _driven_there(cut, event.row, int(clipped[0]), int(clipped[-1]) + 1)
        )
        events.append(replace(event, whose="clip") if by_clip else event)
    return replace(left, events=events)


def _driven_there(cut: CutLadder, number: int, first: int, last: int) -> bool:
    """Tell whether a pass is as loud at some samples as the others foretell, or less."""
    passes = [(rung.drive_dbfs, signal) for rung in cut.rungs for signal in rung.signals]
    drive_dbfs, own = passes.pop(number)
    foretold = [
        np.max(np.abs(signal[first:last])) * db_to_ratio(drive_dbfs - other_dbfs)
        for other_dbfs, signal in passes
        if other_dbfs <= drive_dbfs and last <= len(signal)
    ]
    return max(foretold, default=0.0) >= NEAR_FORETOLD * float(np.max(np.abs(own[first:last])))
