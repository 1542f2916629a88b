"""What figures draw and the numbers they give are the same, of every picture of a report."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from conftest import Demo
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.collections import Collection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from report_samples import sample_results, sample_take, with_impulses, with_intervals
from test_resonance_report import resonance, with_map

from distsweep.report.clean_level.figure import data as clean_level_data
from distsweep.report.content import Picture, pictures
from distsweep.report.distortion.thd import data as thd_data
from distsweep.report.figure_data import X_QUANTITIES, Curve, FigureData
from distsweep.report.figure_json import figure_json
from distsweep.report.figure_table import figure_table
from distsweep.report.lines import thd_line
from distsweep.report.resonances.decay_map import data as decay_data
from distsweep.report.sections import all_sections
from distsweep.results import CleanLevel, Results

WITHOUT_LINES = ("gain-map", "decay-map")
"""Maps draw areas: their curves have no artist of their own, and no colour."""


def invented() -> Results:
    """A ladder with intervals, averages, clipping, impulses, and resonances of both kinds."""
    take = with_intervals(with_map(with_impulses(sample_take(clipped=(6,), noise_db=30.0))))
    found = [resonance(), resonance(frequency_hz=512.0, kind="excited")]
    return sample_results(take, resonances=found)


@dataclasses.dataclass(frozen=True)
class Drawn:
    """A picture with its figure and its numbers."""

    picture: Picture
    figure: Figure
    data: FigureData

    @property
    def is_map(self) -> bool:
        return any(part in self.picture.name for part in WITHOUT_LINES)

    def artists(self, key: str) -> list[Artist]:
        return self.figure.findobj(lambda artist: artist.get_gid() == f"curve.{key}")

    def read_artists(self, key: str) -> list[Artist]:
        """Those in axes that a cursor reads: a strip draws a harmonic twice."""
        return [artist for artist in self.artists(key) if artist.axes in self.reading_axes()]

    def reading_axes(self) -> list[Axes]:
        named = [axes for axes in self.figure.axes if (axes.get_gid() or "").startswith("x.")]
        assert {axes.get_gid() for axes in named} <= {f"x.{self.data.x_quantity}"}
        return named


def drawn_of(results: Results) -> list[Drawn]:
    """Pictures at the axis: the demonstration's near fields are drawn by the same functions."""
    return [
        Drawn(picture, picture.draw(), picture.data())
        for picture in pictures(all_sections(results))
        if picture.data is not None and picture.position == "axis"
    ]


@pytest.fixture(scope="module")
def drawn(demo: Demo) -> list[Drawn]:
    """Pictures of the demonstration (a ladder, a staircase, both compared), and of samples."""
    return drawn_of(demo.results) + drawn_of(invented())


def test_every_kind_of_figure_is_there(drawn: list[Drawn]) -> None:
    names = " ".join(one.picture.name for one in drawn)
    for kind in ("thd", "harmonics", "fundamental", "gain-change", "gain-map", "input-output",
                 "burst", "clean-level", "agreement-1", "resonance-1", "decay-map-1",
                 "impulses"):  # fmt: skip
        assert kind in names
    assert {one.data.x_quantity for one in drawn} == set(X_QUANTITIES)


def test_every_picture_has_numbers_and_its_position(demo: Demo) -> None:
    for picture in pictures(all_sections(demo.results)):
        assert picture.data is not None, picture.name
        assert picture.position in {take.position for take in demo.results.takes}


def test_arrays_fit_and_keys_differ(drawn: list[Drawn]) -> None:
    for one in drawn:
        keys = [curve.key for curve in one.data.curves]
        assert keys and len(set(keys)) == len(keys), one.picture.name
        for curve in one.data.curves:
            assert curve.x.shape == curve.values.shape
            for end in (curve.low, curve.high):
                assert end.size == 0 or end.shape == curve.x.shape
            assert np.all(np.isfinite(curve.x)) and curve.name and curve.quantity


def test_a_cursor_finds_axes_to_read(drawn: list[Drawn]) -> None:
    for one in drawn:
        columns = "gain-map" in one.picture.name and one.data.curves[0].key == "step-0"
        assert bool(one.reading_axes()) != columns, one.picture.name  # tones stand in columns


def test_every_curve_has_its_artists_in_its_colour(drawn: list[Drawn]) -> None:
    for one in drawn:
        for curve in one.data.curves:
            if one.is_map:
                assert curve.colour == ""
                continue
            artists = one.artists(curve.key)
            assert artists, (one.picture.name, curve.key)
            assert curve.colour in {look_of(artist) for artist in artists}, one.picture.name


def look_of(artist: Artist) -> str:
    """The colour an artist is drawn in, as ``#rrggbb``."""
    if isinstance(artist, Line2D):
        if artist.get_linestyle() != "None":
            return to_hex(artist.get_color())
        edged = artist.get_markeredgewidth() > 0.0
        return to_hex(artist.get_markeredgecolor() if edged else artist.get_markerfacecolor())
    if isinstance(artist, Collection):
        colours = [*artist.get_facecolor(), *artist.get_edgecolor()]
        return to_hex(colours[0]) if colours else ""
    return to_hex(artist.get_edgecolor()) if hasattr(artist, "get_edgecolor") else ""


def test_no_artist_is_named_after_a_curve_that_is_not_there(drawn: list[Drawn]) -> None:
    for one in drawn:
        keys = {f"curve.{curve.key}" for curve in one.data.curves}
        named = one.figure.findobj(lambda artist: (artist.get_gid() or "").startswith("curve."))
        shown = [artist for artist in named if has_points(artist)]
        assert {artist.get_gid() for artist in shown} <= keys, one.picture.name


def has_points(artist: Artist) -> bool:
    """Whether anything of an artist is seen: lines of NaN are not."""
    if not isinstance(artist, Line2D):
        return True
    return bool(np.any(np.isfinite(np.asarray(artist.get_ydata(), dtype=float))))


def points_of(artists: list[Artist]) -> dict[float, set[float]]:
    """All points of lines that are joined with a curve, values by their place across."""
    points: dict[float, set[float]] = {}
    for line in artists:
        if isinstance(line, Line2D):
            for x, y in line.get_xydata():
                if np.isfinite(y):
                    points.setdefault(float(x), set()).add(float(y))
    return points


def as_lines(one: Drawn) -> list[Curve]:
    """Curves of figures that draw a point where it was measured.

    Bands of clean levels are drawn from edge to edge, marks of an agreement beside each other,
    what goes on at one level as a line from end to end.
    """
    if one.is_map or one.picture.name.startswith("agreement"):
        return []
    bars = [c.key for c in one.data.curves if c.key.startswith("limit") and "fine" not in c.key]
    return [curve for curve in one.data.curves if curve.key not in [*bars, "clean", "linear"]]


def test_what_is_drawn_and_what_is_read_are_the_same_points(drawn: list[Drawn]) -> None:
    compared = 0
    for one in drawn:
        for curve in as_lines(one):
            points = points_of(one.read_artists(curve.key))
            for x, value in zip(curve.x, curve.values, strict=True):
                if np.isfinite(value):
                    there = points.get(float(x), set())
                    assert float(value) in there, (one.picture.name, curve.key, x)
                    compared += 1
    assert compared > 5000


def test_nothing_is_drawn_that_cannot_be_read(drawn: list[Drawn]) -> None:
    """Of peaks that stand out of an average the diamond is drawn beside the average's value."""
    for one in drawn:
        for curve in as_lines(one):
            at = {float(x): value for x, value in zip(curve.x, curve.values, strict=True)}
            lines = [
                artist
                for artist in one.read_artists(curve.key)
                if isinstance(artist, Line2D) and artist.get_label() != "_stands out"
            ]
            for x, values in points_of(lines).items():
                assert values == {float(at[x])}, (one.picture.name, curve.key, x)


def test_the_marks_of_an_agreement_are_its_differences(drawn: list[Drawn]) -> None:
    (one,) = [one for one in drawn if one.picture.name == "agreement-1"]
    for curve in one.data.curves:
        marks = [a for a in one.artists(curve.key) if isinstance(a, Line2D)]
        known = curve.values[np.isfinite(curve.values)]
        assert sorted(float(mark.get_ydata()[0]) for mark in marks) == sorted(known)
        assert known.size


def test_an_average_stands_with_its_own_interval_and_noise_with_what_it_is_at_most() -> None:
    take = invented().takes[0]
    averaged = bounded = 0
    for curve, rung in zip(thd_data(take).curves, take.rungs, strict=True):
        line = thd_line(take, rung)
        if line.average is None:
            continue
        there = line.averaged & ~line.standing.reliable
        np.testing.assert_array_equal(curve.low[there], line.average.low_db[there])
        np.testing.assert_array_equal(curve.values[there], line.average.values[there])
        at_most = np.isneginf(curve.low)
        assert np.all(np.isnan(curve.values[at_most])) and np.all(np.isfinite(curve.high[at_most]))
        averaged, bounded = averaged + there.sum(), bounded + at_most.sum()
        assert "averages" in curve.quantity
    assert averaged > 50 and bounded > 50


def test_values_lie_in_their_intervals(drawn: list[Drawn]) -> None:
    for one in drawn:
        for curve in one.data.curves:
            if curve.low.size and curve.high.size:
                with np.errstate(invalid="ignore"):
                    assert not np.any(curve.values < curve.low - 1e-9), one.picture.name
                    assert not np.any(curve.values > curve.high + 1e-9), one.picture.name


def test_the_sample_page_names_rungs_by_drive_and_level() -> None:
    take = sample_take(clipped=(6,))
    curves = thd_data(take).curves
    assert [curve.key for curve in curves] == [f"rung-{k}" for k in range(7)]
    assert curves[-1].name == "−4\N{NO-BREAK SPACE}dBFS, clipped"
    assert [curve.drive_dbfs for curve in curves] == [rung.drive_dbfs for rung in take.rungs]
    assert curves[0].spl_db == take.rungs[0].spl_db and curves[0].re_fundamental


def test_clean_levels_say_by_their_ends_what_is_known() -> None:
    f = np.array([100.0, 125.0, 160.0, 200.0, 250.0])
    level = np.array([90.0, np.nan, 95.0, np.nan, np.nan])
    low, high = np.array([89.0, 80.0, 95.0, np.nan, np.nan]), np.array([91, 86, np.nan, 70, np.nan])
    states = ["reached", "bracketed", "not reached", "below", "unknown"]
    one = CleanLevel(1.0, 1.0, f, level, low, high, *3 * [np.full(5, np.nan)], states, 5 * ["thd"])
    take = dataclasses.replace(sample_take(), clean_level_third_octave=[one])
    (curve,) = clean_level_data(take).curves
    nan, nothing = np.nan, -np.inf
    np.testing.assert_array_equal(curve.values, [90.0, nan, nan, nan, nan])
    np.testing.assert_array_equal(curve.low, [89.0, 80.0, 95.0, nothing, nan])
    np.testing.assert_array_equal(curve.high, [91.0, 86.0, nan, 70.0, nan])


def test_what_has_decayed_below_the_map_is_at_most_its_floor() -> None:
    take = with_map(sample_take())
    assert take.decay_map is not None
    for curve in decay_data(take).curves:
        gone = np.isneginf(curve.low)
        assert np.all(curve.high[gone] == -40.0) and np.all(np.isnan(curve.values[gone]))
        assert np.all(curve.values[~gone] > -40.0)


def test_every_figure_has_a_table_and_json(drawn: list[Drawn]) -> None:
    for one in drawn:
        table = figure_table(one.data)
        assert table.rows and all(len(row) == len(table.columns) for row in table.rows)
        assert len(table.rows) <= 41
    assert figure_json({one.picture.name: one.data for one in drawn})
