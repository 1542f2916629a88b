"""Placements of a microphone: what their spread says, where it goes, what a file keeps of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from closed_form import Branch, cascade, high_pass, play
from conftest import RATE_HZ, Bench, ladder_recipe
from staircase_bench import analysed

from distsweep.analysis.placements.apart import placement_doubts
from distsweep.analysis.placements.group import reproducibility_of
from distsweep.analysis.placements.spread import place_spread, student
from distsweep.analysis.placements.tones import tones_with_reproducibility
from distsweep.analysis.placements.widened import in_one_placement
from distsweep.comparison.compare import compare
from distsweep.comparison.differences import REPEATS_DB
from distsweep.comparison.level_doubt import with_levels
from distsweep.errors import InputError
from distsweep.pipeline import analyse
from distsweep.results import (
    PlaceDeviation,
    Reproducibility,
    Results,
    Take,
    parse_results,
    to_json,
)
from distsweep.words.placements import within_words

F_HZ = 1000.0 * 2.0 ** (np.arange(-48, 49) / 12.0)


@pytest.fixture(scope="session")
def placed(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """Three placements in front of a wall 0.5 m behind the microphone, and one take elsewhere."""
    folder = tmp_path_factory.mktemp("placed")
    bench = Bench(
        folder,
        ladder_recipe(band_hz=[100, 10000], sweep_s=1.0, levels_dbfs=[-20, -10], order=3,
                      quiet_s=1.2, pause_s=0.3, name="short"),
    )  # fmt: skip
    rng, lines = np.random.default_rng(40350), []
    for number, (position, moved_m) in enumerate(
        [("axis", 0.0), ("axis", 0.02), ("axis", -0.01), ("side", 0.0)], start=1
    ):
        heard = 0.2 * play([_before_wall(moved_m)], bench.waveform, RATE_HZ)
        heard += 1e-5 * rng.standard_normal(len(heard))
        bench.record(heard, name=f"{number}.wav", subtype="FLOAT")
        placement = f"placement = {number}\n" if position == "axis" else ""
        sidecar = folder / f"{position}-{number}.json"  # a capture writes one a take
        sidecar.write_text(bench.sidecar.read_text())
        lines.append(
            f'[[takes]]\nposition = "{position}"\nstimulus = "{sidecar.name}"\n'
            f'recording = "{number}.wav"\n{placement}'
        )
    (folder / "session.toml").write_text('[device]\nname = "Testling"\n' + "\n".join(lines))
    return analyse(folder)


def _before_wall(moved_m: float) -> Branch:
    """Return a mild curvature 1 m before a microphone, with what a wall behind that returns."""

    def heard(frequency_hz: np.ndarray) -> np.ndarray:
        late = np.exp(-2j * np.pi * frequency_hz * (1.0 - 2.0 * moved_m) / 343.0)
        return (1.0 + 0.25 * late) / (1.0 + moved_m)

    return Branch(cascade(high_pass(80.0)), (1.0, 0.02, 0.01), heard)


@pytest.mark.parametrize("count", [2, 5])
def test_a_level_that_moves_as_a_whole_has_one_degree_fewer_than_placements(count: int) -> None:
    moved_db = np.random.default_rng(3).standard_normal(count)
    values = np.broadcast_to(moved_db[:, None, None], (count, 2, len(F_HZ)))
    found = place_spread(F_HZ, values, values - 1e-3, values + 1e-3)
    assert found.deviation_db == pytest.approx(np.std(moved_db, ddof=1), rel=1e-3)
    assert found.degrees == pytest.approx(count - 1, rel=1e-3)


def test_noise_that_intervals_hold_already_is_not_counted_again() -> None:
    rng = np.random.default_rng(4)
    values = 0.4 * rng.standard_normal((3, 4, len(F_HZ)))
    found = place_spread(F_HZ, values, values - 0.8, values + 0.8)
    assert np.median(found.deviation_db) < 0.15
    less = place_spread(F_HZ, values, values - 0.01, values + 0.01)
    assert less.deviation_db == pytest.approx(0.4, rel=0.35)


def test_what_noise_hides_takes_no_part_and_the_nearest_stands_for_it() -> None:
    values = np.zeros((2, 1, len(F_HZ)))
    values[1] = 0.5
    wide = np.where(F_HZ > 4000.0, 5.0, 0.01)
    values[1, :, F_HZ > 4000.0] = 9.0
    found = place_spread(F_HZ, values, values - wide, values + wide)
    assert found.deviation_db == pytest.approx(0.5 / np.sqrt(2.0), rel=1e-3)
    nothing = place_spread(F_HZ, values, values - 9.0, values + 9.0)
    assert np.all(np.isnan(nothing.half_width_db))


def test_students_quantile_of_few_degrees() -> None:
    # Abramowitz and Stegun 1964, table 26.10; 1.5 degrees: scipy.stats.t.
    assert student(np.array([1.0, 1.5, 2.0, 4.0])) == pytest.approx(
        [12.706, 6.017, 4.303, 2.776], rel=1e-3
    )


def test_intervals_hold_the_placement_and_noise_alone_is_recovered(placed: Results) -> None:
    (found,) = placed.reproducibility
    assert (found.position, found.placements, found.takes) == ("axis", 3, [0, 1, 2])
    single, thirds = found.of(None), found.of(3)
    assert single is not None and thirds is not None
    for number in found.takes:
        rung = placed.takes[number].rungs[1]
        half_db = rung.fundamental_db - rung.fundamental_low_db
        alone_db = np.sqrt(half_db**2 - single.level.half_width_db**2)
        assert np.median(alone_db) < 0.05 < np.median(half_db)
        flags = rung.harmonics[2]
        assert not np.any(flags.reliable & (flags.high_db - flags.low_db > 3.0))
    away = placed.takes[3].rungs[1]
    assert np.median(away.fundamental_high_db - away.fundamental_low_db) < 0.1
    # Farther by 2 cm and nearer by 1: 0.13 dB between them, of which averages keep about that.
    assert 0.05 < np.median(thirds.level.deviation_db) < 0.3
    # A comb is finer than a third from 2 kHz on: averages repeat better than single frequencies.
    treble = thirds.frequency_hz > 2500.0
    assert np.max(thirds.level.deviation_db[treble]) < np.median(
        single.level.deviation_db[single.frequency_hz > 2500.0]
    )


def test_results_keep_placements_and_refuse_what_does_not_fit(placed: Results) -> None:
    again = parse_results(to_json(placed), where="here")
    assert to_json(again) == to_json(placed)
    (found,) = placed.reproducibility
    wrong = replace(placed, reproducibility=[replace(found, takes=[0, 7])])
    with pytest.raises(InputError, match="takes not there"):
        parse_results(to_json(wrong), where="here")


def test_one_placement_tells_nothing(placed: Results, tmp_path: Path) -> None:
    alone = [replace(placed.takes[0], placement=1), replace(placed.takes[1], placement=1)]
    assert reproducibility_of(alone) == []
    assert reproducibility_of([replace(take, placement=None) for take in placed.takes]) == []


def test_a_partial_placement_holds_what_the_complete_ones_tell(placed: Results) -> None:
    first, second, third, _ = placed.takes
    (whole,) = reproducibility_of([first, second])
    cut = replace(third, partial=True, rungs=third.rungs[:1])
    (found,) = reproducibility_of([cut, first, second])
    assert (found.placements, found.takes) == (2, [0, 1, 2])
    assert found.spreads[0].level.deviation_db == pytest.approx(
        whole.spreads[0].level.deviation_db, nan_ok=True
    )
    assert reproducibility_of([cut, first]) == []


def test_drives_of_each_placements_own_are_brought_together(placed: Results) -> None:
    first, second, *_ = placed.takes
    louder = with_levels(second, 0.3)
    rungs = [replace(rung, drive_dbfs=rung.drive_dbfs + 0.3) for rung in louder.rungs]
    (own,) = reproducibility_of([first, replace(louder, rungs=rungs)])
    (same,) = reproducibility_of([first, second])
    for one, other in zip(own.spreads, same.spreads, strict=True):
        assert one.level.deviation_db == pytest.approx(other.level.deviation_db, nan_ok=True)
    # Nor does a drive that differs look like a gain that was changed; 3 dB more at one drive do.
    assert placement_doubts(own, [first, replace(louder, rungs=rungs)]) == []
    (doubt,) = placement_doubts(same, [first, with_levels(second, 3.0)])
    assert doubt.values["apart_db"] == pytest.approx(3.0, abs=0.3)
    far = [replace(rung, drive_dbfs=rung.drive_dbfs + 4.0) for rung in second.rungs]
    assert reproducibility_of([first, replace(second, rungs=far)]) == []


def test_the_page_and_the_table_tell_placements_apart(placed: Results) -> None:
    from distsweep.report.placements.csv_table import reproducibility_table
    from distsweep.report.sections import all_sections

    sections = {one.title: one for one in all_sections(placed)}
    takes = [title for title, one in sections.items() if title.startswith("Take:")]
    assert takes == [
        "Take: axis, placement 1 of 3", "Take: axis, placement 2 of 3",
        "Take: axis, placement 3 of 3", "Take: side",
    ]  # fmt: skip
    assert [sections[title].folded for title in takes] == [False, True, True, True]
    assert "put at “axis” 3 times" in sections["Microphone put back"].lead
    table = reproducibility_table(placed)
    assert table is not None
    single, *_ = table.splitlines()[1:]
    assert single.startswith("axis,axis-1.json,3,,100,level,")
    assert reproducibility_table(replace(placed, reproducibility=[])) is None


@pytest.mark.parametrize(
    ("above_db", "words"),
    [(1.5, "within ±0.4 dB up to 2 kHz and ±1.5 dB above"), (0.45, "within ±0.5 dB")],
)
def test_what_repeats_well_is_told_from_what_does_not(above_db: float, words: str) -> None:
    half_db = np.where(F_HZ <= 2000.0, 0.38, above_db)
    said = within_words(F_HZ, PlaceDeviation(half_db / 4.3, half_db))
    assert said.replace("\N{NO-BREAK SPACE}", " ") == words


def test_a_difference_holds_what_both_sides_placements_leave_open_and_no_more(
    placed: Results,
) -> None:
    first, second, *rest = placed.takes
    (found,) = placed.reproducibility
    # The same loudspeaker from another placement, and that one without any that were counted.
    other = replace(placed, takes=[second, first, *rest])
    lone = replace(placed, takes=[in_place(second, found), rest[-1]], reproducibility=[])
    single = found.of(None)
    assert single is not None
    for side in (other, lone):
        compared = compare(placed, side)
        one = next(
            d
            for d in compared.differences
            if (d.quantity, d.position, d.drive_dbfs) == ("fundamental", "axis", -10.0)
        )
        half_db = (one.high_db - one.low_db) / 2.0
        placing_db = np.hypot(np.sqrt(2.0) * single.level.half_width_db, REPEATS_DB)
        treble = one.frequency_hz > 1000.0  # noise leaves next to nothing open there
        assert half_db[treble] == pytest.approx(placing_db[treble], rel=0.02)
        assert not [f for f in compared.findings if f.quantity in ("fundamental", "sensitivity")]
    assert any("Microphone put back" in text for text in compare(placed, other).conditions)


def in_place(take: Take, found: Reproducibility) -> Take:
    """Return a take as it would be without the other placements."""
    return replace(take, rungs=in_one_placement(take.rungs, found), placement=None)


def test_a_staircases_tones_hold_placements_too(tmp_path: Path) -> None:
    rng = np.random.default_rng(40351)

    def heard(gain: float) -> Take:
        def chain(played: np.ndarray) -> np.ndarray:
            bent = played + 0.02 * played**2
            return 0.5 * gain * bent + 1e-5 * rng.standard_normal(len(played))

        return analysed(tmp_path, chain, levels_dbfs=[-20, -14, -8]).takes[0]

    takes = [replace(heard(gain), placement=n) for n, gain in enumerate((1.0, 1.05, 0.98))]
    (found,) = reproducibility_of(takes)
    moved_db = 20.0 * np.log10([1.0, 1.05, 0.98])
    single = found.of(None)
    assert single is not None
    assert single.level.deviation_db == pytest.approx(np.std(moved_db, ddof=1), abs=0.01)
    (tone,) = tones_with_reproducibility(takes[0].staircase, found)
    reach_db = 4.303 * np.std(moved_db, ddof=1)
    assert tone.level_db - tone.level_low_db == pytest.approx(reach_db, rel=0.05)
    assert np.all(tone.level_reliable == (tone.level_high_db - tone.level_low_db <= 3.0))
