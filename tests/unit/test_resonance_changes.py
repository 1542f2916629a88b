"""Resonances of two results: modes in closed form that moved, went, came, or stayed."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from conftest import long
from made_modes import MadeMode, made_results

from distsweep.analysis.resonance.causes import sound_speed_m_per_s
from distsweep.comparison.mode_change import mode_change
from distsweep.comparison.mode_curves import response_curves
from distsweep.comparison.mode_shift import SHARES, SHIFT, ModeInCurves
from distsweep.comparison.record import ResonanceChange
from distsweep.comparison.resonances import resonance_changes
from distsweep.results import Results

RADIATED, EXCITED = MadeMode(556.0), MadeMode(310.0, 30.0, "excited", 3.0)


def by_kind(changes: list[ResonanceChange], kind: str) -> ResonanceChange:
    (one,) = (change for change in changes if change.kind == kind)
    return one


def moved(mode: MadeMode, percent: float) -> MadeMode:
    return dataclasses.replace(mode, frequency_hz=mode.frequency_hz * (1.0 + percent / 100.0))


def changed(first: Results, other: Results) -> list[ResonanceChange]:
    changes = resonance_changes(first, other)
    return [one for one in changes if one.state in ("moved", "gone", "new")]


@pytest.mark.parametrize("percent", [long(-2.0), long(0.7), 2.0])
@pytest.mark.parametrize("which", ["radiated", "excited"])
@pytest.mark.parametrize("intervals", [True, False], ids=["intervals", "version 1"])
def test_a_mode_that_moved_is_named_with_its_shift_and_the_other_is_not(
    rng: np.random.Generator, percent: float, which: str, intervals: bool
) -> None:
    modes = {"radiated": RADIATED, "excited": EXCITED}
    other = modes | {which: moved(modes[which], percent)}
    changes = resonance_changes(
        made_results(list(modes.values()), rng=rng, noise_db=-90.0, intervals=intervals),
        made_results(list(other.values()), rng=rng, noise_db=-90.0, intervals=intervals),
    )
    found, beside = by_kind(changes, which), by_kind(changes, ({*modes} - {which}).pop())
    assert (found.state, beside.state) == ("moved", "same")
    assert found.low_percent is not None and found.high_percent is not None
    assert found.low_percent <= percent <= found.high_percent
    assert found.change_percent == pytest.approx(percent, abs=0.1)
    assert found.other_hz == pytest.approx(other[which].frequency_hz, rel=0.002)


def test_the_error_of_a_shift_is_the_spread_over_noise() -> None:
    """Of the response alone, without the term for repeatability: 60 pairs with noise 45 dB down."""
    shifts, errors = [], []
    for seed in range(60):
        rng = np.random.default_rng([seed, 5])
        first, other = (made_results([RADIATED], rng=rng, noise_db=-45.0).take() for _ in range(2))
        found = mode_change(response_curves(first, other, 450.0, 680.0), 556.0, 25.0)
        assert found is not None
        shifts.append(found.shift)
        errors.append(found.error)
    # The spread of 60 is known to 9 %: three deviations of that, and of a misfit that is noise's.
    assert np.std(shifts) == pytest.approx(np.mean(errors), rel=0.3)
    assert abs(np.mean(shifts)) < 4.0 * np.mean(errors) / np.sqrt(60.0)


def test_modes_alike_are_not_named() -> None:
    """With noise that leaves 10 dB of the harmonics: no statement in 12 pairs."""
    for seed in range(12):
        rng = np.random.default_rng([seed, 6])
        first, other = (
            made_results([RADIATED, EXCITED], rng=rng, noise_db=-65.0) for _ in range(2)
        )
        assert not changed(first, other)


def test_what_one_search_missed_is_still_the_same_mode(rng: np.random.Generator) -> None:
    first = made_results([RADIATED], rng=rng)
    other = made_results([RADIATED], rng=rng, listed=[])
    (one,) = resonance_changes(first, other)
    assert one.state == "same"
    assert "one search alone lists it" in one.sentence


def test_curves_and_lists_that_contradict_each_other_tell_no_move(
    rng: np.random.Generator,
) -> None:
    """Curves 2 % higher, lists 2 % lower: no statement of "0 % ± 5 %" is beyond doubt."""
    first = made_results([RADIATED], rng=rng)
    other = made_results([moved(RADIATED, 2.0)], rng=rng, listed=[moved(RADIATED, -2.0).listed()])
    (one,) = resonance_changes(first, other)
    assert one.state == "cannot tell"
    assert one.low_percent is not None and one.high_percent is not None
    assert one.low_percent < 0.0 < one.high_percent


@pytest.mark.parametrize("mode", [RADIATED, EXCITED], ids=["radiated", "excited"])
def test_gone_and_new(rng: np.random.Generator, mode: MadeMode) -> None:
    having = made_results([mode], rng=rng, noise_db=-85.0)
    lacking = made_results([], rng=rng, noise_db=-85.0)
    (gone,) = resonance_changes(having, lacking)
    (new,) = resonance_changes(lacking, having)
    assert (gone.state, new.state) == ("gone", "new")
    assert gone.other_hz is None and new.frequency_hz is None
    assert "is gone" in gone.sentence and "is new" in new.sentence


def test_a_weaker_mode_is_not_gone(rng: np.random.Generator) -> None:
    """At 70 % of its strength, and the other's search does not list it."""
    first = made_results([RADIATED], rng=rng)
    weaker = dataclasses.replace(RADIATED, share=1.4)
    assert not changed(first, made_results([weaker], rng=rng, listed=[]))


@pytest.mark.parametrize("mode", [RADIATED, EXCITED], ids=["radiated", "excited"])
def test_a_mode_that_no_search_lists_shows_where_the_curves_differ(
    rng: np.random.Generator, mode: MadeMode
) -> None:
    first, other = (
        made_results([one], rng=rng, noise_db=-85.0, listed=[]) for one in (mode, moved(mode, 2.0))
    )
    (one,) = resonance_changes(first, other)
    assert one.state == "moved"
    assert one.change_percent == pytest.approx(2.0, abs=0.1)
    assert one.frequency_hz == pytest.approx(mode.frequency_hz, rel=0.005)
    assert "no search lists it" in one.sentence


def test_no_resonances(rng: np.random.Generator) -> None:
    assert resonance_changes(made_results([], rng=rng), made_results([], rng=rng)) == []


def test_a_box_mode_is_brought_to_one_temperature(rng: np.random.Generator) -> None:
    """5 K raise it by 0.85 %, which is no move; 2 % more are one."""
    by_air = sound_speed_m_per_s(25.0) / sound_speed_m_per_s(20.0)
    for extra, state in ((1.0, "same"), (1.02, "moved")):
        warm = dataclasses.replace(RADIATED, frequency_hz=RADIATED.frequency_hz * by_air * extra)
        first, other = (
            made_results([mode], rng=rng, listed=[mode.listed(causes=["first box mode"])],
                         temperature_c=t)
            for mode, t in ((RADIATED, 20.0), (warm, 25.0))
        )  # fmt: skip
        (one,) = resonance_changes(first, other)
        assert (one.state, one.at_one_temperature) == (state, True)
        assert one.change_percent == pytest.approx(100.0 * (extra - 1.0), abs=0.15)
        assert "from 20 to 25" in one.sentence


def test_a_box_mode_at_temperatures_that_nobody_noted_is_not_said_to_move(
    rng: np.random.Generator,
) -> None:
    """Each may be off by 5 K: 0.85 % each."""
    first, other = (
        made_results([mode], rng=rng, listed=[mode.listed(causes=["first box mode"])])
        for mode in (RADIATED, moved(RADIATED, 2.0))
    )
    (one,) = resonance_changes(first, other)
    assert one.state != "moved"
    assert one.high_percent is not None and one.high_percent > 3.5
    assert "temperature not being noted" in one.sentence


def test_a_mode_of_unknown_cause_may_or_may_not_follow_the_air(rng: np.random.Generator) -> None:
    """0.85 % higher where it was 5 K warmer is no move; 0.85 % lower is."""
    first = made_results([RADIATED], rng=rng, temperature_c=20.0)
    for percent, state in ((0.85, "same"), (-0.85, "moved")):
        other = made_results([moved(RADIATED, percent)], rng=rng, temperature_c=25.0)
        assert resonance_changes(first, other)[0].state == state


def test_a_microphone_that_was_moved_moves_no_mode(rng: np.random.Generator) -> None:
    """A reflection 10 dB down, 4 ms late, and 30 µs later: 1 cm."""
    first = made_results([RADIATED, EXCITED], rng=rng, comb_s=0.004)
    other = made_results([RADIATED, EXCITED], rng=rng, comb_s=0.00403)
    assert not changed(first, other)


def test_what_cannot_be_compared_is_not_told(rng: np.random.Generator) -> None:
    first = made_results([RADIATED], rng=rng)
    (one,) = resonance_changes(first, made_results([RADIATED], rng=rng, position="30°"))
    assert one.state == "cannot tell"
    assert "cannot be told: no ladders" in one.sentence


@pytest.mark.parametrize("q", [long(10.0), 30.0, long(60.0)])
def test_bands_that_start_elsewhere_are_compared_by_interpolation(
    rng: np.random.Generator, q: float
) -> None:
    """A grid from 23 Hz has its points between those of one from 20 Hz."""
    mode = MadeMode(556.0, q)
    first = made_results([mode], rng=rng)
    for percent, state in ((0.0, "same"), (2.0, "moved")):
        (one,) = resonance_changes(
            first, made_results([moved(mode, percent)], rng=rng, from_hz=23.0)
        )
        assert one.state == state
        assert one.change_percent == pytest.approx(percent, abs=0.25)


def test_a_mode_that_noise_hides_cannot_be_told(rng: np.random.Generator) -> None:
    first, other = (
        made_results([], listed=[EXCITED.listed(confidence=0.4)], rng=rng, noise_db=-40.0)
        for _ in range(2)
    )
    (one,) = resonance_changes(first, other)
    assert one.state == "cannot tell"
    assert one.sentence.startswith("Whether the excited resonance at 310")


def test_sentences(rng: np.random.Generator) -> None:
    first = made_results([RADIATED], rng=rng, temperature_c=20.0)
    other = made_results([moved(RADIATED, -2.0)], rng=rng, temperature_c=20.0)
    (one,) = resonance_changes(first, other, source=2)
    assert one.source == 2
    assert one.sentence.replace("\N{NO-BREAK SPACE}", " ").startswith(
        "The radiated resonance at 556 Hz lies 2.0 % lower, at 545 Hz (±0."
    )
    (one,) = resonance_changes(first, made_results([RADIATED], rng=rng, temperature_c=20.0))
    assert one.sentence.replace("\N{NO-BREAK SPACE}", " ").startswith(
        "The radiated resonance at 556 Hz shows no difference that this measurement can see (under"
    )


def test_the_derivatives_are_those_of_the_residuals(rng: np.random.Generator) -> None:
    first, other = (made_results([RADIATED], rng=rng).take() for _ in range(2))
    problem = ModeInCurves(response_curves(first, other, 450.0, 680.0), 556.0, 25.0)
    values = np.concatenate([[0.003, 0.1, 0.01, 0.2], rng.uniform(0.5, 2.0, 2 * problem.count)])
    assert len(values) == SHARES + 2 * problem.count and SHIFT == 2
    step = 1e-6
    for n, column in enumerate(problem.jacobian(values).T):
        ends = [
            problem.residuals(values + side * step * np.eye(len(values))[n]) for side in (-1.0, 1.0)
        ]
        difference = (ends[1] - ends[0]) / (2.0 * step)
        assert column == pytest.approx(difference, rel=1e-4, abs=1e-4 * np.max(np.abs(difference)))
