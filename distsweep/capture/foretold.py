"""Which THD a planned ladder will leave known, before the probe and after it.

Before the probe nothing is known of the response: levels asked for in dB SPL are taken as flat.
Drives in dBFS are no levels yet, and an input without a calibration has none: then the forecast
waits for the probe.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from distsweep.analysis.advice.least_thd import (
    MORE_TIMES,
    SPOKEN_OF_PERCENT,
    Forecast,
    LeastThd,
    PlannedLadder,
)
from distsweep.capture.keeping import log
from distsweep.capture.plan import Plan
from distsweep.capture.sending import Order, Screen
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import LadderStimulus
from distsweep.takes.recording import SILENT_PEAK
from distsweep.takes.take import take_settings
from distsweep.units import FloatArray
from distsweep.words.forecast import ForetoldLevel, forecast_lines, unchanged_line
from distsweep.words.wording import as_given, drive

MOST_ROWS = 6
"""Levels that the table shows (chosen: half a screen); the record holds all."""


class Foreteller:
    """Foretells one take, and says it when it is new."""

    def __init__(self, order: Order, listened: FloatArray | None, screen: Screen) -> None:
        """Begin; ``listened`` is the background before the probe, shape ``(samples,)``."""
        self._order, self._screen = order, screen
        self._backgrounds = [] if listened is None else [listened]
        self._said: list[ForetoldLevel] = []

    def before_probe(self) -> None:
        """Say what levels in dB SPL would leave known, were they flat."""
        levels_spl_db = self._order.levels_spl_db
        forecast = self._forecast(len(levels_spl_db or ()))
        if forecast is None or levels_spl_db is None:
            return
        offset_db = self._order.calibration.level_offset_db
        flat_db = [forecast.flat_db(level_db - offset_db) for level_db in levels_spl_db]
        names = [f"{as_given(level_db)} dB SPL" for level_db in levels_spl_db]
        self._tell(forecast, names, np.array(flat_db), flat=True)

    def after_probe(self, plan: Plan, quiet: FloatArray) -> None:
        """Say what the planned rungs will leave known, by the response that the probe has shown.

        Parameters
        ----------
        quiet : the background that the probe heard, shape ``(samples,)``.
        """
        self._backgrounds = [*self._backgrounds[:1], quiet]
        forecast = self._forecast(len(plan.drives_dbfs))
        if forecast is None:
            return
        kept = [at for at, added in enumerate(plan.added) if not added]
        drives_dbfs = [plan.drives_dbfs[at] for at in kept]
        gain = plan.bench.gain
        shown_db = np.interp(
            np.log(forecast.frequency_hz), np.log(gain.frequency_hz), gain.curve_db
        )
        names = [self._name(plan, drive_dbfs) for drive_dbfs in drives_dbfs]
        self._tell(forecast, names, shown_db + np.array(drives_dbfs)[:, None], flat=False)

    def _name(self, plan: Plan, drive_dbfs: float) -> str:
        """Name a rung: by its level where levels were asked for, by its drive else."""
        spl_db = plan.rung_spl_db(drive_dbfs)
        if self._order.levels_spl_db is None or spl_db is None:
            return drive(drive_dbfs)
        asked_db = min(self._order.levels_spl_db, key=lambda level_db: abs(level_db - spl_db))
        return f"{as_given(asked_db)} dB SPL"

    def _forecast(self, rungs: int) -> Forecast | None:
        """Return the forecast of a ladder; None of what is no ladder, or without a background."""
        order = self._order
        if not isinstance(order.stimulus, LadderStimulus):
            return None
        recipe = order.stimulus.recipe
        heard = [one for one in self._backgrounds if np.max(np.abs(one), initial=0.0) > SILENT_PEAK]
        planned = planned_ladder(order.stimulus, recipe, rungs)
        settings = take_settings(recipe, order.calibration, order.conditions)
        try:
            return Forecast(heard, planned, settings)
        except ValueError:  # too short a background, or none
            return None

    def _tell(
        self, forecast: Forecast, names: Sequence[str], fundamental_db: FloatArray, *, flat: bool
    ) -> None:
        assert isinstance(self._order.stimulus, LadderStimulus)
        recipe = self._order.stimulus.recipe
        now = forecast.least_thd(fundamental_db)
        more = forecast.least_thd(fundamental_db, times=MORE_TIMES)
        levels = [
            ForetoldLevel(name, _ranges(now, row), _ranges(more, row), now.in_most(row))
            for row, name in enumerate(names)
        ]
        self._note(now, names, flat=flat)
        if [replace(one, least_percent=None) for one in levels] == self._said:
            self._screen.tell(unchanged_line())
            return
        self._said = [replace(one, least_percent=None) for one in levels]
        rows = np.unique(np.linspace(0, len(levels) - 1, MOST_ROWS).round().astype(int))
        lines = forecast_lines(
            [levels[row] for row in rows],
            SPOKEN_OF_PERCENT,
            repeats=MORE_TIMES * recipe.repeats,
            flat=flat,
            highest_hz=now.highest_asked_hz,
        )
        for line in lines:
            self._screen.tell(line)

    def _note(self, least: LeastThd, names: Sequence[str], *, flat: bool) -> None:
        """Write the forecast of every level into the record."""
        log(
            self._order.folder,
            "forecast",
            by="levels taken as flat" if flat else "probe",
            frequency_hz=list(least.frequency_hz),
            levels=[
                {"level": name, "least_thd_percent": [float(f"{p:.3g}") for p in row]}
                for name, row in zip(names, least.percent, strict=True)
            ],
        )


def planned_ladder(stimulus: LadderStimulus, recipe: LadderRecipe, rungs: int) -> PlannedLadder:
    """Return what a capture will record of a ladder: a file, and so a silence, for each rung."""
    return PlannedLadder(
        sweep=stimulus.sweep,
        pause_s=recipe.pause_s,
        silences=rungs + recipe.return_rung,
        silence_s=recipe.quiet_s,
        repeats=recipe.repeats,
    )


def _ranges(least: LeastThd, row: int) -> tuple[tuple[float, float] | None, ...]:
    return tuple(least.edges_hz(row, percent) for percent in SPOKEN_OF_PERCENT)
