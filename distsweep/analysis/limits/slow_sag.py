"""Whether a tone's gain sags slowly, as of a coil that grows hot, and how far at each burst."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.limits.attack_release import RELEASE_RANGE_S, Times
from distsweep.analysis.limits.thermal import (
    SLOWEST_S,
    ThermalFit,
    fit_thermal,
    fit_thermal_behind_limiter,
    temperature_rise_k,
)
from distsweep.analysis.tone.bursts import ToneBursts, stretches
from distsweep.analysis.tone.gain_in_time import gain_history
from distsweep.results import Thermal
from distsweep.units import FloatArray

SLOW_FROM_S = 0.9
"""A sag slower than this is a coil's warming, a faster one a limiter's (chosen: the release of
protection circuits ends below a second, voice coils start at one)."""

SLOW_LEAST_DB = 0.25
"""Least sag that is taken for one (chosen: half of what a gain may lose before it is an onset)."""

FITS_WITHIN_DB, FITS_WITHIN_SHARE, EXPLAINS = 0.03, 0.1, 3.0
"""The sag fits the gain's history within the first, or the second as a share of the sag, and takes
the misfit down by the third (chosen: heat is one term in the history, not its whole course)."""

BEHIND_FITS_WITHIN_DB, BEHIND_EXPLAINS, BEHIND_RANGE = 0.02, 2.0, 0.9
"""The first and last of these behind a limiter (chosen: each drive has a gain of its own there, and
less is left to explain); and the longest time constant of a sag there, as a share of the slowest
that is looked for (chosen: a search that ends at the slowest found no sag)."""

SETTLED, SETTLED_LEAST_S = 6.0, 0.1
"""After so many time constants, and so long, a limiter stands still (chosen: by the exponential's
formula 0.25 % of the way is left)."""

SAME_PLACE_S = 1e-6
"""Ends of a stretch and of its pieces that are so near are the same (chosen: rounding)."""


@dataclass(frozen=True, eq=False)
class SlowSag:
    """A sag, and what it had come to at the end of each burst on the way up, in dB, negative."""

    fit: ThermalFit
    at_burst_db: FloatArray

    @property
    def described(self) -> Thermal:
        """The sag in the numbers of results."""
        return Thermal(
            depth_db=self.fit.depth_db,
            seen_db=self.fit.seen_db,
            time_constant_s=self.fit.time_constant_s,
            temperature_rise_k=temperature_rise_k(self.fit.depth_db),
            fit_rms_db=self.fit.rms_db,
        )


def find_slow_sag(tone: ToneBursts) -> SlowSag | None:
    """Find a slow sag in the whole history of a tone's gain; None where there is none."""
    history = gain_history(tone)
    fit = fit_thermal(history)
    if fit is None:
        return None
    seen = fit.seen_db >= SLOW_LEAST_DB and fit.depth_db >= SLOW_LEAST_DB
    slow = fit.time_constant_s >= SLOW_FROM_S
    well = fit.rms_db <= max(FITS_WITHIN_DB, FITS_WITHIN_SHARE * fit.seen_db)
    better = fit.plain_rms_db >= EXPLAINS * fit.rms_db
    if not (seen and slow and well and better):
        return None
    ends = history.end_s * tone.cut.rate_hz
    last = [
        int(np.argmin(np.abs(ends - stretch.end)))
        for stretch in stretches(tone.cut)
        if stretch.burst is not None and tone.rising[stretch.burst]
    ]
    return SlowSag(fit, fit.sag_db[last])


def find_sag_behind_limiter(tone: ToneBursts, times: Times) -> SlowSag | None:
    """Find a slow sag beside a limiter, in what of the recording the limiter leaves still.

    That is the later part of the bursts on the way up, and the long rest once the release is
    over; on the way down the release of the burst before goes on.
    """
    cut = tone.cut
    release_s = RELEASE_RANGE_S[1] if times.release_ms is None else 1e-3 * times.release_ms
    attack_s = 1e-3 * (times.attack_ms or 0.0)
    history = gain_history(tone)
    still = np.zeros(len(history.start_s), dtype=bool)
    up = np.flatnonzero(tone.rising)
    last = []
    for stretch in stretches(cut):
        start_s, end_s = stretch.start / cut.rate_hz, stretch.end / cut.rate_hz
        inside = history.start_s >= start_s - SAME_PLACE_S
        inside &= history.end_s <= end_s + SAME_PLACE_S
        after_loudest = stretch.burst is None and stretch.start == cut.bursts[up[-1]].end
        if stretch.burst in up:
            settled_s = max(SETTLED_LEAST_S, SETTLED * attack_s)
            still |= inside & (history.start_s >= start_s + settled_s)
            last.append(int(np.flatnonzero(inside)[-1]))
        elif after_loudest:
            still |= inside & (history.start_s >= start_s + SETTLED * release_s)
    fit = fit_thermal_behind_limiter(
        replace(history, gain_db=np.where(still, history.gain_db, np.nan))
    )
    if fit is None or len(last) < len(up):
        return None
    slow = SLOW_FROM_S <= fit.time_constant_s < BEHIND_RANGE * SLOWEST_S
    well = fit.rms_db <= BEHIND_FITS_WITHIN_DB
    better = fit.plain_rms_db >= BEHIND_EXPLAINS * fit.rms_db
    if not (slow and well and better and min(fit.seen_db, fit.depth_db) >= SLOW_LEAST_DB):
        return None
    return SlowSag(fit, fit.sag_db[last])
