"""How the page's figures are read: what their captions would say again and again, once."""

from __future__ import annotations

from distsweep.report.content import Fold, Points
from distsweep.report.ladder_chart import states_caption
from distsweep.report.lines import thd_line
from distsweep.results import Results

_POINTING = (
    "Point at a figure, tap it, or move the keyboard's focus to it and use the arrow keys (with "
    "Shift by ten points; Home, End; Escape ends it): values are read off every figure over the "
    "same quantity. Names below a figure show and hide its curves."
)
_LADDERS = (
    "Lines are tagged with their drive in dBFS: the louder, the darker and thicker. Frequencies "
    "are those played, unless the axis says “frequency heard”."
)
_CLEAN_LEVELS = (
    "Highest clean levels: a bar is a limit that was reached, known to 1.5 dB, its interval "
    "shaded; a hatched box lies somewhere between two levels played; a triangle that points up "
    "was not reached, at least so high; down, already past it, lower; a cross at the foot: "
    "nothing is known, or louder levels contradict quieter ones."
)
_BANDS = "Bars of the strip below a figure say where each of its lines may be read, and how far."


def reading(results: Results) -> Fold:
    """Return the fold that says how figures are read, and how values are read off them."""
    ladders = [take for take in results.takes if take.rungs]
    lines = [thd_line(take, rung) for take in ladders for rung in take.rungs]
    sentences = [_POINTING]
    if ladders:
        sentences += [_LADDERS, states_caption(lines), _BANDS]
    if any(take.clean_level or take.clean_level_third_octave for take in results.takes):
        sentences.append(_CLEAN_LEVELS)
    return Fold("How to read the figures", [Points(sentences)])
