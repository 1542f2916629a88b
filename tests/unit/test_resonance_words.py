"""What is said of a resonance: sentences, and that each is said where it holds."""

from __future__ import annotations

import math
from dataclasses import replace
from unittest.mock import patch

import pytest
from closed_form import Branch, flat, high_pass
from conftest import Bench
from resonating import EXCITED, OWN, RADIATED, at_places, hear, only, three_rungs

from distsweep import pipeline
from distsweep.analysis.resonance.decay import FoundDecay
from distsweep.analysis.resonance.find import Enclosure, find_resonances
from distsweep.analysis.resonance.found import FoundResonance
from distsweep.analysis.resonance.mode import Contribution
from distsweep.analysis.resonance.reasons import agreements, contradictions
from distsweep.reason import Reason
from distsweep.results import Results
from distsweep.words.resonance import sentence, sentences


@pytest.mark.parametrize(
    ("reason", "expected"),
    [
        (
            Reason("curves_agree", orders=[1, 2, 3], positions=["port", "axis", "axis"],
                   log_ratios=[20.0, 12.1, 6.3]),
            "With such a mode the linear response at “port” is more than a million times likelier"
            " than without; the 2nd harmonic and the 3rd harmonic at “axis” agree, by 500 times or"
            " more.",
        ),
        (
            Reason("curves_agree", orders=[2], positions=["axis"], log_ratios=[8.9]),
            "With such a mode the 2nd harmonic at “axis” is 7,000 times likelier than without.",
        ),
        (
            Reason("curves_disagree", orders=[4], positions=["axis"], log_ratios=[3.1]),
            "Without such a mode the 4th harmonic at “axis” is likelier, by 20 times.",
        ),
        (
            Reason("explained_otherwise", kind="radiated", share=0.64),
            "A filter in front of the loudspeaker, which lifts no product that lands there, or"
            " something loose that shows where it is loud only, would explain 64 % of what the"
            " curves show.",
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


@pytest.fixture(scope="module")
def radiated(bench: Bench) -> FoundResonance:
    """The surest resonance of a loudspeaker as it is found."""
    with patch.object(pipeline, "find_resonances", wraps=pipeline.find_resonances) as seen:
        bench.analyse(hear(bench, RADIATED))
    return find_resonances(seen.call_args.args[0], Enclosure()).resonances[0]


@pytest.mark.parametrize(("decay_q", "agreed"), [(28.0, True), (70.0, False)])
def test_a_decay_of_another_q_speaks_against_the_fit(
    radiated: FoundResonance, decay_q: float, agreed: bool
) -> None:
    """The mode's Q is 25."""
    reason = Reason("rings_longer", position="axis", ring_time_s=0.05, neighbours_s=0.01,
                    rate_db_per_s=400.0, q=decay_q)  # fmt: skip
    facts = replace(radiated.facts, decay=FoundDecay("rings", reason, q=decay_q))
    against = {r.code for r in contradictions(facts, [])}
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
    radiated: FoundResonance, bump_db: float, expected: str
) -> None:
    facts = radiated.facts
    facts = replace(facts, heights=replace(facts.heights, bump_db=bump_db))
    against = contradictions(facts, [])
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


def test_a_curve_that_speaks_against_a_mode_is_named(radiated: FoundResonance) -> None:
    facts = radiated.facts
    mode = replace(
        facts.mode,
        contributions=(Contribution("axis", 2, 4.0), Contribution("axis", 3, -5.0)),
        direct=False,
    )
    facts = replace(facts, heights=replace(facts.heights, mode=mode))
    agreed, against = agreements(facts), contradictions(facts, [])
    assert Reason("curves_agree", orders=[2], positions=["axis"], log_ratios=[4.0]) in agreed
    assert Reason("curves_disagree", orders=[3], positions=["axis"], log_ratios=[5.0]) in against
    assert "room_may_make_it" in [reason.code for reason in against]
