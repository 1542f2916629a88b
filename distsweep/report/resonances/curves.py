"""The curves of a resonance's strip: each harmonic where it is heard or played, the response."""

from __future__ import annotations

import numpy as np

from distsweep.analysis.noise.certainty import SEEN_DB
from distsweep.report import look
from distsweep.report.figure_data import Curve, FigureData
from distsweep.report.reliability import loudest_rung
from distsweep.report.rung_curves import rung_name
from distsweep.results import Resonance, Results, Take
from distsweep.units import BoolArray, FloatArray
from distsweep.words import wording

ORDERS = (2, 3, 4, 5)
REACH_OCTAVES = 0.75
"""What is drawn to either side of a resonance (chosen by eye: its surroundings show)."""

FUNDAMENTAL = "fundamental"


def data(results: Results, resonance: Resonance) -> FigureData:
    """The harmonics where the kind of resonance has them line up, and the response.

    That is over the frequency heard for one that radiates, over the one played for one that is
    set off. The fundamental is heard where it is played.
    """
    take = lead_take(results, resonance)
    curves = order_curves(take, resonance, heard=is_heard(resonance))
    return FigureData(quantity(resonance), [*curves, response_curve(take, resonance)])


def order_colour(order: int) -> str:
    """Colour of a harmonic."""
    return look.EVEN if order % 2 == 0 else look.ODD


def is_heard(resonance: Resonance) -> bool:
    """Whether the strip's numbers are over the frequency heard, not the one played."""
    return resonance.kind == "radiated"


def quantity(resonance: Resonance) -> str:
    """The one of `figure_data.X_QUANTITIES` that the strip's numbers are over."""
    return "heard" if is_heard(resonance) else "frequency"


def lead_take(results: Results, resonance: Resonance) -> Take:
    """The take in which a resonance was found, or the first with rungs."""
    name = resonance.seen_in[0].position if resonance.seen_in else ""
    ladders = [take for take in results.takes if take.rungs]
    return next((take for take in ladders if take.position == name), ladders[0])


def order_curves(take: Take, resonance: Resonance, *, heard: bool) -> list[Curve]:
    """Each harmonic's level where it is heard, or, the response divided out, where it is played.

    Of the highest drive that did not clip; only what stands clear of its floor.
    """
    rung, curves = loudest_rung(take), []
    for order in ORDERS:
        if order not in rung.harmonics:
            continue
        harmonic = rung.harmonics[order]
        frequency_hz = (order if heard else 1) * take.frequency_hz
        level_db = harmonic.level_db + rung.fundamental_db if heard else harmonic.input_referred_db
        near = _near(frequency_hz, resonance)
        clear = (harmonic.level_db - harmonic.whole_floor_db >= SEEN_DB)[near]
        level = np.where(clear, level_db[near], np.nan)
        low, high = np.zeros(0), np.zeros(0)
        if harmonic.high_db.size:
            ends_db = (harmonic.low_db, harmonic.high_db)
            low, high = (level + end_db[near] - harmonic.level_db[near] for end_db in ends_db)
            bounded = np.isfinite(low + high)
            low, high = (np.where(bounded, end, np.nan) for end in (low, high))
        curves.append(
            Curve(
                f"h{order}", f"H{order} at {rung_name(rung)}",
                wording.level_axis(take) if heard else "Input-referred level, dB re fundamental",
                frequency_hz[near], level, low, high,
                drive_dbfs=rung.drive_dbfs, spl_db=rung.spl_db, colour=order_colour(order),
            )
        )  # fmt: skip
    return curves


def response_curve(take: Take, resonance: Resonance) -> Curve:
    """The fundamental around the resonance, at the highest drive that did not clip."""
    rung, near = loudest_rung(take), _near(take.frequency_hz, resonance)
    return Curve(
        FUNDAMENTAL, f"Fundamental at {rung_name(rung)}", wording.level_axis(take),
        take.frequency_hz[near], rung.fundamental_db[near],
        drive_dbfs=rung.drive_dbfs, spl_db=rung.spl_db, colour=look.INK,
    )  # fmt: skip


def _near(frequency_hz: FloatArray, resonance: Resonance) -> BoolArray:
    octaves = np.abs(np.log2(frequency_hz / resonance.frequency_hz))
    return np.asarray(octaves <= REACH_OCTAVES, dtype=bool)
