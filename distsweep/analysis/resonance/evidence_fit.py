"""The mode that fits a candidate best: in the linear response, or in its products."""

from __future__ import annotations

from dataclasses import replace

from distsweep.analysis.resonance.candidates import OrderPeak, octaves
from distsweep.analysis.resonance.curves import LadderCurves
from distsweep.analysis.resonance.evidence import Evidence, clearest
from distsweep.analysis.resonance.linear_response import LinearResponse
from distsweep.analysis.resonance.mode_in_products import Shape, fit_products
from distsweep.analysis.resonance.mode_in_response import fit_response
from distsweep.analysis.resonance.pole import Pole

LEAST_OF_HIGHEST = 0.2
"""Orders whose peak is lower than this part of the highest are not fitted (chosen: of an excited
mode each order has a height of its own, and noise and neighbours bend a low one first)."""

SURE_SURROUNDINGS_DB = 15.0
"""Peaks whose surroundings stand this far above their floor are fitted (chosen: more than CLEAR_DB,
as a fit follows every bend of the surroundings; noise moves them by 1.1 dB here)."""

LIFTED_EXPLAINED = 0.8
"""So much of their shape must a mode explain in products that it alone is said to lift
(simulated: most of 50 real ones explain more, 3 of 23 others)."""

FARTHEST_OCTAVES = 0.08
"""A pole of the response farther from where the peaks led is another's (simulated: of 1170 real
modes none is farther than 0.07)."""


def with_fitted_mode(
    curves: LadderCurves, response: LinearResponse, evidence: Evidence, *, rate_constant_s: float
) -> Evidence:
    """Add the mode that fits best: a radiated one the response, an excited one its products.

    An equaliser may take a radiated one off the response, not off what lands on it: where two
    orders at least stand alone, and the division leaves their peak, it is fitted to these, too;
    that counts if it explains them well.
    """
    if evidence.candidate.kind == "excited":
        pole = _product_pole(curves, evidence, tuple(evidence.spike_db), rate_constant_s)
        return replace(evidence, pole=pole)
    lifted = None
    if evidence.survives_division and len(evidence.lone_orders) >= 2:
        lifted = _product_pole(curves, evidence, evidence.lone_orders, rate_constant_s)
    if lifted is not None and lifted.explained < LIFTED_EXPLAINED:
        lifted = None
    near_hz = evidence.candidate.frequency_hz
    shown = fit_response(response, curves.echoes, near_hz)
    far = shown is not None and octaves(shown.frequency_hz, near_hz) > FARTHEST_OCTAVES
    return replace(evidence, pole=None if far else shown, lifted_pole=lifted)


def _product_pole(
    curves: LadderCurves, evidence: Evidence, orders: tuple[int, ...], rate_constant_s: float
) -> Pole | None:
    """Fit a mode to the products of some orders: of its own motion, or landing on it."""
    radiated = evidence.candidate.kind == "radiated"
    family = curves.absolute if radiated else curves.input_referred
    shapes = [
        Shape(
            curves.frequency_hz * (top.order if radiated else 1),
            family.level_db[top.row, top.column],
            order=top.order,
            power=1 if radiated else top.order,
        )
        for top in _clear_tops([clearest(evidence.seen, order) for order in orders])
    ]
    return fit_products(
        shapes,
        evidence.candidate.frequency_hz,
        width_octaves=evidence.candidate.width_octaves,
        rate_constant_s=rate_constant_s,
    )


def _clear_tops(tops: list[OrderPeak]) -> list[OrderPeak]:
    """Choose the peaks to fit: of those that are not far below the highest, the clearest two.

    What counts is how far the surroundings stand above their floor, as noise bends these first.
    A peak whose surroundings noise may bend is left out where there is another.
    """
    highest = max(top.prominence_db for top in tops)
    tops = [top for top in tops if top.prominence_db >= LEAST_OF_HIGHEST * highest]
    tops.sort(key=lambda top: -(top.above_floor_db - top.prominence_db))
    clear = [t for t in tops if t.above_floor_db - t.prominence_db >= SURE_SURROUNDINGS_DB]
    return clear[:2] or tops[:1]
