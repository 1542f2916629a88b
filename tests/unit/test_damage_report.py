"""Damage and impulses on the page, in figures, tables and on the terminal."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest
from capture_bench import run_main
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from report_samples import (
    DAMAGE,
    alter,
    main_axes,
    rung_lines,
    sample_results,
    sample_take,
    with_impulses,
    words,
    words_of,
)

from distsweep import pipeline, report, take_pipeline
from distsweep.report.content import Terms
from distsweep.report.damage.strip import height_in
from distsweep.report.definitions import DEFINITIONS, definitions
from distsweep.report.distortion import impulses
from distsweep.report.distortion.csv_table import ladder_table
from distsweep.report.summary import summary_sentences
from distsweep.results import Damage, HighOrderOnset, Results, Take
from distsweep.results.record import Record

LADDER_PLOTS = ["plot_fundamental", "plot_thd", "plot_gain_change"]


def damaged(*damage: Damage) -> Take:
    take = sample_take(points=160, orders=range(2, 6))
    alter(take, damage=list(damage or DAMAGE))
    return take


def summary_of(results: Results) -> str:
    """The summary's sentences, as a reader reads them."""
    sentences = summary_sentences(results, results.takes[0])
    return "\n".join(sentences).replace("\N{NO-BREAK SPACE}", " ")


def strips(figure: Figure) -> list[Axes]:
    titles = ("Damage in the recording", "Damage in this rung")
    return [axes for axes in figure.axes if axes.get_title(loc="left") in titles]


def marks(axes: Axes) -> list[str]:
    labels = (str(item.get_label()) for item in axes.collections)
    return [label.removeprefix("_damage ") for label in labels if label.startswith("_damage")]


def defined(results: Results) -> set[str]:
    """Words that this page defines and others do not."""
    (block,) = definitions(results).blocks
    assert isinstance(block, Terms)
    return {word for word, _ in block.pairs} - {word for word, _ in DEFINITIONS}


@pytest.mark.parametrize("plot", LADDER_PLOTS)
def test_the_strip_has_a_row_a_rung_that_is_touched(plot: str) -> None:
    figure = getattr(report, plot)(damaged())
    (axes,) = strips(figure)
    rungs = [text for text in words(axes).split("\n") if text.endswith("dBFS")]
    assert [text.replace("\N{NO-BREAK SPACE}", " ") for text in rungs] == [
        "−22 dBFS", "−10 dBFS", "−4 dBFS",
    ]  # fmt: skip
    assert sorted(set(marks(axes))) == ["click 3", "gain_step 5", "knock 5", "lost 6", "muted 6"]
    assert axes.get_xlim() == main_axes(figure).get_xlim()
    assert axes.get_xlabel() == "Excitation frequency, Hz"


def test_kinds_differ_by_hatching_and_name_and_what_is_put_right_by_its_outline() -> None:
    (axes,) = strips(report.plot_thd(damaged()))
    legend = axes.get_legend()
    assert legend is not None
    pairs = zip(legend.get_texts(), legend.get_patches(), strict=True)
    hatches = {text.get_text(): patch.get_hatch() for text, patch in pairs}
    assert set(hatches) == {"click", "knock", "muted block", "lost block", "gain step"}
    assert len(set(hatches.values())) == len(hatches)
    for name in ("9 × click", "knock", "muted block", "lost block"):
        assert name in [text.get_text() for text in axes.texts]
    dashes = {str(item.get_label()): item.get_linestyle()[0][1] for item in axes.collections}
    assert dashes["_damage muted 6"] is not None and dashes["_damage lost 6"] is None


def test_a_mark_stands_over_the_frequencies_played_and_is_never_too_thin() -> None:
    take = damaged(
        Damage("knock", 1.0, 1.2, 5, 250.0, 330.0), Damage("click", 2.0, 2.0, 4, 1e3, 1e3)
    )
    (axes,) = strips(report.plot_thd(take))
    ends = {}
    for item in axes.collections:
        x = item.get_paths()[0].vertices[:, 0]
        ends[str(item.get_label())] = (float(x.min()), float(x.max()))
    assert ends["_damage knock 5"] == pytest.approx((250.0, 330.0))
    low, high = ends["_damage click 4"]
    assert low < 1000.0 < high and 1.01 < high / low < 1.1


def test_a_name_from_a_file_is_no_formula() -> None:
    take = damaged(Damage(r"$\frac$", 1.0, 1.0, 5, 250.0, 330.0))
    assert r"$\frac$" in words(report.plot_thd(take))
    assert "<svg" in svg(report.plot_thd(take))


def test_harmonics_have_the_strip_of_their_own_rung() -> None:
    left, right = strips(report.plot_harmonics(damaged()))
    assert sorted(marks(left)) == sorted(marks(right)) == ["lost 6", "muted 6"]
    assert strips(report.plot_harmonics(damaged(), drive_dbfs=-40.0)) == []


@pytest.mark.parametrize("plot", [*LADDER_PLOTS, "plot_harmonics"])
def test_what_touches_no_values_leaves_figures_as_they_are(plot: str) -> None:
    take = damaged(*DAMAGE[-2:], Damage("hum", 1.0, 2.0, 3, 21000.0, 23000.0))
    assert height_in(take) == 0.0
    plain = damaged()
    alter(plain, damage=[])
    plain, other = (getattr(report, plot)(one) for one in (plain, take))
    assert strips(other) == []
    assert svg(plain) == svg(other)


def svg(figure: Figure) -> str:
    from distsweep.report.svg import figure_svg

    return figure_svg(figure)


def test_the_page_tells_what_happened_and_what_became_of_it() -> None:
    results = sample_results(damaged())
    page = words_of(results)
    assert ("h3", "What happened to the recording") in page.headings
    (table,) = (table for table in page.tables if table[0][0] == "What")
    assert table[0] == ["What", "When", "Rung", "Frequencies played", "Size", "Put right"]
    assert [
        "9 × click",
        "between 3.0 and 6.2 s",
        "−22 dBFS",
        "90 Hz to 4.12 kHz",
        "—",
        "no",
    ] in table
    assert [
        "muted block", "at 01:11.2", "−4 dBFS", "980 Hz to 1.08 kHz", "512 samples", "yes",
    ] in table  # fmt: skip
    assert ["gain step", "at 01:06.0", "−10 dBFS", "2.1 kHz to 20 kHz", "−3.0 dB", "no"] in table
    summary = summary_of(results)
    assert "Damage in the recording: " in summary
    assert "9 clicks between 3.0 and 6.2 s in the rung at −22 dBFS" in summary
    assert "Values that it touches are put right, have wider intervals or are left out" in summary
    assert "as no louder rung has them, they are the room's or the recorder's." in page.text
    assert page.text.count("The hatched strip shows") == 4
    assert defined(results) == {"Damage", "Bridged"}


def test_damage_that_touches_no_value_is_said_to_touch_none() -> None:
    said = summary_of(sample_results(damaged(Damage("lost", 62.0, 62.0, samples=64))))
    assert (
        "Damage in the recording, which touches no value: a gap of 64 lost samples at 01:02.0."
        in said
    )


def test_a_page_without_damage_says_nothing_of_it() -> None:
    page = words_of(sample_results())
    assert "happened to the recording" not in page.text and "hatched strip" not in page.text
    assert defined(sample_results()) == set()


def test_impulses_of_the_loudspeaker_are_drawn_and_said() -> None:
    take = with_impulses(sample_take())
    said = (
        "There are impulses at 62.5 Hz to 70.1 Hz from −16 dBFS up, the highest −48 dB re the"
        " fundamental: rub, bottoming or a loose part (impulsive distortion)."
    )
    page = words_of(sample_results(take))
    assert said in summary_of(sample_results(take))
    assert "impulsive distortion, IEC 60268-21" in page.text
    assert defined(sample_results(take)) == {"Impulsive distortion"}
    figure = report.plot_impulses(take)
    lines = rung_lines(main_axes(figure))
    for line, rung in zip(lines, take.rungs, strict=True):
        np.testing.assert_array_equal(line.get_ydata(), rung.impulsive_db)
    assert words(figure).count("none was found") == 4


@pytest.mark.parametrize(("frequency_hz", "known"), [(65.0, True), (500.0, False)])
def test_a_rattle_that_comes_again_is_no_knock(frequency_hz: float, known: bool) -> None:
    take = with_impulses(sample_take())
    band_hz = [0.95 * frequency_hz, 1.05 * frequency_hz]
    onset = HighOrderOnset(frequency_hz, -16.0, -50.0, crest_db=20.0, band_hz=band_hz)
    alter(take, high_order_onset=[onset])
    said = summary_of(sample_results(take))
    assert "it is impulsive distortion, as of a rattle" in said
    assert ("or a knock in the room" not in said) == known


def test_impulses_at_several_places_have_a_sentence_each() -> None:
    take = with_impulses(sample_take())
    values = take.rungs[3].impulsive_db.copy()
    values[(take.frequency_hz > 300.0) & (take.frequency_hz < 310.0)] = -50.0
    alter(take.rungs[3], impulsive_db=values)
    first, second = impulses.sentences(take)
    assert "from −16" in first and "at −22" in second


def test_the_table_names_damage_and_impulses() -> None:
    take = with_impulses(damaged())
    rows = list(csv.DictReader(io.StringIO(ladder_table(take))))
    count = take.frequency_hz.size
    for number in range(len(take.rungs)):
        for f, row in zip(
            take.frequency_hz, rows[number * count : (number + 1) * count], strict=True
        ):
            kinds = {
                one.kind for one in DAMAGE
                if one.rung == number and one.low_hz is not None and one.high_hz is not None
                and one.low_hz <= f <= one.high_hz
            }  # fmt: skip
            assert set(row["damage"].split()) == kinds
            assert (row["impulsive_db"] != "") == (number >= 4 and 62.0 <= f <= 71.0)


def test_the_terminal_tells_of_damage_after_the_warnings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    results = sample_results(damaged())
    monkeypatch.setattr(pipeline, "analyse", lambda *_given, **_more: results)
    take = '[[takes]]\nposition = "axis"\nstimulus = "s.json"\nrecording = "r.wav"\n'
    (tmp_path / "session.toml").write_text(take)
    ran = run_main("analyse", str(tmp_path), "--no-report")
    assert ran.exit_code == 0
    lines = [line.partition(":")[0] for line in ran.stderr.splitlines()]
    told = [line for line in ran.stderr.splitlines() if line.startswith("damage: ")]
    assert lines.index("damage") > lines.index("warning")
    assert len(told) == 7  # of 15, one a kind that touches a rung, and one that does not
    assert told[1].startswith("damage: take 'axis': 9 clicks between 3.0 and 6.2")


def test_conversion_adds_the_sentences(make_bench, monkeypatch: pytest.MonkeyPatch) -> None:
    from distsweep.takes import take as takes

    bench = make_bench(levels_dbfs=[-30, -20])
    whole = takes.find_take

    def with_damage(*given, **more):
        found = whole(*given, **more)
        found.cut.damage.append(Damage("click", 1.0, 1.0, 1, 200.0, 220.0, recording="a.wav"))
        return found

    monkeypatch.setattr(take_pipeline, "find_take", with_damage)
    (one,) = (d for d in bench.analyse(0.5 * bench.waveform).takes[0].damage)
    assert one.sentence.startswith("A click at 1.0\N{NO-BREAK SPACE}s of a.wav in the rung at −20")
    assert isinstance(one, Record)
