"""What is an image of what, and what is said of a candidate: from numbers made up for it."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest
from resonance_population import score

from distsweep.analysis.resonance import evidence as evidence_module
from distsweep.analysis.resonance import words
from distsweep.analysis.resonance.candidates import Candidate, OrderPeak
from distsweep.analysis.resonance.confidence import features
from distsweep.analysis.resonance.evidence import Evidence, with_fitted_mode
from distsweep.analysis.resonance.find import _frequency_uncertainty
from distsweep.analysis.resonance.mode_in_products import HIGHEST_Q, Pole
from distsweep.analysis.resonance.positions import _mark_strongest, _state
from distsweep.analysis.resonance.take_search import (
    JudgedCandidate,
    best_of_each_frequency,
    is_image,
)
from distsweep.rehearsal.resonances import Resonance as TrueResonance
from distsweep.results import AtPosition, Decay, Resonance


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


def kept(*verdicts: JudgedCandidate) -> list[tuple[str, float]]:
    return [
        (v.evidence.candidate.kind, v.evidence.frequency_hz)
        for v in best_of_each_frequency(list(verdicts))
    ]


def test_what_explains_another_does_not_vanish_with_it() -> None:
    """One explains a candidate together with a second, and is itself an image of it."""
    at_500 = evidence("excited", 500.0, {2: 9.0})
    at_333 = evidence("excited", 333.3, {3: 8.0, 2: 12.0})
    at_1000 = evidence("radiated", 1000.0, {2: 9.0, 3: 8.0}, bump_db=7.0)
    assert is_image(at_1000, [at_500, at_333]) and is_image(at_500, [at_1000])
    left = kept(
        JudgedCandidate(at_500, 0.95), JudgedCandidate(at_333, 0.9), JudgedCandidate(at_1000, 0.6)
    )
    assert left == [("excited", 333.3), ("radiated", 1000.0)]


def test_one_cause_is_likelier_than_two() -> None:
    """A second and a third harmonic that each stand alone land on the same frequency."""
    second = evidence("excited", 500.0, {2: 9.0})
    third = evidence("excited", 333.3, {3: 9.0})
    both = dataclasses.replace(evidence("radiated", 1000.0, {2: 9.0, 3: 9.0}), lone_orders=(2, 3))
    left = kept(
        JudgedCandidate(second, 0.99), JudgedCandidate(third, 0.99), JudgedCandidate(both, 0.6)
    )
    assert left == [("radiated", 1000.0)]
    # Where the third is something else's, too, there are two.
    other = evidence("excited", 333.3, {2: 9.0, 3: 9.0})
    left = kept(JudgedCandidate(evidence("excited", 500.0, {2: 9.0, 3: 9.0}), 0.99),
                JudgedCandidate(other, 0.99), JudgedCandidate(both, 0.6))  # fmt: skip
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
        JudgedCandidate(second, 0.99), JudgedCandidate(third, 0.99), JudgedCandidate(with_lone_orders(0.5), 0.3)
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


@pytest.mark.parametrize("which", ["pole", "lifted_pole"])
def test_a_fit_that_ends_at_its_edge_explains_nothing(which: str) -> None:
    inside = with_lone_orders(0.5)
    if which == "pole":
        inside = dataclasses.replace(inside, lifted_pole=None)
    pole = getattr(inside, which)
    at_edge = dataclasses.replace(inside, **{which: dataclasses.replace(pole, q=HIGHEST_Q)})
    assert features(inside)[2] > 0.0 and features(at_edge)[2] == 0.0


def test_a_division_that_leaves_a_spike_counts_not_where_orders_agree_alone() -> None:
    bent = with_lone_orders(0.9)
    assert features(bent)[5] == 0.0
    assert features(dataclasses.replace(bent, lifted_pole=None))[5] == pytest.approx(8.0 / 9.0)


@pytest.mark.parametrize(("explained", "counts"), [(0.7, False), (0.9, True)])
def test_products_that_no_mode_explains_well_do_not_agree_on_one(
    monkeypatch: pytest.MonkeyPatch, explained: float, counts: bool
) -> None:
    pole = Pole(1000.0, 12.0, explained)
    monkeypatch.setattr(evidence_module, "fit_response", lambda *given: None)
    monkeypatch.setattr(evidence_module, "fit_products", lambda *given, **known: pole)
    level_db = np.zeros((1, 2, 3))
    curves = SimpleNamespace(
        echoes=(), frequency_hz=np.ones(3), absolute=SimpleNamespace(level_db=level_db)
    )
    bare = dataclasses.replace(with_lone_orders(0.9), pole=None, lifted_pole=None)
    found = with_fitted_mode(curves, None, bare, rate_constant_s=0.5)
    assert found.lifted_pole == (pole if counts else None)


@pytest.mark.parametrize(("height_db", "image"), [(9.0, True), (14.0, False)])
def test_a_division_leaves_hardly_more_than_a_mode_lifts(height_db: float, image: bool) -> None:
    """The mode lifts by 5.3 dB or so: its highest product may be the other's own."""
    mode = evidence("radiated", 1000.0, {2: height_db, 3: 5.3})
    assert is_image(evidence("excited", 500.0, {2: height_db}), [mode]) == image


@pytest.mark.parametrize(("far_octaves", "known"), [(0.05, True), (0.1, False)])
def test_a_pole_far_from_the_spikes_is_another_s(
    monkeypatch: pytest.MonkeyPatch, far_octaves: float, known: bool
) -> None:
    pole = Pole(1000.0 * 2.0**far_octaves, 12.0, 0.99)
    monkeypatch.setattr(evidence_module, "fit_response", lambda *given: pole)
    bare = dataclasses.replace(evidence("radiated", 1000.0, {2: 9.0, 3: 8.0}), pole=None)
    curves = SimpleNamespace(echoes=())
    found = with_fitted_mode(curves, None, bare, rate_constant_s=0.5)
    assert found.pole == (pole if known else None)


def test_products_alone_tell_a_frequency_less_surely() -> None:
    bent = with_lone_orders(0.9)
    shown = dataclasses.replace(bent, lifted_pole=None)
    assert _frequency_uncertainty(bent) > _frequency_uncertainty(shown)
    assert _frequency_uncertainty(with_lone_orders(0.97)) == _frequency_uncertainty(shown)
    assert _frequency_uncertainty(dataclasses.replace(shown, pole=None)) > 0.005
    set_off = evidence("excited", 500.0, {2: 9.0, 3: 9.0})
    assert _frequency_uncertainty(set_off) == _frequency_uncertainty(bent)


def said_of(found: Evidence, **known: object) -> tuple[list[str], list[str]]:
    """What agrees with a candidate and what speaks against it, heard at one place."""
    resonance = Resonance(
        1000.0, found.mode.q if found.mode else None, found.candidate.kind, 0.5, 9.0, 1.0, **known
    )
    resonance.fundamental_bump = words.bump_state(found)
    curves = SimpleNamespace(echoes=(), drive_dbfs=np.array([-10.0]))
    case = words.Case(resonance, found, curves, (2, 2), [], "axis")
    return words.agreements(case), words.contradictions(case)


@pytest.mark.parametrize(
    ("left_db", "expected"),
    [
        (8.0, "Divided by the linear response, 8.0 of 9.0 dB of the peak stay"),
        (9.2, "Divided by the linear response, 9.0 of 9.0 dB of the peak stay"),
        (12.5, "Divided by the linear response, the peak stands out even more, by 12.5 instead"),
    ],
)
def test_what_a_division_leaves_is_said_as_it_is(left_db: float, expected: str) -> None:
    bent = dataclasses.replace(with_lone_orders(0.9), other_family_db=left_db)
    agrees, against = said_of(bent)
    (one,) = [sentence for sentence in against if sentence.startswith(expected)]
    assert "equaliser takes a mode off" in one
    assert any("each rise alone" in sentence for sentence in agrees)
    # Of orders that stand alone without agreeing on a mode nothing follows.
    agrees, against = said_of(dataclasses.replace(bent, lifted_pole=None))
    assert not any("each rise alone" in sentence for sentence in agrees)
    assert not any("equaliser" in sentence for sentence in against)


@pytest.mark.parametrize(("decay_q", "agreed"), [(28.0, True), (13.0, True), (70.0, False)])
def test_a_decay_of_another_q_speaks_against_the_fit(decay_q: float, agreed: bool) -> None:
    decay = Decay("rings", q=decay_q, sentence=f"It rings; that means a Q of {decay_q:.0f}.")
    agrees, against = said_of(with_lone_orders(0.9), decay=decay)
    assert (decay.sentence in agrees) == agreed
    assert ("It rings; that means a Q of 70, the fit one of 30." in against) != agreed


@pytest.mark.parametrize(
    ("bump_db", "expected"),
    [
        (-math.inf, "The fundamental has no peak of its own there."),
        (-2.0, "The fundamental has no peak of its own there."),
        (
            math.nan,
            "Its frequency lies outside the sweep, so the fundamental there is not seen.",
        ),
        (1.4, "The fundamental's peak of 1.4 dB there is too small to tell from ripple."),
    ],
)
def test_a_bump_that_is_none_is_no_number(bump_db: float, expected: str) -> None:
    found = evidence("radiated", 1000.0, {2: 9.0, 3: 8.0}, bump_db=bump_db)
    _, said = said_of(found)
    assert expected in said
    assert not any("inf" in sentence or "nan" in sentence for sentence in said)


@pytest.mark.parametrize(
    ("bump_db", "spike_db", "expected"),
    [
        (
            3.0,
            8.0,
            "It is seen at “port” too: a peak of 3.0 dB in the fundamental and a peak of 8.0 dB in"
            " a harmonic.",
        ),
        (-3.2, 8.0, "It is seen at “port” too: a peak of 8.0 dB in a harmonic."),
        (None, 0.0, "It is seen at “port” too."),
    ],
)
def test_a_position_is_described_by_what_it_shows(
    bump_db: float | None, spike_db: float, expected: str
) -> None:
    found = evidence("radiated", 1000.0, {2: 9.0, 3: 8.0}, bump_db=7.0)
    at = AtPosition("port", "present", bump_db, spike_db, -40.0)
    agrees, _ = said_of(found, positions=[at])
    assert expected in agrees


def test_a_call_of_the_wrong_kind_counts_as_false() -> None:
    mode = TrueResonance(700.0, 30.0, kind="radiated", lift_db=10.0)
    call = SimpleNamespace(frequency_hz=701.0, confidence=0.97, kind="excited")
    one = SimpleNamespace(
        seed=1, resonances=[call], truth=SimpleNamespace(resonances=(mode,)), eligible=[mode]
    )
    counted = score([one])
    assert (counted.found, counted.right_kind, counted.false_calls) == (1, 0, 1)


@pytest.mark.parametrize(
    ("kind", "bump_db", "could_show", "expected"),
    [
        ("radiated", 4.0, True, "present"),
        ("radiated", -math.inf, False, "missing"),  # the flank of a peak farther away
        ("radiated", math.nan, True, "cannot_tell"),
        ("excited", 4.0, True, "missing"),
        ("excited", 4.0, False, "cannot_tell"),
    ],
)
def test_a_position_without_a_spike(
    kind: str, bump_db: float, could_show: bool, expected: str
) -> None:
    found = evidence(kind, 1000.0, {2: 9.0, 3: 8.0})
    assert _state(found, bump_db, None, could_show=could_show) == expected


def test_an_excited_one_is_strongest_where_its_product_is_loudest() -> None:
    at = AtPosition("woofer", "strongest", 0.0, 8.0, -20.0)
    agrees, _ = said_of(evidence("excited", 500.0, {2: 9.0}), positions=[at])
    expected = "It is strongest at “woofer”, where its product's level is highest: "
    assert f"{expected}a peak of 8.0 dB in a harmonic." in agrees


def test_the_strongest_position_is_one_that_shows_it() -> None:
    """Close to something loud a product is loud, whether it stands out or not."""
    at = [
        AtPosition("axis", "present", 0.0, 8.0, -40.0),
        AtPosition("woofer", "missing", 0.0, None, -20.0),
    ]
    _mark_strongest(at, evidence("excited", 500.0, {2: 9.0}))
    assert [one.state for one in at] == ["strongest", "missing"]
