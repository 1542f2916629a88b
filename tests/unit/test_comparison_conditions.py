"""What differs between the conditions of measurements is said, brought to one, or refused."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from report_samples import sample_results, sample_take

from distsweep.comparison.conditions import HeldConditions, hold_conditions
from distsweep.comparison.level_doubt import level_doubt_db, level_shift_db
from distsweep.comparison.positions import common_ladders, repeated_ladders
from distsweep.comparison.record import BAND, DRIVE, EACH_FREQUENCY
from distsweep.errors import InputError
from distsweep.results import Damage, Provenance, RecordedCalibration, Results, SourceFile, Take

NAMES = ["Ostrel", "Fen", "Marrow"]


def taken(*positions: str, **changes: Any) -> Results:
    """Results with a ladder at each position, with intervals."""
    takes = [with_intervals(sample_take(position=p, points=40)) for p in positions or ("axis",)]
    return sample_results(*(dataclasses.replace(take, **changes) for take in takes))


def with_intervals(take: Take) -> Take:
    ends = {f"fundamental_{end}_db": np.zeros(take.frequency_hz.size) for end in ("low", "high")}
    return dataclasses.replace(
        take, rungs=[dataclasses.replace(rung, **ends) for rung in take.rungs]
    )


def noted(results: Results, **conditions: Any) -> Results:
    return dataclasses.replace(
        results, conditions=dataclasses.replace(results.conditions, **conditions)
    )


def calibrated(results: Results, **calibration: Any) -> Results:
    made = RecordedCalibration(**calibration)
    takes = [dataclasses.replace(take, calibration=made) for take in results.takes]
    return dataclasses.replace(results, calibration=made, takes=takes)


def hold(*results: Results, aligned: str = DRIVE) -> HeldConditions:
    return hold_conditions(results, NAMES[: len(results)], aligned=aligned)


def said(*results: Results) -> str:
    return "\n".join(hold(*results).conditions)


def test_where_nothing_differs_only_placement_is_spoken_of() -> None:
    held = hold(taken(), taken(), taken())
    assert held.not_compared == []
    (sentence,) = held.conditions
    assert "holds if nothing else moved" in sentence


def origin(version: str = "1", stimulus: str = "a", recording: str = "r") -> Callable[..., Results]:
    made = Provenance(
        version, "2026-11-27T20:00:00Z",
        recordings=[SourceFile("axis.wav", recording)],
        stimuli=[SourceFile("ladder-48k.json", stimulus)],
    )  # fmt: skip
    return lambda results: dataclasses.replace(results, provenance=made)


def partial_at(drive_dbfs: float) -> Callable[[Results], Results]:
    def change(results: Results) -> Results:
        (take,) = results.takes
        kept = [rung for rung in take.rungs if rung.drive_dbfs <= drive_dbfs]
        return dataclasses.replace(
            results, takes=[dataclasses.replace(take, rungs=kept, partial=True)]
        )

    return change


DAMAGE = Damage("knock", 1.0, 1.1, sentence="A knock.")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda r: noted(r, temperature_c=25.5), "20.5 °C (Ostrel), 25.5 °C (Fen)"),
        (lambda r: noted(r, temperature_c=None), "The temperature of Fen is not noted"),
        (lambda r: noted(r, distance_m=0.5), "levels at “axis” are moved by −6.0 dB"),
        (lambda r: noted(r, distance_m=0.1), "Fen was measured at 0.1 m, Ostrel at 1 m: too near"),
        (lambda r: noted(r, distance_m=None), "The distance of Fen is not noted"),
        (
            lambda r: noted(r, level_band_hz=(200, 2000)),
            "Level bands differ: 300 Hz to 3 kHz (Ostrel), 200 Hz to 2 kHz (Fen)",
        ),
        (lambda _: taken(band_hz=[40.0, 16000.0]), "40 Hz to 16 kHz (Fen)"),
        (
            lambda r: calibrated(r, pascal_per_fs=22.4, spl_at_0dbfs_db=121.0),
            "full scale is 121.0 dB SPL, no correction (Fen)",
        ),
        (partial_at(-22.0), "The ladder of Fen at “axis” ended early, at −22 dBFS."),
        (lambda _: taken(damage=[DAMAGE, DAMAGE]), "The recording of Fen at “axis” holds 2 knocks"),
        (
            lambda _: taken(drive_shape_db=np.linspace(-6.0, 0.0, 40)),
            "the drive is lowered towards the bass by 0.0 dB (Ostrel), 6.0 dB (Fen) at most",
        ),
        (origin(version="0.9"), "Versions differ: unknown (Ostrel), 0.9 (Fen)"),
    ],
    ids=range(12),
)  # fmt: skip
def test_what_differs_is_said(change: Callable[[Results], Results], sentence: str) -> None:
    assert sentence in said(taken(), change(taken())).replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (lambda r: noted(r, temperature_c=20.9), "emperature"),
        (lambda r: noted(r, distance_m=1.005), "measured at"),
        (lambda r: calibrated(r, pascal_per_fs=11.2, mic_correction="mic.txt"), "alibration"),
    ],
    ids=["0.4 K", "5 mm", "the session's calibration in the take"],
)
def test_what_is_the_same_is_not_said(change: Callable[[Results], Results], word: str) -> None:
    assert word not in said(taken(), change(taken()))


def test_each_value_stands_once_with_whose_it_is() -> None:
    sentences = said(taken(), noted(taken(), temperature_c=25.5), taken())
    assert "20.5 °C (Ostrel and Marrow), 25.5 °C (Fen)" in sentences


def test_of_many_only_the_first_is_named() -> None:
    many = [taken() for _ in range(5)] + [noted(taken(), temperature_c=None, distance_m=0.5)]
    held = hold_conditions(many, list("ABCDEF"), aligned=DRIVE)
    (temperature,) = [one for one in held.conditions if "emperature" in one]
    assert "of F is not noted" in temperature
    held = hold_conditions([many[-1], *many[:-1]], list("ABCDEF"), aligned=DRIVE)
    (distance,) = [one for one in held.conditions if "measured at" in one]
    assert distance.startswith("B and 4 others were measured at")
    warm = [
        noted(one, temperature_c=t) for one, t in zip(many, [20, 20, 20, 20, 30, 30], strict=True)
    ]
    (temperature,) = [
        one
        for one in hold_conditions(warm, list("ABCDEF"), aligned=DRIVE).conditions
        if "emperature" in one
    ]
    assert "20 °C (A and 3 others), 30 °C (E and F)" in temperature


def test_other_drives_and_orders_are_said() -> None:
    other = with_intervals(sample_take(levels_dbfs=(-30.0, -20.0), orders=range(2, 6), points=40))
    sentences = said(taken(), sample_results(other))
    assert "−30, −20 dBFS (Fen)" in sentences
    assert "up to order 10 (Ostrel), up to order 5 (Fen): THD does not sum" in sentences


def test_other_stimuli_and_the_same_recordings_are_told_by_checksums() -> None:
    one, other = origin()(taken()), origin(stimulus="b")(taken())
    assert "by their checksums" in said(one, other)
    assert "Ostrel and Fen were made of the very same recordings" in said(one, other)
    assert "checksums" not in said(one, origin()(taken()))
    assert "very same" not in said(one, origin(recording="s")(taken()))


def test_positions_that_only_one_has_are_named() -> None:
    held = hold(taken("axis", "port", "woofer"), taken("30°", "axis"), taken("axis", "port"))
    assert held.not_compared == [
        "Position “port” is missing in Fen.",
        "Position “woofer” is missing in Fen and Marrow.",
        "Position “30°” is only in Fen.",
    ]


def test_without_a_common_position_both_sides_are_named() -> None:
    with pytest.raises(
        InputError, match="Ostrel has ladders at “axis” and “port” and Fen has ladders at “30°”"
    ):
        hold(taken("axis", "port"), taken("30°"))
    (take,) = taken().takes
    staircase = sample_results(dataclasses.replace(take, kind="staircase", rungs=[]))
    with pytest.raises(InputError, match="Fen has no ladder"):
        hold(taken(), staircase)


def test_of_several_ladders_the_first_complete_one_counts() -> None:
    once, twice = taken(), taken("axis", "axis")
    (pair,) = common_ladders(once, twice)
    assert pair[1] is twice.takes[0]
    held = hold(once, twice)
    assert "Fen has 2 ladders at “axis”" in held.not_compared[0]
    assert any("Measured repeatedly: Fen at “axis” 2 times" in one for one in held.conditions)
    partial = dataclasses.replace(twice.takes[0], partial=True)
    again = dataclasses.replace(twice, takes=[partial, twice.takes[1]])
    ((_, used),) = common_ladders(once, again)
    assert used is again.takes[1]
    assert len(repeated_ladders(again, "axis")) == 1
    other = dataclasses.replace(twice.takes[1], stimulus="other.json")
    assert len(repeated_ladders(sample_results(twice.takes[0], other), "axis")) == 1


UNCALIBRATED = sample_results(with_intervals(sample_take(calibrated=False, points=40)))


def test_a_level_in_another_unit_is_refused_by_name() -> None:
    assert level_doubt_db(taken(), UNCALIBRATED) == np.inf
    assert level_doubt_db(UNCALIBRATED, UNCALIBRATED) == 0.0
    (sentence,) = hold(taken(), UNCALIBRATED).not_compared
    assert "in dB SPL in Ostrel and in dBFS in Fen: they are not compared" in sentence
    assert "only if no gain was touched" in said(UNCALIBRATED, UNCALIBRATED)
    for aligned in (BAND, EACH_FREQUENCY):
        with pytest.raises(InputError, match="Fen: has levels in dBFS"):
            hold(taken(), UNCALIBRATED, aligned=aligned)


def test_levels_over_other_bands_are_not_made_equal() -> None:
    other = noted(taken(), level_band_hz=(200, 2000))
    with pytest.raises(InputError, match=r"level bands differ: .* compare at equal drive"):
        hold(taken(), other, aligned=BAND)
    assert hold(taken(), other, aligned=EACH_FREQUENCY).not_compared == []


@pytest.mark.parametrize("aligned", [BAND, EACH_FREQUENCY])
def test_a_level_too_near_is_not_made_equal(aligned: str) -> None:
    with pytest.raises(InputError, match=r"too near .* Compare at equal drive"):
        hold(taken(), noted(taken(), distance_m=0.1), aligned=aligned)


def test_a_take_with_a_distance_of_its_own_goes_by_that() -> None:
    at_2_m, at_5_cm = taken(distance_m=2.0), taken("tweeter", distance_m=0.05)
    assert (at_2_m.distance_m_at(), taken().distance_m_at()) == (2.0, 1.0)
    assert level_shift_db(taken(), at_2_m) == pytest.approx(20.0 * np.log10(2.0))
    assert taken("tweeter").distance_m_at("tweeter") is None
    at_10_cm = taken("tweeter", distance_m=0.1)
    assert np.isinf(level_doubt_db(at_5_cm, at_10_cm, "tweeter"))
    assert "too near for levels" in said(at_5_cm, at_10_cm)
    assert "measured at" not in said(at_5_cm, at_5_cm)


def test_results_without_intervals_are_named() -> None:
    (sentence,) = hold(taken(), sample_results()).not_compared
    assert "of an earlier version: Fen." in sentence


def test_one_calibration_cancels_and_two_leave_what_their_limits_do(
    rng: np.random.Generator,
) -> None:
    one = calibrated(taken(), pascal_per_fs=11.2, mic_correction="mic.txt")
    assert level_doubt_db(one, one) == 0.0
    others = [
        calibrated(taken(), pascal_per_fs=11.3, mic_correction="mic.txt"),
        calibrated(taken(), pascal_per_fs=11.2, mic_correction="other.txt"),
    ]
    # Levels that lie anywhere within ± 0.4 dB, on both sides: 95 % of their differences.
    drawn = np.diff(rng.uniform(-0.4, 0.4, size=(2, 200_000)), axis=0)
    for other in others:
        assert level_doubt_db(one, other) == pytest.approx(np.quantile(abs(drawn), 0.95), rel=0.05)


@pytest.mark.parametrize(
    ("position", "distance_m", "shift_db"),
    [
        ("axis", 0.5, -6.0206),
        ("axis", 2.0, 6.0206),
        ("30°", 0.5, -6.0206),
        ("off-axis 15 deg", 0.5, -6.0206),
        ("port", 0.5, 0.0),
        ("woofer, near", 0.5, 0.0),
        ("axis", None, 0.0),
        ("axis", 0.1, 0.0),
    ],
)
def test_levels_are_brought_to_one_distance(
    position: str, distance_m: float | None, shift_db: float
) -> None:
    """A pressure that falls as 1/r halves with each doubling, 6.02 dB; near fields do not."""
    other = noted(taken(position), distance_m=distance_m)
    assert level_shift_db(taken(position), other, position) == pytest.approx(shift_db, abs=1e-3)
    doubt_db = level_doubt_db(taken(position), other, position)
    if distance_m == 0.1:
        assert doubt_db == np.inf
        assert any("too near" in s for s in hold(taken(position), other).not_compared)
    elif shift_db:
        # 5 cm behind both distances: 20·lg((r1 + d)/r1·r2/(r2 + d)), to the first order in d.
        exact = abs(20.0 * np.log10((1.0 + 0.05) / 1.0 * distance_m / (distance_m + 0.05)))
        assert doubt_db == pytest.approx(exact, rel=0.1)
    else:
        assert doubt_db == 0.0
