"""A ladder's limiters and a staircase's tones held together.

First from numbers made up for them, then from recordings of loudspeakers whose limiters are known.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from protected_loudspeaker import TrueLimiter, TrueLoudspeaker, limited
from report_samples import alter, sample_results, sample_take
from two_band_cases import RATE_HZ, ladder_recipe, measure_session, staircase_recipe

from distsweep.analysis.agreement.limiters import compare_limiters
from distsweep.pipeline import analyse
from distsweep.report.agreement.limiters import disagreements, table
from distsweep.results import (
    Compression,
    Limiter,
    LimiterAgreement,
    Results,
    Staircase,
    Take,
    Thermal,
    read_results,
    write_results,
)

DRIVES = np.array([-40.0, -34.0, -28.0, -22.0, -16.0, -10.0, -4.0])


def ladder_of(limiter: Limiter, loss_db: float) -> Take:
    """A ladder that loses so much at −4 dBFS at every frequency."""
    take = sample_take()
    change = [np.full(take.frequency_hz.size, 0.0) for _ in DRIVES]
    change[-1] = change[-1] - loss_db
    none = np.full(take.frequency_hz.size, np.nan)
    found = Compression(-40.0, change, none, none, none)
    return dataclasses.replace(
        take, compression=found, limiters=[limiter], return_check_db=0.02, position="axis"
    )


def tone_of(limiter: Limiter, loss_db: float, *, top_dbfs: float = -4.0) -> Take:
    """A staircase of one tone at 1 kHz."""
    drives = DRIVES[top_dbfs >= DRIVES]
    change = np.zeros(drives.size)
    change[-1] = -loss_db
    nothing = np.full(drives.size, np.nan)
    row = Staircase(
        1000.0, drives, drives + change, nothing, np.ones(drives.size, dtype=bool), change,
        nothing, nothing, nothing, nothing, np.zeros(drives.size, dtype=bool), 0, {}, nothing,
        nothing, nothing, nothing, np.zeros(drives.size, dtype=bool), limiter=limiter,
    )  # fmt: skip
    return dataclasses.replace(
        sample_take(), kind="staircase", stimulus="steps.json", position="axis", rungs=[],
        staircase=[row],
    )  # fmt: skip


def limiter(kind: str, threshold_dbfs: float, ratio: float | None = 8.0) -> Limiter:
    return Limiter(kind, threshold_dbfs=threshold_dbfs, ratio=ratio, band_hz=[20.0, 20000.0])


NONE = Limiter("none")
BOUNDS = Limiter(
    "limiting", band_hz=[20.0, 20000.0], threshold_low_dbfs=-16.0, threshold_high_dbfs=-12.0,
    ratio_low=2.7,
)  # fmt: skip
STEEP = limiter("limiter", -14.0)
ELSEWHERE = dataclasses.replace(STEEP, band_hz=[20.0, 200.0])

CASES = {
    "the same": (STEEP, 9.0, limiter("limiter", -14.4), 9.0, "agree", ""),
    "another threshold": (STEEP, 9.0, limiter("limiter", -13.2), 8.0, "differ", "threshold"),
    "inside the bounds": (BOUNDS, 9.0, limiter("limiter", -12.2), 8.0, "agree", ""),
    "outside the bounds": (BOUNDS, 9.0, limiter("limiter", -11.6), 8.0, "differ", "threshold"),
    "too gentle for the bounds": (BOUNDS, 9.0, limiter("compressor", -14.0, 1.8), 4.0,
                                  "differ", "kind"),
    "either side of four": (limiter("limiter", -14.0, 4.0), 7.5,
                            limiter("compressor", -14.0, 3.8), 7.4, "agree", "name"),
    "two for one": (limiter("limiter", -14.0, 6.0), 8.0, limiter("compressor", -14.0, 2.0), 5.0,
                    "differ", "kind"),
    "bent or turned down": (STEEP, 9.0, limiter("clipping", -14.0, None), 5.0, "differ", "kind"),
    "the staircase alone": (NONE, 0.1, STEEP, 9.0, "differ", "staircase only"),
    "between the bands": (ELSEWHERE, 5.0, STEEP, 6.0, "not compared", "blend"),
    "no band at all": (NONE, 5.0, STEEP, 6.0, "differ", "staircase only"),
    "as much, without a name": (NONE, 5.8, STEEP, 6.0, "not compared", "not named"),
    "as much, unnamed by the staircase": (STEEP, 6.0, NONE, 5.8, "not compared", "not named"),
    "a clip that both have just begun": (NONE, 0.4, limiter("clipping", -5.1, None), 0.45,
                                         "not compared", "hardly begun"),
    "a gentle one that has hardly begun": (limiter("compressor", -5.1, 1.5), 0.5, NONE, 0.4,
                                           "not compared", "hardly begun"),
    "the ladder alone": (STEEP, 9.0, NONE, 0.1, "differ", "ladder only"),
    "neither": (NONE, 0.1, NONE, 0.0, "agree", ""),
    "neither, yet another gain": (NONE, 3.0, NONE, 0.1, "differ", "gain change"),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_what_agrees_and_what_does_not(name: str) -> None:
    there, ladder_loss_db, tone, tone_loss_db, state, reason = CASES[name]
    ladder = ladder_of(there, ladder_loss_db)
    (found,) = compare_limiters(ladder, tone_of(tone, tone_loss_db))
    assert (found.state, found.reason) == (state, reason)
    assert found.drive_dbfs == -4.0
    assert found.ladder_change_db == pytest.approx(-ladder_loss_db)
    assert found.staircase_change_db == pytest.approx(-tone_loss_db)
    said = sentences(ladder, found)
    # What agrees is not worth a sentence of its own; all else names the tone, once.
    assert len(said) == (0 if state == "agree" and not reason else 1)
    assert all("1 kHz" in text and "staircase" in text and "ladder" in text for text in said)
    assert table([found]).rows[0][0].text == "1\N{NO-BREAK SPACE}kHz"


@pytest.mark.parametrize(
    ("half_db", "ladder_half_db", "steps", "rung"),
    [(0.01, 0.02, "−0.1", "−3.0"), (0.5, 0.02, "≈ 0", "−3.0"), (0.01, 0.9, "−0.1", "≈ −3")],
)
def test_gain_changes_are_known_to_both_levels_errors(
    half_db: float, ladder_half_db: float, steps: str, rung: str
) -> None:
    """Two levels make a gain change, so that it is known to √2 times what they are."""
    ladder, tone = ladder_of(NONE, 3.0), tone_of(NONE, 0.1)
    (row,) = tone.staircase
    ends = {"level_low_db": row.level_db - half_db, "level_high_db": row.level_db + half_db}
    tone = dataclasses.replace(tone, staircase=[dataclasses.replace(row, **ends)])
    for one in ladder.rungs:
        alter(one, fundamental_low_db=one.fundamental_db - ladder_half_db,
              fundamental_high_db=one.fundamental_db + ladder_half_db)  # fmt: skip
    (found,) = compare_limiters(ladder, tone)
    assert found.staircase_change_high_db == pytest.approx(-0.1 + np.sqrt(2.0) * half_db)
    assert found.ladder_change_low_db == pytest.approx(-3.0 - np.sqrt(2.0) * ladder_half_db)
    assert [cell.text for cell in table([found]).rows[0][3:5]] == [steps, rung]
    (said,) = sentences(ladder, found)
    words = [f"{text.replace('≈', 'about')} dB" for text in (steps, rung)]
    assert f"(gain changes of {words[0]} and {words[1]} at " in said


def test_a_blend_is_told_only_where_the_ladder_has_a_band_that_acts() -> None:
    for there, loss_db, words in (
        (ELSEWHERE, 5.0, "the outputs of two bands may add"),
        (NONE, 5.8, "the ladder shows no limiter"),
        (NONE, 5.0, "the ladder loses gain there without one"),
    ):
        ladder = ladder_of(there, loss_db)
        (found,) = compare_limiters(ladder, tone_of(STEEP, 6.0))
        (text,) = sentences(ladder, found)
        assert words in text
        assert ("two bands" in text) == (there is ELSEWHERE)


def test_a_ladder_that_played_louder_than_the_tone_is_not_excused() -> None:
    """Their common drive lies below the threshold, the ladder's highest one far above it."""
    ladder = ladder_of(NONE, 0.0)
    for rung, dbfs in zip(
        ladder.rungs, [-44.0, -40.0, -36.0, -32.0, -28.0, -2.0, 0.0], strict=True
    ):
        alter(rung, drive_dbfs=dbfs)
    (found,) = compare_limiters(ladder, tone_of(STEEP, 9.0))
    assert (found.drive_dbfs, found.state) == (-28.0, "differ")
    (text,) = sentences(ladder, found)
    assert "the ladder shows none there;" in text and "0.0 dB" not in text


@pytest.mark.parametrize("there", [NONE, ELSEWHERE])
def test_what_noise_hides_is_not_compared(there: Limiter) -> None:
    ladder = ladder_of(there, 9.0)
    assert ladder.compression is not None
    near = np.abs(np.log2(ladder.frequency_hz / 1000.0)) < 0.5
    for change in ladder.compression.gain_change_db:
        change[near] = np.nan
    (found,) = compare_limiters(ladder, tone_of(STEEP, 9.0))
    assert (found.state, found.reason) == ("not compared", "noise")
    (text,) = sentences(ladder, found)
    assert "noise hides too much" in text and "1 kHz" in text
    # Where nothing acts, that is no finding; nor is it said that the two agree.
    (found,) = compare_limiters(ladder, tone_of(NONE, 0.0))
    assert found.state == "not compared" and sentences(ladder, found) == []


def test_takes_without_a_common_drive_are_not_compared() -> None:
    ladder = ladder_of(NONE, 0.0)
    for rung in ladder.rungs:
        alter(rung, drive_dbfs=rung.drive_dbfs - 37.0)
    (found,) = compare_limiters(ladder, tone_of(NONE, 0.0))
    assert (found.state, found.reason) == ("not compared", "no common drive")


def sentences(ladder: Take, found: LimiterAgreement) -> list[str]:
    results = dataclasses.replace(sample_results(ladder), limiter_agreement=[found])
    said = disagreements(results, ladder)
    return [text.replace("\N{NO-BREAK SPACE}", " ") for text in said]


def test_what_one_of_them_never_reached_is_not_compared() -> None:
    (found,) = compare_limiters(ladder_of(STEEP, 9.0), tone_of(NONE, 0.0, top_dbfs=-16.0))
    assert (found.state, found.reason) == ("not compared", "staircase played lower")
    ladder = ladder_of(NONE, 0.0)
    for rung in ladder.rungs[4:]:
        alter(rung, clipped=True)
    (found,) = compare_limiters(ladder, tone_of(limiter("limiter", -14.0), 9.0))
    assert (found.state, found.reason) == ("not compared", "ladder played lower")
    assert sentences(ladder, found) == []


def test_a_cause_is_offered_where_the_numbers_suggest_one() -> None:
    slow = dataclasses.replace(STEEP, attack_ms=120.0)
    held = dataclasses.replace(limiter("limiter", -12.0), release_ms=400.0)
    plain = tone_of(limiter("limiter", -12.0), 6.0)
    thermal = Thermal(1.0, 0.8, 4.0, 30.0, 0.01)
    warm = [dataclasses.replace(row, thermal=thermal) for row in plain.staircase]
    hot = dataclasses.replace(plain, staircase=warm)
    moved = dataclasses.replace(ladder_of(STEEP, 9.0), return_check_db=-1.2)
    for ladder, staircase, cause, words in (
        (ladder_of(NONE, 0.0), tone_of(slow, 9.0), "slow", "too slowly for a sweep"),
        (ladder_of(STEEP, 9.0), tone_of(held, 7.0), "release", "releases slowly"),
        (ladder_of(STEEP, 9.0), hot, "heat", "sags slowly"),
        (moved, plain, "moved", "did not come back the same"),
        (ladder_of(STEEP, 9.0), plain, "", "nothing recorded tells why"),
    ):
        (found,) = compare_limiters(ladder, staircase)
        assert (found.state, found.possible_cause) == ("differ", cause)
        assert words in sentences(ladder, found)[0]


def test_takes_that_nobody_judged_are_not_compared() -> None:
    ladder = dataclasses.replace(ladder_of(STEEP, 9.0), limiters=[])
    assert compare_limiters(ladder, tone_of(STEEP, 9.0)) == []


SHORT: dict[str, Any] = {"band_hz": [40, 16000], "sweep_s": 1.5, "quiet_s": 1.0, "pause_s": 0.5}
QUICK: dict[str, Any] = {"hold_s": 0.25, "rest_s": 0.15, "release_s": 0.3, "quiet_s": 1.0}
LEVELS = [-40, -28, -22, -19, -16, -13, -10, -4]


def measured(
    folder: Path, true: TrueLimiter, tones_hz: tuple[float, ...], *, ladder: dict[str, Any],
    levels_dbfs: list[float],
) -> Results:  # fmt: skip
    """One limiter over the whole band, a ladder and a staircase of it, 80 dB above the noise."""

    def chain(waveform: np.ndarray) -> np.ndarray:
        return TrueLoudspeaker(0.002, -0.002).play(limited(waveform, RATE_HZ, true), RATE_HZ)

    steps = staircase_recipe(tones_hz, **{**QUICK, "levels_dbfs": levels_dbfs})
    return measure_session(
        folder,
        [(ladder_recipe(6.0, **{**SHORT, **ladder}), chain), (steps, chain)],
        noise_rms=1e-5,
    )


@pytest.mark.long
def test_a_highest_level_just_past_the_threshold_contradicts_nothing(tmp_path: Path) -> None:
    gentle = TrueLimiter(-20.0, 1.5, 0.0, 5.0, 150.0)
    softly = {"levels_dbfs": [-40, -34, -28, -22, -19]}
    lower = measured(tmp_path / "l", gentle, (1000.0,), ladder=softly, levels_dbfs=LEVELS)
    twice = TrueLimiter(-20.0, 2.0, 0.0, 5.0, 150.0)
    steps = [-40, -34, -28, -25, -22, -20, -19.2]
    mirror = measured(tmp_path / "s", twice, (1000.0,), ladder={}, levels_dbfs=steps)
    for results, acting in ((lower, "staircase"), (mirror, "ladder")):
        (found,) = results.limiter_agreement
        assert {found.ladder_kind, found.staircase_kind} == {"none", "compressor"}
        assert (found.state, found.reason) == ("not compared", "hardly begun")
        (text,) = disagreements(results, results.take(kind="ladder"))
        assert text.startswith(f"What the {acting} finds at") and "has hardly begun" in text


def test_a_reduced_sweep_is_compared_at_the_drive_it_has(tmp_path: Path) -> None:
    """At 80 Hz it is 5.4 dB lower than above its corner of 100 Hz, and hardly limited."""
    true = TrueLimiter(-16.0, 4.0, 2.0, 5.0, 150.0)
    reduced = {"reduce_drive_below_hz": 100, "levels_dbfs": [-40, -34, -28, -22, -16, -10]}
    results = measured(tmp_path, true, (80.0, 100.0, 1000.0), ladder=reduced, levels_dbfs=LEVELS)
    low, corner, high = results.limiter_agreement
    assert low.drive_dbfs == pytest.approx(-10.0 - 10.0 * np.log10(1.0 + 0.8**-4), abs=0.1)
    assert corner.drive_dbfs == pytest.approx(-13.0, abs=0.1)
    assert (low.state, low.reason) == ("not compared", "hardly begun")
    assert (corner.state, corner.reason) == ("not compared", "drive reduced")
    assert high.state == "agree" and high.drive_dbfs == pytest.approx(-10.0, abs=0.01)
    said = " ".join(disagreements(results, results.take(kind="ladder")))
    assert "two bands" not in said and "nothing recorded" not in said


def test_two_ladders_of_the_same_names_keep_their_own_sentences(tmp_path: Path) -> None:
    """The protection was off while the second one was played: only that one contradicts."""
    true = TrueLimiter(-16.0, 4.0, 2.0, 5.0, 150.0)
    ladder = {"levels_dbfs": [-40, -22, -16, -13, -10]}
    both = measured(tmp_path, true, (1000.0,), ladder=ladder, levels_dbfs=LEVELS)
    off = dataclasses.replace(true, ratio=1.0)
    measured(tmp_path / "off", off, (1000.0,), ladder=ladder, levels_dbfs=[-40, -28])
    soundfile.write(
        tmp_path / "off.wav", soundfile.read(tmp_path / "off" / "rungs.wav")[0], RATE_HZ,
        subtype="FLOAT",
    )  # fmt: skip
    session = tmp_path / "session.toml"
    more = '[[takes]]\nposition = "axis"\nstimulus = "rungs.json"\nrecording = "off.wav"\n'
    session.write_text(session.read_text(encoding="utf-8") + more, encoding="utf-8")
    results = analyse(tmp_path)
    write_results(results, tmp_path / "results.json")
    for read in (results, read_results(tmp_path / "results.json")):
        first, _, second = read.takes
        assert [item.ladder_take for item in read.limiter_agreement] == [0, 2]
        assert disagreements(read, first) == disagreements(both, both.takes[0]) == []
        (text,) = disagreements(read, second)
        assert "the ladder shows none there" in text
    # The table tells them apart, too.
    takes = [row[0].text for row in table(results.limiter_agreement).rows]
    assert takes == [f"axis: rungs.json (take {number}), steps.json" for number in (1, 3)]
