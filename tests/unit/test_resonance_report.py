"""The report on resonances: the table, the strips, the decay map, and words for thin evidence."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from report_samples import sample_results, sample_take, with_intervals, words, words_of

from distsweep.report import plot_decay_map, plot_resonance, plot_thd, write_report
from distsweep.report.content import Paragraph, Picture, Points, Table, every_block
from distsweep.report.resonances.section import LEAST_FOR_A_STRIP, resonances
from distsweep.results import (
    AtPosition,
    Decay,
    DecayMap,
    GrowthPoint,
    PossibleCause,
    Resonance,
    Results,
    SeenIn,
    SpikeSeen,
    Take,
)


def resonance(**changes: object) -> Resonance:
    one = Resonance(
        frequency_hz=1024.0, q=30.0, kind="radiated", confidence=0.83, prominence_db=7.3,
        growth_db_per_db=1.9,
        seen_in=[SeenIn("axis", 2, 512.0, -10.0, 7.3)],
        agrees_with=["The fundamental has a peak of 6.0 dB there."],
        speaks_against=["It is missing at “tweeter”."],
        possible_causes=[PossibleCause("the pipe", 1029.0, -0.5, 3.0, 0.98, "Possibly the pipe.")],
        expected_growth_db_per_db=2.0, appears_at_dbfs=-28.0,
        growth=[GrowthPoint(3, d, -60.0 + 2.0 * (d + 34.0), a, 7.0)
                for d, a in ((-34.0, 4.0), (-28.0, 14.0), (-22.0, 25.0))],
        decay=Decay("rings", 930.0, 30.0, 0.022, 0.012, None, "It rings."),
        positions=[AtPosition("axis", "present", 4.8, 4.6, 20.0),
                   AtPosition("port", "strongest", 9.8, 7.4, 47.0)],
        summary="Probably something at 1024 Hz sings along.",
    )  # fmt: skip
    return dataclasses.replace(one, **changes)  # type: ignore[arg-type]


def with_map(take: Take) -> Take:
    frequency_hz = 100.0 * 2.0 ** (np.arange(73) / 12)
    time_s = np.linspace(0.0, 0.1, 40)
    rows = [np.maximum(-4000.0 * time_s * f / 1000.0, -40.0) for f in frequency_hz]
    found = DecayMap(frequency_hz, time_s, rows, 1 / 6, 1.0 / frequency_hz, -10.0, -40.0, 0.0043)
    return dataclasses.replace(take, decay_map=found)


@pytest.fixture
def results() -> Results:
    take = with_map(sample_take())
    faint = resonance(frequency_hz=300.0, confidence=0.15, kind="excited")
    return sample_results(take, resonances=[resonance(), faint], resonance_notes=["One note."])


def blocks(results: Results, kind: type) -> list:
    section = resonances(results)
    assert section is not None
    return [block for block in every_block([section]) if isinstance(block, kind)]


def test_the_table_ranks_every_one(results: Results) -> None:
    (table,) = blocks(results, Table)
    assert [row[0].text for row in table.rows] == [
        "1024\N{NO-BREAK SPACE}Hz",
        "300\N{NO-BREAK SPACE}Hz",
    ]
    assert [cell.text for cell in table.rows[0]] == [
        "1024\N{NO-BREAK SPACE}Hz", "radiated", "0.83", "30", "7.3\N{NO-BREAK SPACE}dB", "1.9",
        "−28\N{NO-BREAK SPACE}dBFS", "port",
    ]  # fmt: skip
    assert table.rows[0][5].below == "mild: 2"


def test_a_strip_for_each_that_matters(results: Results) -> None:
    section = resonances(results)
    assert section is not None
    assert [inner.title for inner in section.sections] == ["1024\N{NO-BREAK SPACE}Hz, radiated"]
    assert resonance(confidence=0.15).confidence < LEAST_FOR_A_STRIP
    texts = [s for points in blocks(results, Points) for s in points.sentences]
    assert texts == [
        "One note.", "The fundamental has a peak of 6.0 dB there.", "It is missing at “tweeter”.",
        "Possibly the pipe.",
    ]  # fmt: skip
    assert "Probably something" in " ".join(p.text for p in blocks(results, Paragraph))


def test_an_empty_list_gets_a_word() -> None:
    told = sample_results(resonance_notes=["No narrow peak stands out."])
    assert blocks(told, Points)[0].sentences == ["No narrow peak stands out."]
    assert blocks(told, Paragraph)[0].text.startswith("No resonance is reported")
    old = sample_results()
    assert "analyse again" in blocks(old, Paragraph)[0].text
    assert resonances(sample_results(dataclasses.replace(sample_take(), rungs=[]))) is None


def titled(figure: Figure, start: str) -> Axes:
    return next(a for a in figure.axes if a.get_title(loc="left").startswith(start))


def test_the_strip_lines_up_on_the_frequency(results: Results) -> None:
    figure = plot_resonance(results, results.resonances[0])
    for start in ("Where harmonics", "Where they", "Response"):
        axes = titled(figure, start)
        (line,) = [x for x in axes.lines if x.get_label() == "_resonance"]
        assert list(line.get_xdata()) == [1024.0, 1024.0]
        low, high = axes.get_xlim()
        assert np.sqrt(low * high) == pytest.approx(1024.0)


def test_harmonics_stand_where_they_are_heard_and_played(results: Results) -> None:
    take = results.takes[0]
    f, curve = take.frequency_hz, take.rungs[-1].harmonics[2]
    figure = plot_resonance(results, results.resonances[0])
    heard = next(x for x in titled(figure, "Where harm").lines if x.get_label() == "H2")
    played = next(x for x in titled(figure, "Where they").lines if x.get_label() == "H2")
    reach = 2.0**0.75
    near = (f >= 1024.0 / reach) & (f <= 1024.0 * reach)
    assert np.array_equal(heard.get_xdata(), [2 * x for x in f if 1 / reach < 2 * x / 1024 < reach])
    assert np.array_equal(played.get_xdata(), f[near])
    shown = np.isfinite(played.get_ydata())
    assert shown.any()
    referred = curve.input_referred_db[near]
    assert np.array_equal(np.asarray(played.get_ydata())[shown], referred[shown])
    assert np.all((curve.level_db - curve.floor_db)[near][shown] >= 6.0)


def test_growth_tells_clear_from_noisy_points(results: Results) -> None:
    axes = titled(plot_resonance(results, results.resonances[0]), "Growth of H3")
    drawn = {x.get_label(): list(x.get_xdata()) for x in axes.lines}
    assert drawn["_clear"] == [-28.0, -22.0] and drawn["_near the noise"] == [-34.0]
    dashed = next(x for x in axes.lines if x.get_label() == "_expected")
    (x0, x1), (y0, y1) = dashed.get_xdata(), dashed.get_ydata()
    assert (y1 - y0) / (x1 - x0) == pytest.approx(2.0)


def test_the_strongest_position_stands_out(results: Results) -> None:
    axes = titled(plot_resonance(results, results.resonances[0]), "Peak by position")
    widths = [bar.get_width() for bar in axes.patches]
    assert widths == [4.8, 9.8]
    assert axes.patches[0].get_facecolor() != axes.patches[1].get_facecolor()
    alone = dataclasses.replace(
        results, resonances=[resonance(positions=[AtPosition("axis", "present", 4.0)])]
    )
    axes = titled(plot_resonance(alone, alone.resonances[0]), "Peak by")
    assert [t.get_text() for t in axes.texts] == ["one position only"]


def test_a_product_s_level_by_position_is_a_dot_as_levels_have_no_zero(results: Results) -> None:
    """Uncalibrated: levels below zero, which a bar from zero would not show."""
    at = [AtPosition("axis", "present", 4.8, 4.6, -61.0),
          AtPosition("port", "strongest", 9.8, 7.4, -42.0)]  # fmt: skip
    excited = resonance(kind="excited", positions=at)
    bare = sample_results(sample_take(calibrated=False), resonances=[excited])
    axes = titled(plot_resonance(bare, excited), "Level by position")
    assert [line.get_xdata()[0] for line in axes.lines] == [-61.0, -42.0]
    assert [axes.get_yticklabels()[int(line.get_ydata()[0])].get_text() for line in axes.lines] == [
        "axis", "port",
    ]  # fmt: skip
    assert axes.get_xlim()[0] < -61.0 < -42.0 < axes.get_xlim()[1]
    assert axes.get_xlabel() == "Product's level, dBFS"
    assert axes.lines[0].get_color() != axes.lines[1].get_color()


def test_the_table_s_head_tells_the_kinds_apart(results: Results) -> None:
    (table,) = [t for t in words_of(results).tables if t[1][0] == "Frequency"]
    (note,) = table[0]
    assert note.startswith("Radiated: follows the frequency heard")
    assert "Excited: follows the frequency played" in note
    assert table[1][:2] == ["Frequency", "Kind"]


def test_thin_evidence_still_makes_a_strip(results: Results) -> None:
    thin = resonance(growth=[], q=None, growth_db_per_db=None, positions=[], decay=None)
    bare = sample_results(sample_take(), resonances=[thin])
    figure = plot_resonance(bare, thin)
    assert "not known" in [t.get_text() for t in titled(figure, "Growth").texts]
    assert "no impulse response" in [t.get_text() for t in titled(figure, "Decay").texts]


def test_a_decay_map_prints_its_settings(results: Results) -> None:
    figure = plot_decay_map(results.takes[0], [1024.0])
    words = " ".join(text.get_text() for text in figure.axes[0].texts).replace(
        "\N{NO-BREAK SPACE}", " "
    )
    for setting in ("−10", "1/6 octave", "12 an octave", "2.6 ms", "−40 dB", "4.3 ms"):
        assert setting in words
    (mark,) = [x for x in figure.axes[0].lines if x.get_label() == "_mark"]
    assert list(mark.get_xdata()) == [1024.0]
    with pytest.raises(ValueError, match="take has no decay map"):
        plot_decay_map(sample_take())


def test_spikes_are_marked_on_the_curve() -> None:
    take = sample_take()
    drive = take.rungs[-1].drive_dbfs
    spikes = [
        SpikeSeen(None, 212.0, drive, -30.0, 9.0, 0.1), SpikeSeen(2, 300.0, drive, -40.0, 9.0, 0.1),
        SpikeSeen(None, 500.0, take.rungs[0].drive_dbfs, -30.0, 9.0, 0.1),
    ]  # fmt: skip
    figure = plot_thd(dataclasses.replace(take, spikes=spikes))
    (marks,) = [x for x in figure.axes[0].lines if x.get_label() == "_spikes"]
    assert list(marks.get_xdata()) == [212.0]
    assert not [x for x in plot_thd(take).axes[0].lines if x.get_label() == "_spikes"]


def test_the_page_holds_it_all(results: Results, tmp_path: Path) -> None:
    page = write_report(results, tmp_path / "report").read_text("utf-8")
    names = sorted(path.stem for path in (tmp_path / "report" / "figures").glob("*.svg"))
    assert {"resonance-1", "decay-map-1"} <= set(names)
    assert [p.name for p in blocks(results, Picture)] == ["decay-map-1", "resonance-1"]
    assert 'id="resonances"' in page and "Possibly the pipe." in page
    assert "How it can mislead" in page


def test_harmonics_around_a_resonance_are_shaded_by_their_intervals() -> None:
    take = with_intervals(sample_take(noise_db=15.0))
    rung = take.rungs[-1]
    found = sample_results(take, resonances=[resonance()])
    figure = plot_resonance(found, found.resonances[0])
    axes = titled(figure, "Where harmonics are heard")
    bands = [one for one in axes.collections if one.get_label() == "_interval"]
    assert len(bands) == 4 and "Shaded: 95 % intervals" in words(figure)
    corners = np.vstack([path.vertices for path in bands[1].get_paths()])
    curve = rung.harmonics[3]
    heard_hz = 3.0 * take.frequency_hz
    clear = curve.level_db - curve.floor_db >= 6.0
    near = np.abs(np.log2(heard_hz / 1024.0)) < 0.4
    shown = np.flatnonzero(near & clear & np.isfinite(curve.low_db))
    assert shown.size > 5
    for at in shown:
        column = corners[np.isclose(corners[:, 0], heard_hz[at])][:, 1]
        for end_db in (curve.low_db[at], curve.high_db[at]):
            assert np.min(np.abs(column - rung.fundamental_db[at] - end_db)) < 1e-9
    without = sample_results(sample_take(noise_db=15.0), resonances=[resonance()])
    assert "Shaded" not in words(plot_resonance(without, without.resonances[0]))
