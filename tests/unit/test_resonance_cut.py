"""What the fundamental hides: modes that an equaliser takes off it, what raises it by itself."""

from __future__ import annotations

import pytest
from closed_form import Branch, cascade, flat, high_pass, peak
from conftest import Bench, long
from resonating import EXCITED, OWN, at_places, hear, only, three_rungs

from distsweep.results import Results


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return three_rungs(tmp_path_factory.mktemp("cut"))


@pytest.mark.parametrize(("q", "lift_db"), [long(25.0, 10.0), (12.0, 8.0)])
@pytest.mark.parametrize("taken_off", [0.7, 1.0])
def test_a_mode_that_an_equaliser_takes_off_the_response_still_radiates(
    bench: Bench, q: float, lift_db: float, taken_off: float
) -> None:
    """What is made behind the equaliser is lifted by the mode all the same. Each product stands
    where one could be set off, alone."""
    mode, cut = peak(1100.0, q, lift_db), peak(1100.0, q, taken_off * lift_db)
    before = cascade(high_pass(90), lambda f: 1.0 / cut(f))
    one = only(bench.analyse(hear(bench, [Branch(before, OWN, mode)]), name="flat.wav"))
    assert one.kind == "radiated"
    assert one.frequency_hz == pytest.approx(1100.0, rel=0.01)
    assert one.q == pytest.approx(q, rel=0.2)
    assert any("takes a mode off" in sentence for sentence in one.agrees_with)


def test_what_one_order_cannot_tell_is_not_called(bench: Bench) -> None:
    """A mode taken off the response, of a loudspeaker that makes a second harmonic only."""
    mode = peak(1100.0, 25.0, 10.0)
    before = cascade(high_pass(90), lambda f: 1.0 / mode(f))
    branches = [Branch(before, (1.0, 0.02), mode)]
    found = bench.analyse(hear(bench, branches), name="second.wav").resonances
    assert all(one.confidence <= 0.5 for one in found)
    # Where the third harmonic could tell, it does.
    lone = [Branch(high_pass(90), OWN, flat), Branch(EXCITED[1].pre, (0.0, 0.2), flat)]
    one = only(bench.analyse(hear(bench, lone), name="lone.wav"))
    assert one.kind == "excited"
    assert any("Only the 2nd harmonic shows it" in sentence for sentence in one.speaks_against)


@pytest.mark.parametrize(("bump_hz", "q", "bump_db"), [(1020.0, 10.0, 4.0)])
def test_a_pole_of_the_equaliser_s_beside_a_mode_that_it_takes_off_is_not_the_mode_s(
    bench: Bench, bump_hz: float, q: float, bump_db: float
) -> None:
    mode, bump = peak(1100.0, 25.0, 10.0), peak(bump_hz, q, bump_db)
    before = cascade(high_pass(90), lambda f: bump(f) / mode(f))
    one = only(bench.analyse(hear(bench, [Branch(before, OWN, mode)])))
    assert one.kind == "radiated"
    assert one.frequency_hz == pytest.approx(1100.0, rel=0.01)


def test_a_product_made_elsewhere_may_lessen_what_a_mode_lifts(bench: Bench) -> None:
    """The second harmonic is lifted less than the third, which is still the mode's."""
    mode = peak(1100.0, 25.0, 16.0)
    before = cascade(high_pass(90), lambda f: 1.0 / mode(f))
    branches = [Branch(before, OWN, mode), Branch(high_pass(90), (0.0, 0.15), flat)]
    one = only(bench.analyse(hear(bench, branches)))
    assert one.kind == "radiated"
    assert one.frequency_hz == pytest.approx(1100.0, rel=0.01)


@pytest.mark.parametrize("bump_hz", [long(500.0), 800.0])
def test_a_bump_of_the_drive_that_the_fundamental_hides_is_no_resonance(
    bench: Bench, bump_hz: float
) -> None:
    """Behind the curvature a dip takes most of it off; each product is raised by its order."""
    dip = peak(bump_hz, 10.0, 3.0)
    before = cascade(high_pass(90), peak(bump_hz, 10.0, 4.0))
    results = bench.analyse(hear(bench, [Branch(before, (*OWN, 0.02), lambda f: 1.0 / dip(f))]))
    assert [r for r in results.resonances if r.confidence >= 0.5] == []


def test_what_raises_the_fundamental_itself_is_no_equaliser(bench: Bench) -> None:
    """A cube raises the fundamental, too: by 4 dB at the loudest level, not at the quietest."""
    branches = [Branch(high_pass(90), OWN, flat), Branch(EXCITED[1].pre, (0.0, 0.2, 16.0), flat)]
    one = only(bench.analyse(hear(bench, branches)))
    assert one.kind == "excited" and one.fundamental_bump_db == pytest.approx(4.0, abs=0.5)
    assert not any("equaliser" in sentence for sentence in one.speaks_against)


@pytest.fixture(scope="module")
def session(bench: Bench) -> Results:
    """A mode at 1100 Hz, taken off the response, heard at two of five positions; of it, 1 dB is
    left at the port. At the wall the second harmonic alone is raised there, by an equaliser."""
    mode = peak(1100.0, 25.0, 10.0)
    drive = cascade(high_pass(90), lambda f: 1.0 / mode(f))
    lone = [
        Branch(high_pass(90), OWN, flat),
        Branch(cascade(high_pass(90), peak(550.0, 25.0, 10.0)), (0.0, 0.05), flat),
    ]
    takes = {
        "axis": [Branch(drive, OWN, mode)],
        "port": [Branch(drive, (2.0, 0.04, 0.04), peak(1100.0, 25.0, 11.0))],
        "woofer": [Branch(high_pass(90), OWN, flat)],
        "wall": lone,
        "far": [Branch(drive, OWN, mode)],
    }
    for name, branches in takes.items():
        noise = 1e-2 if name == "far" else 5e-7
        bench.record(hear(bench, branches, noise=noise), name=f"{name}.wav")
    return at_places(bench, {name: name for name in takes})


def test_where_no_bump_shows_it_no_position_is_called_the_strongest(session: Results) -> None:
    one = session.resonances[0]
    assert one.kind == "radiated"
    states = {at.position: at.state for at in one.positions}
    assert states == {
        "axis": "present", "port": "present", "woofer": "cannot_tell", "wall": "cannot_tell",
        "far": "cannot_tell",
    }  # fmt: skip
    assert "Where it is strongest cannot be told" in one.summary
