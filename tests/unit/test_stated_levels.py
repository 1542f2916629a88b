"""THD at the levels a session asks for: asked, stated, written and read, and shown."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from conftest import Demo
from report_samples import sample_take, with_intervals

from distsweep.analysis.stated_levels import at_stated_levels, levels_not_played
from distsweep.cli.stimulus import command
from distsweep.errors import InputError
from distsweep.pipeline import analyse
from distsweep.report.content import every_block
from distsweep.report.figure_data import FigureData
from distsweep.report.stated_levels.figure import figure_data, plot_stated_levels
from distsweep.report.stated_levels.section import stated_levels
from distsweep.report.stated_levels.words import stated_level_sentence
from distsweep.results import (
    BAND,
    EACH_FREQUENCY,
    Results,
    Take,
    read_results,
    to_json,
    write_results,
)
from distsweep.stimulus.recipe import LadderRecipe, read_recipe
from distsweep.takes.drives_for_levels import ladder_for_levels
from distsweep.takes.session import read_session
from distsweep.words.doubts import SENTENCES

TAKE = '[[takes]]\nposition = "axis"\nstimulus = "short.json"\nrecording = "axis.wav"\n'


def results_of(*takes: Take) -> Results:
    return Results({}, {}, {}, list(takes), [], None, [])  # type: ignore[arg-type]


def stated_take(*levels: float, quiet: bool = True) -> Take:
    take = with_intervals(sample_take(noise_db=-40.0 if quiet else 8.0))
    found = at_stated_levels(take.frequency_hz, take.rungs, levels or (80.0, 90.0))
    return dataclasses.replace(take, at_spl=found)


# --- the session ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('levels_spl = "80"', "levels_spl is '80': must be a list of numbers"),
        ("levels_spl = []", r"levels_spl is \[\]: must be a list"),
        ("levels_spl = [80, 80]", "must rise: lowest first, each once"),
        ("levels_spl = [90, 80]", "must rise: lowest first"),
        ("levels_spl = [-20]", "holds -20: levels are in dB SPL, between 20 and 160"),
        ("levels_spl = [80, 900]", "holds 900: levels are in dB SPL"),
        ("levels_spl = [70, 75, 80, 85, 90, 95, 100]", "has 7 levels: give 6 at most"),
        ("level_spl = [80]", "unknown key 'level_spl': did you mean 'levels_spl'"),
    ],
)
def test_levels_that_cannot_be_are_refused(line: str, says: str, tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    path.write_text(f"[report]\n{line}\n{TAKE}", encoding="utf-8")
    with pytest.raises(InputError, match=says) as caught:
        read_session(path)
    assert f"{path}: [report]" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_levels_are_read_and_may_lack(tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    path.write_text(f"[report]\nlevels_spl = [80, 90.5]\n{TAKE}", encoding="utf-8")
    assert read_session(path).levels_spl_db == (80.0, 90.5)
    path.write_text(TAKE, encoding="utf-8")
    assert read_session(path).levels_spl_db == ()


def test_the_demonstration_states_its_levels(demo: Demo) -> None:
    take = demo.results.take("axis", kind="ladder")
    assert [(one.spl_db, one.meaning) for one in take.at_spl] == [
        (level, meaning) for level in (80.0, 90.0) for meaning in (BAND, EACH_FREQUENCY)
    ]
    for one in take.at_spl:
        known = np.isfinite(one.thd_db) & np.isfinite(one.thd_high_db)
        assert np.all(one.thd_db[known] <= one.thd_high_db[known] + 1e-9)
        low = np.nan_to_num(one.thd_low_db[known], nan=-np.inf)
        assert np.all(low <= one.thd_db[known] + 1e-9)
        drives = one.drive_dbfs[np.isfinite(one.drive_dbfs)]
        assert take.rungs[0].drive_dbfs <= drives.min() <= drives.max() <= take.rungs[-1].drive_dbfs
    band = next(one for one in take.at_spl if (one.spl_db, one.meaning) == (90.0, BAND))
    assert np.ptp(band.drive_dbfs) == 0.0  # one drive for all frequencies


def copied(demo: Demo, folder: Path, old: str, new: str) -> Path:
    """A session that names the demonstration's files where they lie, with another text."""
    text = (demo.folder / "session.toml").read_text(encoding="utf-8")
    for key in ("stimulus", "recording"):
        text = text.replace(f'{key} = "', f'{key} = "{demo.folder}/')
    assert old in text
    first = text.replace(old, new).split("[[takes]]")
    (folder / "session.toml").write_text(f"{first[0]}[[takes]]{first[1]}", encoding="utf-8")
    return folder


def test_a_level_that_was_not_played_is_said(demo: Demo, tmp_path: Path) -> None:
    results = analyse(copied(demo, tmp_path, "[80, 90]", "[85, 140, 150.5]"))
    (said,) = [w for w in results.warnings if w.code == "level_not_played"]
    assert "140 and 150.5 dB SPL" in said.message
    assert {one.spl_db for one in results.takes[0].at_spl} == {85.0}


def test_without_a_calibration_it_is_said_that_no_level_can_be_stated(
    demo: Demo, tmp_path: Path
) -> None:
    results = analyse(copied(demo, tmp_path, "pascal_per_fs = 100", ""))
    (said,) = [w for w in results.warnings if w.code == "stated_uncalibrated"]
    assert "THD at 80 and 90 dB SPL cannot be stated" in said.message
    assert not any(w.code == "level_not_played" for w in results.warnings)
    assert results.takes[0].at_spl == []


def test_scraps_of_a_level_are_left_out() -> None:
    take = sample_take(levels_dbfs=(-10.0, -4.0))  # 92 to 98 dB SPL; less at the band's ends
    assert at_stated_levels(take.frequency_hz, take.rungs, (60.0,)) == []
    (said,) = levels_not_played([take], (60.0,))
    assert said.values["levels_spl_db"] == [60.0]
    # It was played at some frequencies, and nothing else may be said.
    assert any(np.any(rung.fundamental_db < 60.0) for rung in take.rungs)
    assert "or at 25 % of the frequencies" in SENTENCES[said.code](**said.values).replace(
        "\N{NO-BREAK SPACE}", " "
    )
    assert levels_not_played([stated_take(80.0)], (80.0,)) == []


# --- the library ---------------------------------------------------------------------------


def test_a_refusal_names_what_was_played_at_both_points_beside_the_frequency() -> None:
    take = stated_take()
    at = int(np.argmin(np.abs(take.frequency_hz - 1000.0)))
    f = float(np.sqrt(take.frequency_hz[at] * take.frequency_hz[at + 1]))
    quietest, loudest = (take.rungs[end].fundamental_db[at : at + 2] for end in (0, -1))
    quietest[:], loudest[:] = (50.0, 51.0), (80.0, 81.0)
    for rung in take.rungs[1:-1]:
        rung.fundamental_db[at : at + 2] = 60.0
    for part in ("fundamental_low_db", "fundamental_high_db"):
        for rung in take.rungs:
            getattr(rung, part)[at : at + 2] = rung.fundamental_db[at : at + 2]
    for level in (50.5, 80.5):
        with pytest.raises(ValueError, match=r"reaches from 51\.0 to 80\.0 dB SPL"):
            take.thd_at(f, spl_db=level)
    take.rungs[1].fundamental_db[at] = np.nan
    with pytest.raises(ValueError, match="55 dB SPL: noise hides a level played beside it at"):
        take.thd_at(f, spl_db=55.0)


def test_a_ladder_without_a_mean_over_the_level_band_does_not_count_as_clipped() -> None:
    take = stated_take()
    rungs = [dataclasses.replace(rung, spl_db=None) for rung in take.rungs]
    take = dataclasses.replace(take, rungs=rungs)
    with pytest.raises(ValueError, match="has a mean over the level band: give meaning 'each freq"):
        take.thd_at(1000.0, spl_db=90.0, meaning=BAND)
    assert take.thd_at(1000.0, spl_db=90.0, meaning=EACH_FREQUENCY).thd_db < 0.0
    clipped = [dataclasses.replace(rung, clipped=True) for rung in rungs]
    with pytest.raises(ValueError, match="every level was clipped in the recording"):
        dataclasses.replace(take, rungs=clipped).thd_at(1000.0, spl_db=90.0)


def test_a_staircase_has_no_tone_at_a_frequency_that_is_none(demo: Demo) -> None:
    take = demo.results.take("axis", kind="staircase")
    for frequency_hz in (0.0, float("nan"), -100.0):
        with pytest.raises(ValueError, match="no tone of"):
            take.thd_at(frequency_hz, drive_dbfs=float(take.staircase[0].drive_dbfs[0]))


def test_thd_at_a_level_is_what_the_take_states() -> None:
    take = stated_take(90.0)
    for one in take.at_spl:
        for at in (100, 240, 330):
            f = float(one.frequency_hz[at])
            found = take.thd_at(f, spl_db=90.0, meaning=one.meaning)
            assert found.thd_db == pytest.approx(one.thd_db[at], abs=1e-9)
            assert found.low_db == pytest.approx(one.thd_low_db[at], abs=1e-9)
            assert found.high_db == pytest.approx(one.thd_high_db[at], abs=1e-9)
            assert found.drive_dbfs == pytest.approx(one.drive_dbfs[at])


def test_a_drive_between_those_played_is_read_too() -> None:
    take = stated_take()
    played = [take.thd_at(1000.0, drive_dbfs=drive) for drive in (-22.0, -16.0)]
    between = take.thd_at(1000.0, drive_dbfs=-19.0)
    assert played[0].thd_db < between.thd_db < played[1].thd_db
    assert between.drive_dbfs == pytest.approx(-19.0)
    assert between.low_db <= between.thd_db <= between.high_db


def test_a_staircase_is_read_at_a_level_of_its_tone(demo: Demo) -> None:
    take = demo.results.take("axis", kind="staircase")
    tone = take.staircase[0]
    spl_db = float(np.mean(tone.level_db[2:4]))
    found = take.thd_at(tone.frequency_hz, spl_db=spl_db)
    assert tone.drive_dbfs[2] < found.drive_dbfs < tone.drive_dbfs[3]
    with pytest.raises(ValueError, match='meaning "band" is for ladders'):
        take.thd_at(tone.frequency_hz, spl_db=spl_db, meaning=BAND)


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({}, "give drive_dbfs or spl_db, one of them"),
        ({"drive_dbfs": -10.0, "spl_db": 90.0}, "give drive_dbfs or spl_db, one of them"),
        ({"spl_db": 90.0, "meaning": "room"}, "meaning 'room': must be 'band' or 'each freq"),
        ({"spl_db": 130.0}, "130 dB SPL was not played at 1000 Hz: there the ladder reaches from"),
        ({"spl_db": 30.0, "meaning": BAND}, "30 dB SPL was not played in the level band: there"),
    ],
)
def test_what_cannot_be_answered_is_refused_in_a_line(asked: dict[str, float], says: str) -> None:
    with pytest.raises(ValueError, match=says) as caught:
        stated_take().thd_at(1000.0, **asked)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


def test_an_uncalibrated_take_has_no_levels_in_spl() -> None:
    with pytest.raises(ValueError, match="90 dB SPL: this take is uncalibrated"):
        sample_take(calibrated=False).thd_at(1000.0, spl_db=90.0)


def test_clipped_rungs_take_no_part() -> None:
    take = sample_take(clipped=(6,))
    with pytest.raises(ValueError, match="was not played"):
        take.thd_at(1000.0, spl_db=97.0, meaning=BAND)


# --- the file ------------------------------------------------------------------------------


def test_stated_levels_are_written_and_read(tmp_path: Path) -> None:
    take = stated_take(80.0, 90.0, quiet=False)
    path = tmp_path / "results.json"
    write_results(results_of(take), path)
    back = read_results(path).takes[0]
    assert [(one.spl_db, one.meaning) for one in back.at_spl] == [
        (one.spl_db, one.meaning) for one in take.at_spl
    ]
    for one, other in zip(take.at_spl, back.at_spl, strict=True):
        assert sorted(one.harmonics) == sorted(other.harmonics)
        for ours, theirs in ((one, other), (one.harmonics[2], other.harmonics[2])):
            for name, value in vars(ours).items():
                if isinstance(value, np.ndarray):
                    finite = np.where(np.isfinite(value), value, np.nan)
                    assert getattr(theirs, name) == pytest.approx(finite, abs=1e-4, nan_ok=True)


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda one: one.update(thd_db=one["thd_db"][:-1]), "not as long as frequency_hz"),
        (lambda one: one["harmonics"]["2"].update(low_db=[]), "not as long as frequency_hz"),
        (lambda one: one.update(meaning="loud"), "dB SPL of 'loud'"),
        (lambda one: one.update(spl_db=None), "at_spl holds nan"),
        (lambda one: one["thd_db"].__setitem__(3, 5000.0), "thd_db holds 5000 dB"),
    ],
)
def test_a_damaged_level_is_refused(spoil, says: str, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    data = json.loads(to_json(results_of(stated_take(90.0))))
    spoil(data["takes"][0]["at_spl"][0])
    path = tmp_path / "results.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(InputError, match=says):
        read_results(path)


# --- the page ------------------------------------------------------------------------------


def test_the_section_shows_figure_and_tables() -> None:
    take = stated_take(80.0, 90.0)
    section = stated_levels(results_of(take), take, "axis")
    assert section is not None
    assert section.lead == stated_level_sentence(take)
    blocks = list(every_block([section]))
    assert [block.kind for block in blocks] == ["picture", "table", "table"]
    table = blocks[1]
    assert len(table.columns) == 5  # type: ignore[union-attr]
    assert all(len(row) == 5 for row in table.rows)  # type: ignore[union-attr]
    assert stated_levels(results_of(take), sample_take(), "axis") is None


def test_the_figure_draws_what_its_data_hold() -> None:
    take = stated_take(80.0, 90.0)
    figure, data = plot_stated_levels(take), figure_data(take)
    assert isinstance(data, FigureData)
    drawn = {artist.get_gid() for axes in figure.axes for artist in axes.get_children()}
    assert {f"curve.{curve.key}" for curve in data.curves} <= drawn
    assert len({curve.key for curve in data.curves}) == len(data.curves) == 4
    reading = [axes for axes in figure.axes if axes.get_gid() == "x.frequency"]
    assert len(reading) == 2
    for curve in data.curves:
        (line,) = [
            one
            for axes in reading
            for one in axes.lines
            if one.get_gid() == f"curve.{curve.key}" and one.get_label() != "_uncertain"
        ]
        shown = np.asarray(line.get_ydata(), dtype=float)
        there = np.isfinite(shown)
        assert shown[there] == pytest.approx(curve.values[there])
        assert line.get_color() == curve.colour


def test_a_take_without_levels_is_not_drawn() -> None:
    with pytest.raises(ValueError, match=r"levels_spl in \[report\]"):
        plot_stated_levels(sample_take())


def test_the_sentence_is_short_and_names_the_highest_level() -> None:
    sentence = stated_level_sentence(stated_take(80.0, 90.0))
    assert sentence is not None
    assert sentence.startswith("At 90\N{NO-BREAK SPACE}dB SPL THD is ")
    assert "at 1\N{NO-BREAK SPACE}kHz and" in sentence
    assert sentence.endswith("at 100\N{NO-BREAK SPACE}Hz.")
    assert len(sentence.split()) <= 20
    assert stated_level_sentence(sample_take()) is None


# --- a stimulus for levels -----------------------------------------------------------------


def recipe() -> LadderRecipe:
    found = read_recipe("quick-look")
    assert isinstance(found, LadderRecipe)
    return found


def test_drives_give_the_levels_at_the_earlier_gain() -> None:
    take = sample_take()
    levels = {rung.spl_db: rung.drive_dbfs for rung in take.rungs}
    asked = [62.0 - 20.0, 62.0, 68.0, 71.0, 98.0]  # 102 dB SPL at full scale
    changed, drives = ladder_for_levels(recipe(), asked, results_with_conditions(take))
    assert changed.name == "quick-look-42-to-98-spl"
    assert changed.levels_dbfs == pytest.approx((-60.0, -40.0, -34.0, -31.0, -4.0), abs=0.01)
    assert [one.below for one in drives] == [True, False, False, False, False]
    assert levels[98.0] == -4.0


def results_with_conditions(*takes: Take) -> Results:
    from distsweep.results import Conditions

    return dataclasses.replace(results_of(*takes), conditions=Conditions())


def test_a_compressed_output_takes_more_drive() -> None:
    take = sample_take()
    rungs = [
        dataclasses.replace(rung, spl_db=60.0 + 0.8 * (rung.drive_dbfs + 40.0))
        for rung in take.rungs
    ]
    take = dataclasses.replace(take, rungs=rungs)
    _, (drive,) = ladder_for_levels(recipe(), [72.0], results_with_conditions(take))
    assert drive.drive_dbfs == pytest.approx(-25.0, abs=0.02)


REDUCED = np.full(480, -6.0)


@pytest.mark.parametrize(
    ("take", "asked", "says"),
    [
        (sample_take(), [99.0], "99 dB SPL is above what the earlier ladder played, 98.0"),
        (sample_take(), [0.0], "0 dB SPL takes a drive of -102.0 dBFS: drives lie between"),
        (sample_take(calibrated=False), [80.0], "uncalibrated, or clipped"),
        (sample_take(position="port"), [80.0], 'no ladder at position "axis"'),
        (sample_take(), [70.0, 70.05], "70 and 70.05 dB SPL take nearly the same drive"),
        (dataclasses.replace(sample_take(), drive_shape_db=REDUCED), [80.0], "drive is reduced"),
    ],
)
def test_levels_that_no_drive_is_known_for_are_refused(
    take: Take, asked: list[float], says: str
) -> None:
    with pytest.raises(InputError, match=says) as caught:
        ladder_for_levels(recipe(), asked, results_with_conditions(take))
    assert "\n" not in str(caught.value)


def test_a_recipe_that_plays_the_level_band_otherwise_is_refused() -> None:
    narrow = dataclasses.replace(recipe(), band_hz=(500.0, 10000.0))
    with pytest.raises(InputError, match=r"band_hz of the recipe .* does not hold the level band"):
        ladder_for_levels(narrow, [80.0], results_with_conditions(sample_take()))
    reduced = dataclasses.replace(recipe(), reduce_drive_below_hz=1000.0)
    with pytest.raises(InputError, match="the drive is reduced inside the level band"):
        ladder_for_levels(reduced, [80.0], results_with_conditions(sample_take()))


def test_the_command_writes_the_ladder_and_says_which_drive_gives_which_level(
    tmp_path: Path,
) -> None:
    (tmp_path / "results").mkdir()
    write_results(results_with_conditions(sample_take()), tmp_path / "results" / "results.json")
    arguments = ["quick-look", "--levels-spl", "70 to 90 by 10", "-o", str(tmp_path / "out")]
    told = CliRunner().invoke(command, [*arguments, "--from", str(tmp_path)])
    assert told.exit_code == 0, told.output
    assert "80 dB SPL: −22.0 dBFS" in told.output
    sidecar = json.loads((tmp_path / "out" / "quick-look-70-to-90-spl.json").read_text())
    assert sidecar["levels_dbfs"] == pytest.approx([-32.0, -22.0, -12.0], abs=0.01)
    alone = CliRunner().invoke(command, arguments)
    assert (alone.exit_code, "go together" in alone.output) == (2, True)
    refused = CliRunner().invoke(command, [*arguments, "--from", str(tmp_path / "out")])
    assert isinstance(refused.exception, InputError)
