"""Resonances found in recordings of closed-form loudspeakers: kind, frequency, Q, growth."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest
from closed_form import Branch, cascade, flat, high_pass, low_pass, peak
from conftest import Bench, ladder_recipe, long
from resonating import EXCITED, OWN, RADIATED, at_places, echo, hear, only, three_rungs

from distsweep import pipeline
from distsweep.analysis.resonance.find import (
    Enclosure,
    ResonanceFindings,
    SearchedTake,
    find_resonances,
)
from distsweep.conversion.resonances import resonance_record
from distsweep.results import Resonance, Results, Tone, read_results, to_json, write_results


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return three_rungs(tmp_path_factory.mktemp("search"))


@pytest.fixture(scope="module")
def radiated(bench: Bench) -> Results:
    return bench.analyse(hear(bench, RADIATED), name="radiated.wav")


@pytest.fixture(scope="module")
def excited(bench: Bench) -> Results:
    return bench.analyse(hear(bench, EXCITED), name="excited.wav")


def test_what_radiates(radiated: Results) -> None:
    one = only(radiated)
    assert one.kind == "radiated"
    assert one.frequency_hz == pytest.approx(1100.0, rel=0.003)
    assert one.q == pytest.approx(25.0, rel=0.2)  # the fit's own grid of Q is 14 % apart
    assert one.confidence > 0.9
    # 10 dB of lift, less what the mode does to the octave around it.
    assert 8.0 <= one.prominence_db <= 10.5
    assert one.fundamental_bump == "present"
    for seen in one.seen_in:
        assert seen.order * seen.excitation_hz == pytest.approx(1100.0, rel=0.03)
    assert {seen.order for seen in one.seen_in} >= {2, 3}
    assert any("the linear response at “axis”" in sentence for sentence in one.agrees_with)
    assert not any("an equaliser takes a mode off" in sentence for sentence in one.agrees_with)


def test_what_is_set_off(excited: Results) -> None:
    one = only(excited)
    assert one.kind == "excited"
    # A sweep of 3 s drags the top of a Q of 30 by 1 %; the fit reckons with that.
    assert one.frequency_hz == pytest.approx(700.0, rel=0.003)
    assert one.q == pytest.approx(30.0, rel=0.2)
    assert one.fundamental_bump == "absent"
    for seen in one.seen_in:
        assert seen.excitation_hz == pytest.approx(700.0, rel=0.03)


@pytest.mark.parametrize("which", ["radiated", "excited"])
def test_growth_is_that_of_the_polynomial(which: str, request: pytest.FixtureRequest) -> None:
    """A product of degree n grows by n − 1 dB per dB re the fundamental."""
    one = only(request.getfixturevalue(which))
    order = one.growth[0].order
    assert one.expected_growth_db_per_db == order - 1
    assert one.growth_db_per_db == pytest.approx(order - 1, abs=0.1)
    assert one.appears_at_dbfs == -26.0
    assert [point.drive_dbfs for point in one.growth] == [-26.0, -18.0, -10.0]


def test_nothing_is_made_of_a_loudspeaker_without_resonances(bench: Bench) -> None:
    results = bench.analyse(hear(bench, [Branch(high_pass(90), OWN, flat)]), name="none.wav")
    assert results.resonances == []
    assert any("none was found" in note for note in results.resonance_notes)


@pytest.mark.parametrize("subtype", [long("FLOAT"), "PCM_24"])
def test_rounding_is_no_resonance(bench: Bench, subtype: str) -> None:
    """What was played comes back without noise: all harmonics are rounding."""
    results = bench.analyse(bench.waveform, name="loop.wav", subtype=subtype)
    assert results.resonances == []


def test_a_comb_is_no_resonance(bench: Bench) -> None:
    branches = [Branch(high_pass(90), OWN, echo(0.0032, 0.4))]
    results = bench.analyse(hear(bench, branches), name="comb.wav")
    assert [r for r in results.resonances if r.confidence >= 0.5] == []


@pytest.mark.parametrize("bump_hz", [500.0, long(800.0)])
@pytest.mark.parametrize(
    ("own", "after"),
    [long(OWN, flat), long((*OWN, 0.02, 0.5), flat), ((*OWN, 0.02, 0.5), low_pass(2500.0))],
)
def test_an_equaliser_s_bump_is_no_resonance(
    bench: Bench,
    bump_hz: float,
    own: tuple[float, ...],
    after: Callable[[np.ndarray], np.ndarray],
) -> None:
    """What is raised before the curvature raises its products: those of degree n by n times as
    much, whatever their order. A slope behind shifts their tops."""
    before = cascade(high_pass(90), peak(bump_hz, 10.0, 4.0))
    results = bench.analyse(hear(bench, [Branch(before, own, after)]), name="equaliser.wav")
    assert [r for r in results.resonances if r.confidence >= 0.5] == []


@pytest.mark.parametrize(
    ("own", "set_off"),
    [
        (OWN, (0.0, 0.2, 0.8, 3.2)),
        long(OWN, (0.0, 0.2, 0.8, 3.2, 12.0)),
        long((*OWN, 0.02, 0.02), (0.0, 0.2, 0.8, 3.2)),
    ],
)
def test_what_is_set_off_may_raise_every_harmonic(
    bench: Bench, own: tuple[float, ...], set_off: tuple[float, ...]
) -> None:
    """As a boost of the drive would, which the fundamental then must show."""
    branches = [Branch(high_pass(90), own, flat), Branch(EXCITED[1].pre, set_off, flat)]
    one = only(bench.analyse(hear(bench, branches), name="every.wav"))
    assert one.kind == "excited" and one.confidence > 0.9
    assert one.frequency_hz == pytest.approx(700.0, rel=0.003)


def test_a_product_beside_an_equaliser_s_bump_is_no_mode_of_it(bench: Bench) -> None:
    """The response has a pole at 1900 Hz, and the third harmonic of 700 Hz stands beside it."""
    bump = peak(1900.0, 12.0, 4.0)
    branches = [Branch(cascade(b.pre, bump), b.coefficients, b.post) for b in EXCITED]
    assert only(bench.analyse(hear(bench, branches), name="beside.wav")).kind == "excited"


@pytest.mark.parametrize(
    ("set_off", "radiated_hz", "q", "lift_db"),
    [
        ((0.0, 0.2, 0.8), 1340.0, 10.0, 6.0),
        long((0.0, 0.2, 0.8), 2190.0, 12.0, 5.0),
        long((0.0, 0.04, 0.3), 2010.0, 12.0, 6.0),
        long((0.0, 0.04, 1.0), 2010.0, 25.0, 8.0),
    ],
)
def test_both_are_found_where_a_product_of_one_lands_on_or_beside_the_other(
    bench: Bench, set_off: tuple[float, ...], radiated_hz: float, q: float, lift_db: float
) -> None:
    """The second or third harmonic of 700 Hz comes at most 4 % beside what radiates, or on it."""
    after = peak(radiated_hz, q, lift_db)
    branches = [Branch(EXCITED[0].pre, OWN, after), Branch(EXCITED[1].pre, set_off, after)]
    called = [r for r in bench.analyse(hear(bench, branches)).resonances if r.confidence >= 0.5]
    found = sorted((r.kind, r.frequency_hz) for r in called)
    assert [kind for kind, _ in found] == ["excited", "radiated"]
    assert [hz for _, hz in found] == pytest.approx([700.0, radiated_hz], rel=0.005)


def test_noise_hides_and_is_named(bench: Bench) -> None:
    faint = [Branch(high_pass(90), (1.0, 1e-4, 1e-4), peak(1100.0, 25.0, 10.0))]
    results = bench.analyse(hear(bench, faint, noise=3e-3), name="noisy.wav")
    # What the response shows is there; of products nothing is made.
    assert [r.kind for r in results.resonances] == ["radiated"]
    assert results.resonances[0].frequency_hz == pytest.approx(1100.0, rel=0.003)
    assert any("Hardly any harmonic stands clear" in note for note in results.resonance_notes)


def test_one_level_and_one_position_are_named(tmp_path: Path) -> None:
    recipe = ladder_recipe(name="single", sweep_s=3.0, levels_dbfs=[-10], quiet_s=1.0)
    single = Bench(tmp_path, recipe)
    results = single.analyse(hear(single, RADIATED))
    one = only(results)
    assert one.growth_db_per_db is None
    assert "How it grows with level cannot be told" in one.summary
    assert any("one clean level only" in note for note in results.resonance_notes)
    assert any("one position only" in note for note in results.resonance_notes)
    assert any("no other level confirms it" in sentence for sentence in one.speaks_against)


def test_a_sweep_too_short_is_named(tmp_path: Path) -> None:
    """ln 2 of its time constant, halved, holds 48 periods of the second harmonic."""
    recipe = ladder_recipe(name="short", sweep_s=0.6, levels_dbfs=[-18, -10], quiet_s=1.0)
    short = Bench(tmp_path, recipe)
    results = short.analyse(hear(short, RADIATED))
    from_hz = 48.0 / (np.log(2.0) * short.stimulus.sweep.rate_constant_s)
    (said,) = [note for note in results.resonance_notes if "too short" in note]
    assert float(said.split(" Hz")[0].split()[-1]) == pytest.approx(from_hz, abs=0.5)


def test_when_everything_clips_nothing_is_said_but_why(bench: Bench) -> None:
    take = searched(bench, RADIATED)
    clipped = [dataclasses.replace(rung, clipped=True) for rung in take.rungs]
    found = find_resonances([dataclasses.replace(take, rungs=clipped, impulse=None)], Enclosure())
    assert found.resonances == () and found.spikes == ([],) and found.decay_maps == (None,)
    assert codes(found) == ["nothing_to_search"]
    assert codes(find_resonances([], Enclosure())) == ["no_ladder"]


def searched(bench: Bench, branches: list[Branch]) -> SearchedTake:
    """What the search is given of a loudspeaker."""
    return searched_take(bench, hear(bench, branches))


def searched_take(bench: Bench, samples: np.ndarray) -> SearchedTake:
    with patch.object(pipeline, "find_resonances", wraps=pipeline.find_resonances) as seen:
        bench.analyse(samples)
    (take,) = seen.call_args.args[0]
    assert isinstance(take, SearchedTake)
    return take


def codes(found: ResonanceFindings) -> list[str]:
    return [note.code for note in found.notes]


def test_a_burst_in_one_rung_is_doubted(bench: Bench) -> None:
    """Something is set off in the middle rung, and in no other."""
    plain = hear(bench, [Branch(high_pass(90), OWN, flat)])
    first, last = bench.stimulus.files[0].rungs[1:]
    middle = slice(first.start_sample, last.start_sample)
    plain[middle] = hear(bench, EXCITED)[middle]
    found = find_resonances([searched_take(bench, plain)], Enclosure()).resonances
    doubted = [resonance_record(one) for one in found]
    assert all(one.confidence < 0.5 for one in doubted)


def test_a_noise_that_is_not_known_is_not_called_high(bench: Bench) -> None:
    take = searched(bench, EXCITED)
    rungs = [
        dataclasses.replace(
            rung,
            harmonics={
                order: dataclasses.replace(curve, floor_db=np.full_like(curve.floor_db, np.nan))
                for order, curve in rung.harmonics.items()
            },
        )
        for rung in take.rungs
    ]
    assert take.swept is not None
    swept = dataclasses.replace(take.swept, floors=np.full_like(take.swept.floors, np.nan))
    unknown = dataclasses.replace(take, rungs=rungs, swept=swept)
    found = find_resonances([unknown], Enclosure())
    assert found.resonances == ()
    assert "noise_not_known" in codes(found)
    assert "noise_hides_harmonics" not in codes(found)


def test_a_level_without_harmonics_hides_no_other(bench: Bench) -> None:
    one = searched(bench, EXCITED)
    bare = dataclasses.replace(one.rungs[0], harmonics={})
    fewer = dataclasses.replace(one, rungs=[bare, *one.rungs[1:]])
    facts = find_resonances([fewer], Enclosure()).resonances[0].facts
    assert facts.confidence > 0.9
    assert {point.drive_dbfs for point in facts.growth.points} == {-18.0, -10.0}


def test_hum_where_a_spike_is_heard_is_named(bench: Bench, excited: Results) -> None:
    take = searched(bench, EXCITED)
    order = max(only(excited).seen_in, key=lambda seen: seen.prominence_db).order
    found = find_resonances([take], Enclosure(), hum=[Tone(700.0 * order, -80.0)])
    assert "on_hum" in [reason.code for reason in found.resonances[0].speaks_against]
    clear = find_resonances([take], Enclosure(), hum=[Tone(50.0, -80.0)])
    assert "on_hum" not in [reason.code for reason in clear.resonances[0].speaks_against]


@pytest.fixture(scope="module")
def session(bench: Bench) -> Results:
    """On the axis nothing; close to the port a mode, at half a wavelength of the port."""
    bench.record(hear(bench, [Branch(high_pass(90), OWN, flat)]), name="axis.wav")
    bench.record(hear(bench, RADIATED), name="port.wav")
    head = "[device]\nport_mm = { length = 131, diameter = 36 }\n[conditions]\ntemperature_c = 20\n"
    return at_places(bench, {"axis": "axis", "port": "port"}, head=head)


def test_what_no_near_field_shows_is_not_listed(bench: Bench) -> None:
    """On the axis a mode; close to woofer and port nothing of it, so that the room may make it."""
    bench.record(hear(bench, RADIATED), name="axis.wav")
    bench.record(hear(bench, [Branch(high_pass(90), OWN, flat)]), name="near.wav")
    takes = {"axis": "axis", "woofer": "near", "port": "near"}
    assert at_places(bench, takes).resonances == []
    # One of them is not enough: it may come from elsewhere.
    (one,) = at_places(bench, {"axis": "axis", "woofer": "near"}).resonances
    assert one.confidence > 0.9
    assert any("missing at “woofer”" in sentence for sentence in one.speaks_against)


def test_where_a_near_field_alone_shows_it_is_said(session: Results) -> None:
    (one,) = session.resonances
    assert {p.position: p.state for p in one.positions} == {"axis": "missing", "port": "strongest"}
    assert one.confidence > 0.9
    assert any("missing at “axis”" in sentence for sentence in one.speaks_against)
    assert "strongest at “port”" in one.summary
    assert not any("one position only" in note for note in session.resonance_notes)


def test_a_cause_is_offered_with_its_frequency_and_never_as_certain(session: Results) -> None:
    """131 mm and (0.82 + 0.61)·18 mm: 343.2/(2·0.1568) = 1094 Hz."""
    (cause,) = session.resonances[0].possible_causes
    assert cause.predicted_hz == pytest.approx(1094.0, abs=1.0)
    assert "pipe mode 1" in cause.name and 0.9 < cause.match <= 1.0
    assert cause.sentence.startswith("Possibly ") and "By chance" in cause.sentence


def test_decay_at_the_position_that_shows_it(session: Results) -> None:
    decay = session.resonances[0].decay
    assert decay is not None and decay.state == "rings"
    assert decay.q == pytest.approx(25.0, rel=0.1)  # the direct sound bends the slope a little
    found = session.takes[1].decay_map
    assert found is not None and len(found.level_db) == len(found.frequency_hz)
    row = int(np.argmin(np.abs(found.frequency_hz - 1100.0)))
    beside = int(np.argmin(np.abs(found.frequency_hz - 700.0)))
    late = int(np.argmin(np.abs(found.time_s - 0.015)))
    assert found.level_db[row][late] > found.level_db[beside][late] + 10.0


def test_spikes_are_kept_with_the_take(radiated: Results) -> None:
    spikes = radiated.takes[0].spikes
    assert {spike.order for spike in spikes} >= {2, 3, None}
    loudest = [s for s in spikes if s.order == 2 and s.drive_dbfs == -10.0]
    assert any(abs(2.0 * s.frequency_hz / 1100.0 - 1.0) < 0.02 for s in loudest)


def test_results_are_written_and_read(session: Results, tmp_path: Path) -> None:
    path = tmp_path / "results.json"
    write_results(session, path)
    again = read_results(path)
    assert to_json(again) == to_json(session)
    plain = json.loads(path.read_text())["resonances"][0]
    assert set(plain) >= {
        "frequency_hz", "q", "kind", "confidence", "prominence_db", "growth_db_per_db", "seen_in",
        "agrees_with", "speaks_against", "possible_causes",
    }  # fmt: skip
    assert set(plain["seen_in"][0]) == {
        "position", "order", "excitation_hz", "drive_dbfs", "prominence_db",
    }  # fmt: skip
    assert isinstance(again.resonances[0], Resonance)
