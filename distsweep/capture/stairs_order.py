"""A staircase from the probe to a licence: planned, announced, asked about."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from distsweep.capture.exposure import Exposure, doses
from distsweep.capture.keeping import log
from distsweep.capture.probe import Probed
from distsweep.capture.response import Response
from distsweep.capture.safeguards import (
    WORST_SPL_AT_0DBFS_DB,
    Announcement,
    Asker,
    SplCeiling,
    ask_licence,
)
from distsweep.capture.sending import Order, Sender
from distsweep.capture.stairs import Stairs
from distsweep.capture.stairs_plan import (
    StairsPlan,
    check_playable,
    playable_recipe,
    stairs_stimulus,
)
from distsweep.errors import DeviceError, SafetyRefusal
from distsweep.stimulus.sidecar import StaircaseStimulus
from distsweep.stimulus.staircase_recipe import StaircaseRecipe
from distsweep.units import ratio_to_db


def check_order(order: Order) -> None:
    """Refuse a staircase that capture cannot play, before anything sounds.

    Raises
    ------
    InputError
        See ``check_playable``.
    """
    recipe = order.stimulus.recipe
    if isinstance(recipe, StaircaseRecipe):
        check_playable(recipe, order.drives_dbfs or recipe.levels_dbfs, order.stimulus.recipe.name)


def prepare_stairs(
    sender: Sender,
    stimulus: StaircaseStimulus,
    probed: Probed,
    probe_dbfs: float,
    *,
    ceiling: SplCeiling,
    asker: Asker,
    earlier: Sequence[Exposure],
) -> tuple[StaircaseStimulus, Stairs]:
    """Plan a staircase and have it confirmed; what comes back may be played.

    Parameters
    ----------
    earlier : what the session has played before.

    Raises
    ------
    SafetyRefusal, InputError, DeviceError
        As ``capture``.
    """
    order = sender.order
    if probed.response is None:  # run_probe has refused that
        raise DeviceError("the microphone does not hear the loudspeaker")
    recipe = playable_recipe(
        stimulus.recipe,
        order.drives_dbfs or stimulus.recipe.levels_dbfs,
        name=sender.files.name,
        probe_dbfs=probe_dbfs,
        round_trip_s=sender.round_trip_s,
    )
    if recipe.rest_s > stimulus.recipe.rest_s:
        sender.screen.tell(
            f"rests take {recipe.rest_s:.2f} s, not {stimulus.recipe.rest_s:g}: the way to the"
            f" microphone and back takes {sender.round_trip_s:.2f} s, and each burst is judged"
            " before the next"
        )
    plan = plan_stairs(recipe, probed.response, order)
    played = stairs_stimulus(recipe)
    announcement = announce_stairs(plan, played, earlier=earlier)
    details: dict[str, Any] = {
        "highest_spl_db": round(announcement.highest_anywhere_spl_db, 2),
        "frequencies_hz": list(recipe.frequencies_hz),
        "drives_dbfs": list(recipe.levels_dbfs),
        "ceiling_spl_db": ceiling.spl_db,
        "calibrated": announcement.calibrated,
    }
    try:
        licence = ask_licence(announcement, ceiling, asker)
    except SafetyRefusal as refusal:
        log(order.folder, "refused", why=str(refusal), **details)
        raise
    log(order.folder, "confirmed", how=licence.how, **details)
    return played, Stairs(sender, plan, played, licence=licence, probed=probed)


def plan_stairs(recipe: StaircaseRecipe, response: Response, order: Order) -> StairsPlan:
    """Find what every tone gives when it has become steady."""
    gains_db = tuple(steady_gain_db(response, f) for f in recipe.frequencies_hz)
    corrections = order.calibration.correction_db(np.array(recipe.frequencies_hz))
    corrections_db = tuple(float(value) for value in corrections)
    in_spl_db = order.spl_at_0dbfs_in_db
    worst_db = (WORST_SPL_AT_0DBFS_DB,) * len(gains_db)
    if in_spl_db is not None:
        worst_db = tuple(
            gain_db - correction_db + in_spl_db
            for gain_db, correction_db in zip(gains_db, corrections_db, strict=True)
        )
    return StairsPlan(
        recipe=recipe,
        gains_db=gains_db,
        corrections_db=corrections_db,
        spl_at_0dbfs_in_db=in_spl_db,
        worst_spl_at_0dbfs_db=worst_db,
        listener_offset_db=order.listener_offset_db,
    )


def announce_stairs(
    plan: StairsPlan, stimulus: StaircaseStimulus, *, earlier: Sequence[Exposure]
) -> Announcement:
    """Say what a staircase will sound like; ``earlier`` is what the session has played before."""
    exposures = list(earlier)
    for file in stimulus.files:
        exposures += plan.exposures(file)
    return Announcement(
        highest_spl_db=plan.highest_spl_db,
        listener_offset_db=plan.listener_offset_db,
        drive_dbfs=plan.top_dbfs,
        seconds=sum(file.samples for file in stimulus.files) / plan.recipe.rate_hz,
        rungs=plan.tone_lines(),
        doses=doses(exposures),
        calibrated=plan.spl_at_0dbfs_in_db is not None,
    )


def steady_gain_db(response: Response, frequency_hz: float) -> float:
    """Return what a steady 0 dBFS tone gives at the input, dBFS."""
    turns = frequency_hz / response.rate_hz * np.arange(len(response.taps))
    amplitude = abs(np.dot(response.taps, np.exp(-2j * np.pi * turns)))
    return float(ratio_to_db(max(amplitude, 1e-12)))
