"""Sentences on compression and clean levels, from numbers made up for them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from report_samples import sample_results, sample_take

from distsweep.analysis.limits.clean_level import find_clean_levels
from distsweep.analysis.limits.estimate import SURE_REACH, Estimate
from distsweep.analysis.limits.high_orders import onsets_of_ladder
from distsweep.report.clean_level.levels import shown
from distsweep.report.clean_level.table import clean_level_cells
from distsweep.report.clean_level.words import clean_level_sentences
from distsweep.report.limits.gain_map import gain_grid
from distsweep.report.limits.last_step import last_step_words
from distsweep.report.limits.sentences import ladder_sentences
from distsweep.report.summary import summary_sentences
from distsweep.results import Limiter, Take

DRIVE_DBFS = np.array([-30.0, -20.0, -10.0])


def with_clean_levels(*thd_db: list[float], uncertain_db: float = 0.0) -> Take:
    """A take of three bands; a list is the THD of one level, quietest first, ± so many dB."""
    thd = np.array(thd_db)
    frequency_hz = np.array([40.0, 400.0, 4000.0])
    found = find_clean_levels(
        frequency_hz,
        DRIVE_DBFS[: len(thd)],
        np.zeros_like(thd),
        Estimate.of_level(thd, thd - uncertain_db / SURE_REACH, thd + uncertain_db / SURE_REACH),
        Estimate.of_level(*[np.zeros_like(thd)] * 3),
    )
    rungs = [
        dataclasses.replace(rung, drive_dbfs=drive, spl_db=drive + 110.0)
        for rung, drive in zip(sample_take().rungs, DRIVE_DBFS.tolist(), strict=False)
    ]
    return dataclasses.replace(
        sample_take(), frequency_hz=frequency_hz, clean_level_third_octave=found, rungs=rungs
    )


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


def said_of(take: Take) -> str:
    return plain(clean_level_sentences(take) or "")


def test_the_headline_says_level_drive_place_and_cause() -> None:
    text = said_of(
        with_clean_levels([-55.0, -58.0, -60.0], [-45.0, -48.0, -60.0], [-35.0, -38.0, -60.0])
    )
    assert text == (
        "Clean, up to 1 % THD or 1 dB of compression, it stays at every third of an octave that"
        " can be judged up to −15 dBFS of drive (95.0 dB SPL in the level band); first to go is"
        " 40 Hz, by distortion."
    )


def test_what_noise_leaves_open_is_said_as_a_bracket() -> None:
    text = said_of(
        with_clean_levels([-60.0] * 3, [-46.0, -60.0, -60.0], [-34.0, -39.9, -60.0], uncertain_db=5)
    )
    assert (
        "up to a level between −20 dBFS of drive (90.0 dB SPL in the level band) and −10 dBFS of"
        " drive (100.0 dB SPL in the level band)" in text
    )
    # At −10 dBFS 400 Hz may be past the limit too, and is known to keep it up to −20 dBFS only.
    assert "first to go is one of 40 Hz to 400 Hz, by distortion" in text


def test_two_that_may_be_first_are_both_named() -> None:
    text = said_of(
        with_clean_levels([-60.0] * 3, [-50.2, -60.0, -50.0], [-30.0, -60.0, -30.0], uncertain_db=1)
    )
    assert "first to go is one of 40 Hz and 4 kHz, by distortion" in text


def test_what_is_past_the_limit_at_any_level_known_is_said_first() -> None:
    text = said_of(
        with_clean_levels([-30.0, -55.0, -60.0], [-20.0, -45.0, -60.0], [-10.0, -35.0, -60.0])
    )
    assert text.startswith(
        "At 40 Hz no level is known to keep within 1 % THD or 1 dB of compression: those that stand"
        " out of the noise, from −30 dBFS of drive (80.0 dB SPL in the level band) up, are past it."
    )
    assert (
        "at every other third of an octave that can be judged up to −15 dBFS of drive (95.0 dB SPL"
        " in the level band); first to go is 400 Hz" in text
    )


def test_one_level_that_is_past_it_is_not_called_clean() -> None:
    text = said_of(with_clean_levels([-30.0, -60.0, np.nan]))
    assert text.startswith("At 40 Hz no level is known to keep within")
    assert "Elsewhere no level played is known to pass 1 % THD" in text
    assert "Nothing of this is known at 4 kHz: noise hides it there" in text


def test_a_take_that_stays_clean_is_called_so() -> None:
    text = said_of(with_clean_levels([-60.0] * 3, [-60.0] * 3, [-50.0] * 3))
    assert text.startswith("No level played is known to pass")
    assert "at least −10 dBFS of drive (100.0 dB SPL in the level band)" in text
    assert said_of(with_clean_levels([np.nan] * 3)) == ""


def test_a_single_point_of_a_grid_is_never_the_headline() -> None:
    """Results of an earlier version hold no thirds of an octave."""
    take = with_clean_levels([-60.0] * 3, [-50.0] * 3, [-30.0] * 3)
    old = dataclasses.replace(
        take, clean_level=take.clean_level_third_octave, clean_level_third_octave=[]
    )
    assert clean_level_sentences(old) is None and shown(old) == []


def test_where_a_louder_level_contradicts_no_clean_level_is_stated() -> None:
    """A door slams while the middle level is played."""
    text = said_of(
        with_clean_levels([-55.0, -60.0, -60.0], [-45.0, -20.0, -50.0], [-35.0, -60.0, -60.0])
    )
    assert (
        "judged up to −15 dBFS of drive (95.0 dB SPL in the level band); first to go is 40" in text
    )
    assert "No highest clean level is stated at 400 Hz: one level is past 1 % THD" in text
    alone = said_of(with_clean_levels([-20.0] * 3, [-60.0] * 3, [-60.0] * 3))
    assert alone.startswith("No highest clean level is stated at 40 Hz to 4 kHz: ")
    some = said_of(with_clean_levels([-20.0, -60.0, -60.0], [-60.0] * 3, [-60.0] * 3))
    assert "No highest clean level is stated at 40 Hz: " in some
    assert "Elsewhere no level played is known to pass 1 % THD" in some


def test_the_table_shows_every_state() -> None:
    take = with_clean_levels(
        [-60.0, -60.0, -30.0], [-46.0, -60.0, -20.0], [-34.0, -45.9, -10.0], uncertain_db=5
    )
    made = clean_level_cells(take, "axis")
    assert plain(made.columns[1]) == "1 % THD or 1 dB of compression"
    strict = [(row[0].text, row[1].text, row[1].below) for row in made.rows]
    assert [plain(" ".join(one)) for one in strict] == [
        "40 Hz 0.0 to 0.0 −20.0 to −10.0 dBFS, THD",
        "400 Hz ≥ 0.0 ≥ −10.0 dBFS",
        "4 kHz < 0.0 < −30.0 dBFS, THD",
    ]


def test_high_orders_that_the_next_level_does_not_show_are_no_onset() -> None:
    take = sample_take()
    f = take.frequency_hz
    rattles = np.abs(np.log2(f / 300.0)) < 0.2

    def onsets(*loud: bool | None) -> list[float]:
        rungs = [
            dataclasses.replace(
                rung, high_order_db=np.where(rattles & bool(here), -20.0, -80.0),
                high_order_floor_db=np.full(len(f), -82.0 if here is not None else np.nan),
            )
            for rung, here in zip(take.rungs, loud, strict=False)
        ]  # fmt: skip
        return [one.drive_dbfs for one in onsets_of_ladder(f, rungs, list(range(len(rungs))))]

    assert onsets(False, True, False, False) == []
    assert onsets(False, True, True, False) == [take.rungs[1].drive_dbfs]
    assert onsets(False, False, False, True) == [take.rungs[3].drive_dbfs]
    assert onsets(True, False, True, True) == [take.rungs[2].drive_dbfs]
    # A louder level that noise hides, or that is not known, contradicts nothing.
    assert onsets(False, True, None, True) == [take.rungs[1].drive_dbfs]
    assert onsets(False, True, None) == [take.rungs[1].drive_dbfs]


def test_what_a_recorder_clips_is_not_the_loudspeaker_s_loss() -> None:
    take = sample_take()
    loudest = dataclasses.replace(take.rungs[-1], clipped=True)
    clipped = dataclasses.replace(take, rungs=[*take.rungs[:-1], loudest])
    grid = gain_grid(clipped)
    assert grid is not None and grid[1][-1] == take.rungs[-2].drive_dbfs
    said = last_step_words(clipped)
    assert said is not None and "up to −10 dBFS" in plain(said)


@pytest.mark.parametrize(
    ("moved_db", "kind", "doubted"),
    [(-3.0, "compressor", True), (-0.2, "compressor", False), (-3.0, "none", False)],
)
def test_a_first_level_that_comes_back_changed_makes_a_limiter_doubtful(
    moved_db: float, kind: str, doubted: bool
) -> None:
    limiter = Limiter(kind, threshold_dbfs=-24.0, ratio=1.3, knee_db=0.0)
    take = dataclasses.replace(sample_take(), limiters=[limiter], return_check_db=moved_db)
    assert ("did not come back the same" in ladder_sentences(take)[0]) == doubted


def test_a_gain_change_is_told_of_the_level_it_belongs_to() -> None:
    take = sample_take()
    quiet = dataclasses.replace(take.rungs[1], thd_reliable=np.zeros(len(take.frequency_hz), bool))
    take = dataclasses.replace(take, rungs=[take.rungs[0], quiet, *take.rungs[2:]])
    said = plain(" ".join(summary_sentences(sample_results(take), take)))
    assert "Against −40 dBFS, the gain at −4 dBFS changed by" in said


def test_where_every_rung_clipped_nothing_is_said_of_gains() -> None:
    take = sample_take()
    rungs = [dataclasses.replace(rung, clipped=True) for rung in take.rungs]
    clipped = dataclasses.replace(take, rungs=rungs)
    assert gain_grid(clipped) is None and last_step_words(clipped) is None
    assert summary_sentences(sample_results(clipped), clipped)


def test_why_compression_cannot_be_told() -> None:
    take = sample_take()
    without = dataclasses.replace(take, compression=None)
    said = " ".join(summary_sentences(sample_results(without), without))
    assert "there is no reference" in said and "two levels or more" not in said
    single = dataclasses.replace(without, rungs=take.rungs[:1])
    assert "it takes two levels or more" in " ".join(
        summary_sentences(sample_results(single), single)
    )


def test_a_floor_that_is_not_known_hides_nothing() -> None:
    take = sample_take()
    unknown = np.full(len(take.frequency_hz), np.nan)
    rungs = [
        dataclasses.replace(
            rung, thd_floor_db=unknown, thd_reliable=np.zeros(len(unknown), dtype=bool)
        )
        for rung in take.rungs
    ]
    take = dataclasses.replace(take, rungs=rungs)
    said = " ".join(summary_sentences(sample_results(take), take))
    assert "how far it stands above the noise is not known" in said
    assert "hidden, not low" not in said
