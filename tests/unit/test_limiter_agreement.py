"""A ladder's limiters and a staircase's tones held together, from numbers made up for them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from report_samples import sample_results, sample_take

from distsweep.analysis.limiter_agreement import compare_limiters
from distsweep.report.limiter_agreement import disagreements, table
from distsweep.results import Compression, Limiter, LimiterAgreement, Staircase, Take, Thermal

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
    "between the bands": (NONE, 5.0, STEEP, 6.0, "not compared", "blend"),
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


def sentences(ladder: Take, found: LimiterAgreement) -> list[str]:
    results = dataclasses.replace(sample_results(ladder), limiter_agreement=[found])
    said = disagreements(results, ladder)
    return [text.replace("\N{NO-BREAK SPACE}", " ") for text in said]


def test_what_one_of_them_never_reached_is_not_compared() -> None:
    (found,) = compare_limiters(ladder_of(STEEP, 9.0), tone_of(NONE, 0.0, top_dbfs=-16.0))
    assert (found.state, found.reason) == ("not compared", "staircase played lower")
    ladder = ladder_of(NONE, 0.0)
    for rung in ladder.rungs[4:]:
        rung.clipped = True
    (found,) = compare_limiters(ladder, tone_of(limiter("limiter", -14.0), 9.0))
    assert (found.state, found.reason) == ("not compared", "ladder played lower")
    assert sentences(ladder, found) == []


def test_a_cause_is_offered_where_the_numbers_suggest_one() -> None:
    slow = dataclasses.replace(STEEP, attack_ms=120.0)
    held = dataclasses.replace(limiter("limiter", -12.0), release_ms=400.0)
    plain = tone_of(limiter("limiter", -12.0), 6.0)
    hot = tone_of(limiter("limiter", -12.0), 6.0)
    hot.staircase[0].thermal = Thermal(1.0, 0.8, 4.0, 30.0, 0.01)
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
