"""What is said of a resonance: sentences, and that each is said where it holds."""

from __future__ import annotations

import math
from dataclasses import replace
from unittest.mock import patch

import pytest
from closed_form import Branch, cascade, flat, high_pass, peak
from conftest import Bench
from resonating import EXCITED, OWN, RADIATED, at_places, hear, only, three_rungs

from distsweep import pipeline
from distsweep.analysis.resonance.curves import LadderCurves, ladder_curves
from distsweep.analysis.resonance.decay import FoundDecay
from distsweep.analysis.resonance.find import Enclosure, find_resonances
from distsweep.analysis.resonance.found import FoundResonance
from distsweep.analysis.resonance.reasons import agreements, contradictions
from distsweep.reason import Reason
from distsweep.results import Results
from distsweep.words.resonance import sentence, sentences


@pytest.mark.parametrize(
    ("reason", "expected"),
    [
        (
            Reason("division_leaves_peak", left_db=8.0, peak_db=9.0, lifts=False, equalised=True),
            "Divided by the linear response, 8.0 of 9.0 dB of the peak stay, as where an equaliser"
            " takes a mode off it.",
        ),
        (
            Reason("division_leaves_peak", left_db=12.5, peak_db=9.0, lifts=True, equalised=False),
            "Divided by the linear response, the peak stands out even more, by 12.5 instead of 9.0"
            " dB.",
        ),
        (
            Reason("steady_tone_shows", order=3, frequency_hz=430.0, drive_dbfs=-10.0,
                   level_db=-27.46, low_db=-27.91, high_db=-27.14, swept_db=-29.63, sweep_s=None),
            "A steady tone of 430 Hz at −10 dBFS would show its 3rd harmonic at −27.5 dB (95 %:"
            " −28.0 to −27.1 dB) re the fundamental, where the sweep shows −29.6 dB.",
        ),
        (
            Reason("steady_tone_shows", order=3, frequency_hz=430.0, drive_dbfs=-10.0,
                   level_db=-27.46, low_db=-30.2, high_db=-24.7, swept_db=-29.63, sweep_s=None),
            "A steady tone of 430 Hz at −10 dBFS would show its 3rd harmonic at −27 dB (95 %: −31"
            " to −24 dB) re the fundamental, where the sweep shows −30 dB.",
        ),
        (
            Reason("steady_tone_shows", order=3, frequency_hz=430.0, drive_dbfs=-10.0,
                   level_db=-27.46, low_db=-math.inf, high_db=-24.7, swept_db=-29.63,
                   sweep_s=11.2),
            "A steady tone of 430 Hz at −10 dBFS would show its 3rd harmonic at no more than −24"
            " dB re the fundamental, where the sweep shows −30 dB; a sweep of 12 s or more shows it"
            " directly.",
        ),
        (
            Reason("grows_otherwise", order=3, growth_db_per_db=-0.31, mild_db_per_db=2.0),
            "Its 3rd harmonic grows by −0.3 dB per dB, slower than the 2 of mild nonlinearity.",
        ),
        (
            Reason("grows_otherwise", order=22, growth_db_per_db=24.0, mild_db_per_db=21.0),
            "Its 22nd harmonic grows by 24.0 dB per dB, faster than the 21 of mild nonlinearity:"
            " something sets in.",
        ),
        (
            Reason("shown_at", position="port", strongest=False, loudest_product=False,
                   bump_db=3.0, spike_db=8.0),
            "It is seen at “port” too: a peak of 3.0 dB in the fundamental and a peak of 8.0 dB in"
            " a harmonic.",
        ),
        (
            Reason("shown_at", position="port", strongest=False, loudest_product=False,
                   bump_db=None, spike_db=None),
            "It is seen at “port” too.",
        ),
        (
            Reason("comb_taken_off", delays_s=[0.0021, 0.0034], comb_db=1.44),
            "Reflections 2.1 and 3.4 ms after the direct sound make a comb of peaks and dips, with"
            " a peak of 1.4 dB here; it was taken off before judging.",
        ),
        (
            Reason("rings_with_other_q", position="axis", ring_time_s=0.05, neighbours_s=0.01,
                   rate_db_per_s=428.0, q=70.0, fitted_q=30.0),
            "At “axis” it rings for 50 ms (20 dB), as against 10 ms beside it; the decay of 428"
            " dB/s means a Q of 70, the fit one of 30.",
        ),
    ],
    ids=lambda value: value.code if isinstance(value, Reason) else "",
)  # fmt: skip
def test_sentences(reason: Reason, expected: str) -> None:
    assert sentence(reason) == expected


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return three_rungs(tmp_path_factory.mktemp("words"))


def surest(bench: Bench, branches: list[Branch]) -> tuple[FoundResonance, LadderCurves]:
    """Return the surest resonance of a loudspeaker as it is found, and its take's curves."""
    with patch.object(pipeline, "find_resonances", wraps=pipeline.find_resonances) as seen:
        bench.analyse(hear(bench, branches))
    (take,) = seen.call_args.args[0]
    curves = ladder_curves(take, ())
    assert curves is not None
    return find_resonances([take], Enclosure()).resonances[0], curves


@pytest.fixture(scope="module")
def radiated(bench: Bench) -> tuple[FoundResonance, LadderCurves]:
    return surest(bench, RADIATED)


@pytest.mark.parametrize(("decay_q", "agreed"), [(28.0, True), (70.0, False)])
def test_a_decay_of_another_q_speaks_against_the_fit(
    radiated: tuple[FoundResonance, LadderCurves], decay_q: float, agreed: bool
) -> None:
    """The mode's Q is 25."""
    facts, curves = radiated[0].facts, radiated[1]
    reason = Reason("rings_longer", position="axis", ring_time_s=0.05, neighbours_s=0.01,
                    rate_db_per_s=400.0, q=decay_q)  # fmt: skip
    facts = replace(facts, decay=FoundDecay("rings", reason, q=decay_q))
    against = {r.code for r in contradictions(facts, curves, [])}
    assert (reason in agreements(facts)) == agreed
    assert ("rings_with_other_q" in against) != agreed


@pytest.mark.parametrize(
    ("bump_db", "expected"),
    [
        (-math.inf, "fundamental_has_no_peak"),
        (-2.0, "fundamental_has_no_peak"),
        (math.nan, "outside_sweep"),
        (1.4, "fundamental_peak_too_small"),
    ],
)
def test_a_bump_that_is_none_is_no_number(
    radiated: tuple[FoundResonance, LadderCurves], bump_db: float, expected: str
) -> None:
    facts = radiated[0].facts
    facts = replace(facts, evidence=replace(facts.evidence, bump_db=bump_db))
    against = contradictions(facts, radiated[1], [])
    assert expected in [reason.code for reason in against]
    assert not any("inf" in text or "nan" in text for text in sentences(against))


@pytest.fixture(scope="module")
def places(bench: Bench) -> Results:
    """Set off everywhere but at one place; loudest at the woofer; in the noise at the wall."""
    loud = [Branch(b.pre, tuple(2.0 * c for c in b.coefficients), b.post) for b in EXCITED]
    quiet = [Branch(high_pass(90), OWN, flat)]
    bench.record(hear(bench, EXCITED), name="axis.wav")
    bench.record(hear(bench, loud), name="woofer.wav")
    bench.record(hear(bench, quiet), name="port.wav")
    bench.record(hear(bench, quiet, noise=1e-2), name="wall.wav")
    return at_places(bench, {name: name for name in ("axis", "woofer", "port", "wall")})


def test_what_is_set_off_is_strongest_where_its_product_is_loudest(places: Results) -> None:
    one = only(places)
    states = {at.position: at.state for at in one.positions}
    assert states == {
        "axis": "present", "woofer": "strongest", "port": "missing", "wall": "cannot_tell",
    }  # fmt: skip
    expected = "It is strongest at “woofer”, where its product's level is highest: "
    assert any(text.startswith(expected) for text in one.agrees_with)
    assert "It is missing at “port”." in one.speaks_against


def test_what_equalised_products_say_needs_a_mode_that_they_agree_on(bench: Bench) -> None:
    """Of a mode that shows in the response, no order is said to rise alone."""
    mode = peak(1100.0, 25.0, 10.0)
    cut, _ = surest(bench, [Branch(cascade(high_pass(90), lambda f: 1.0 / mode(f)), OWN, mode)])
    assert "orders_rise_alone" in [reason.code for reason in cut.agrees_with]
    evidence = replace(cut.facts.evidence, lifted_pole=None)
    said = agreements(replace(cut.facts, evidence=evidence))
    assert "orders_rise_alone" not in [reason.code for reason in said]
