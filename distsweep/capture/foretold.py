"""Which THD a planned ladder will leave known, by the probe's background and levels."""

from __future__ import annotations

from distsweep.analysis.noise.background import noise_spectrum
from distsweep.capture.plan import Plan
from distsweep.capture.sending import Order
from distsweep.stimulus.sidecar import LadderStimulus
from distsweep.units import FloatArray
from distsweep.words.advice import foretold_sentence


def foretell_thd(plan: Plan, order: Order, quiet: FloatArray) -> str | None:
    """Return a sentence on the quietest and the loudest rung; None where nothing can be said.

    Parameters
    ----------
    quiet : the background that the probe heard, shape ``(samples,)``; the microphone's correction,
        which the levels have, is not applied to it.
    """
    from distsweep.analysis.advice.least_thd import least_thd_percent

    if not isinstance(order.stimulus, LadderStimulus):
        return None
    recipe = order.stimulus.recipe
    noise = noise_spectrum([quiet], rate_hz=recipe.rate_hz)
    if noise is None:
        return None
    gain = plan.bench.gain
    drives_dbfs = sorted({plan.drives_dbfs[0], plan.drives_dbfs[-1]})
    least = [
        least_thd_percent(
            noise,
            order.stimulus.sweep,
            gain.curve_db + drive_dbfs,
            gain.frequency_hz,
            band_hz=recipe.band_hz,
            order=recipe.order,
            repeats=recipe.repeats,
        )
        for drive_dbfs in drives_dbfs
    ]
    known = [one for one in least if one is not None]
    if len(known) < len(least):
        return None
    return foretold_sentence([plan.name(drive_dbfs) for drive_dbfs in drives_dbfs], known)
