"""What is an image of what: from numbers made up for it."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace

from resonance_population import score

from distsweep.analysis.resonance.candidates import Candidate, OrderPeak
from distsweep.analysis.resonance.evidence import Evidence
from distsweep.analysis.resonance.pole import Pole
from distsweep.analysis.resonance.take_search import (
    JudgedCandidate,
    best_of_each_frequency,
    is_image,
)
from distsweep.rehearsal.resonances import Resonance as TrueResonance


def evidence(
    kind: str, frequency_hz: float, spike_db: dict[int, float], *, bump_db: float = 0.0
) -> Evidence:
    """A candidate whose peaks stand where its kind wants them, at one rung."""
    seen = tuple(
        OrderPeak(
            row=0, column=order - 2, index=10, order=order,
            excitation_hz=frequency_hz / (order if kind == "radiated" else 1),
            prominence_db=height, both_db=height, above_floor_db=30.0, surprise=99.0,
        )
        for order, height in spike_db.items()
    )  # fmt: skip
    return Evidence(
        Candidate(kind, frequency_hz, 0.05, 9.0),
        seen,
        spike_db,
        clear_orders=tuple(spike_db),
        lone_orders=(),
        kind_open=False,
        bump_db=bump_db,
        comb_bump_db=0.0,
        nearby_bump_db=max(bump_db, 0.0) if math.isfinite(bump_db) else 0.0,
        raised_db=dict.fromkeys(spike_db, 0.0),
        other_family_db=0.0,
        pole=Pole(frequency_hz, 30.0, 0.8),
    )


def kept(*candidates: tuple[Evidence, float]) -> list[tuple[str, float]]:
    """Kind and frequency of what is left of candidates with their confidence."""
    judged = [JudgedCandidate(evidence, confidence) for evidence, confidence in candidates]
    left = best_of_each_frequency(judged)
    return [(one.evidence.candidate.kind, one.evidence.frequency_hz) for one in left]


def test_what_explains_another_does_not_vanish_with_it() -> None:
    """One explains a candidate together with a second, and is itself an image of it."""
    at_500 = evidence("excited", 500.0, {2: 9.0})
    at_333 = evidence("excited", 333.3, {3: 8.0, 2: 12.0})
    at_1000 = evidence("radiated", 1000.0, {2: 9.0, 3: 8.0}, bump_db=7.0)
    assert is_image(at_1000, [at_500, at_333]) and is_image(at_500, [at_1000])
    left = kept((at_500, 0.95), (at_333, 0.9), (at_1000, 0.6))
    assert left == [("excited", 333.3), ("radiated", 1000.0)]


def test_one_cause_is_likelier_than_two() -> None:
    """A second and a third harmonic that each stand alone land on the same frequency."""
    second = evidence("excited", 500.0, {2: 9.0})
    third = evidence("excited", 333.3, {3: 9.0})
    both = dataclasses.replace(evidence("radiated", 1000.0, {2: 9.0, 3: 9.0}), lone_orders=(2, 3))
    left = kept((second, 0.99), (third, 0.99), (both, 0.6))
    assert left == [("radiated", 1000.0)]
    # Where the third is something else's, too, there are two.
    other = evidence("excited", 333.3, {2: 9.0, 3: 9.0})
    left = kept((evidence("excited", 500.0, {2: 9.0, 3: 9.0}), 0.99),
                (other, 0.99), (both, 0.6))  # fmt: skip
    assert left == [("excited", 500.0), ("excited", 333.3)]


def with_lone_orders(explained: float) -> Evidence:
    """Radiated, with two orders that stand alone, and Qs that differ."""
    return dataclasses.replace(
        evidence("radiated", 1000.0, {2: 9.0, 3: 9.0}),
        lone_orders=(2, 3),
        other_family_db=8.0,
        pole=Pole(1001.0, 12.0, explained),
        lifted_pole=Pole(1005.0, 30.0, 0.9),
    )


def test_two_orders_that_agree_alone_stand_against_surer_images() -> None:
    second = evidence("excited", 500.0, {2: 9.0})
    third = evidence("excited", 333.3, {3: 9.0})
    left = kept(
        (second, 0.99), (third, 0.99), (with_lone_orders(0.5), 0.3)
    )  # fmt: skip
    assert left == [("radiated", 1005.0)]
    # What another makes of its second harmonic does not count against its third.
    maker = evidence("excited", 500.0, {2: 9.0, 3: 9.0})
    weak = dataclasses.replace(with_lone_orders(0.5), spike_db={2: 9.0, 3: 3.2})
    assert not is_image(weak, [maker])
    assert is_image(dataclasses.replace(weak, lifted_pole=None), [maker])


def test_what_an_equaliser_takes_off_keeps_its_frequency_in_the_response_at_most() -> None:
    clear, bent = with_lone_orders(0.97), with_lone_orders(0.9)
    assert clear.mode == Pole(1001.0, 30.0, 0.97)
    assert bent.mode == Pole(1005.0, 30.0, 0.9)
    assert dataclasses.replace(bent, lifted_pole=None).mode == Pole(1001.0, 12.0, 0.9)


def test_a_call_of_the_wrong_kind_counts_as_false() -> None:
    mode = TrueResonance(700.0, 30.0, kind="radiated", lift_db=10.0)
    call = SimpleNamespace(frequency_hz=701.0, confidence=0.97, kind="excited")
    one = SimpleNamespace(
        seed=1, resonances=[call], truth=SimpleNamespace(resonances=(mode,)), eligible=[mode]
    )
    counted = score([one])
    assert (counted.found, counted.right_kind, counted.false_calls) == (1, 0, 1)
