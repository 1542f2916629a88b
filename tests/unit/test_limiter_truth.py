"""Limiters made independently, their absence, clipping and hot coils: a fixed few of each.

``tests/benchmarks/bench_limiters.py`` draws many more at random. Limits are the issue's:
threshold 0.25 dB, ratio 5 %, knee 2 dB, attack and release 15 % (attack: or 1 ms), thermal
depth 0.1 dB, threshold from a ladder 0.5 dB.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import long
from limiter_cases import (
    RATE_HZ,
    LimitedCase,
    errors,
    ladder_of,
    measure,
    measure_ladder_of,
    noisy,
    thermal_chain,
    unlimited,
)
from protected_loudspeaker import TrueLimiter, TrueLoudspeaker, limited
from staircase_bench import analysed

from distsweep.analysis.tone.time_constants import time_of_share
from distsweep.results import Staircase

SHORT: dict[str, Any] = {
    "levels_dbfs": {"from": -40, "to": -4, "step": 2},
    "hold_s": 0.3,
    "rest_s": 0.2,
    "release_s": 2.5,
    "quiet_s": 1.0,
}
LOUDSPEAKER = TrueLoudspeaker(second=0.02, third=-0.04)

CASES = {
    "2:1, wide knee": LimitedCase(
        TrueLimiter(-21.3, 2.0, 12.0, 17.0, 480.0), LOUDSPEAKER, 250.0, None, 1
    ),
    "4:1": LimitedCase(TrueLimiter(-17.6, 4.0, 6.0, 4.3, 260.0), LOUDSPEAKER, 1000.0, None, 2),
    "10:1, hard knee": LimitedCase(
        TrueLimiter(-15.1, 10.0, 0.0, 9.0, 110.0), LOUDSPEAKER, 500.0, None, 3
    ),
    "infinite, fast": LimitedCase(
        TrueLimiter(-18.9, 1e9, 6.0, 1.2, 750.0), LOUDSPEAKER, 4000.0, None, 4
    ),
    "fast attack, slow release": LimitedCase(
        # A limiter that has recovered by 2 dB only when the next burst comes.
        TrueLimiter(-15.4, 10.0, 6.0, 1.16, 700.0),
        LOUDSPEAKER,
        4000.0,
        None,
        8,
    ),
    "10:1 on the low band": LimitedCase(
        TrueLimiter(-19.2, 10.0, 6.0, 12.0, 300.0), LOUDSPEAKER, 500.0, 2500.0, 5
    ),
}


@pytest.mark.parametrize(
    "name", [long(name) if name in ("4:1", "10:1, hard knee") else name for name in CASES]
)
def test_a_limiter_is_found_with_its_numbers(tmp_path: Path, name: str) -> None:
    case = CASES[name]
    row = measure(case, tmp_path, **SHORT)
    found = errors(case, row)
    assert {"threshold", "ratio", "knee", "attack", "release"} == set(found)
    assert max(found.values()) <= 1.0, (found, row.limiter)
    assert row.limiter is not None
    assert row.limiter.kind == ("compressor" if case.limiter.ratio < 4.0 else "limiter")
    assert row.thermal is None
    assert any("odd harmonics hardly grow" in text for text in row.limiter.evidence)


def test_a_tone_above_the_limited_band_follows(tmp_path: Path) -> None:
    case = CASES["10:1 on the low band"]
    above = LimitedCase(case.limiter, case.loudspeaker, 10000.0, case.below_hz, 6)
    row = measure(above, tmp_path, **SHORT)
    assert row.limiter is not None and row.limiter.kind == "none"


def test_a_time_that_the_tone_cannot_resolve_is_not_given(tmp_path: Path) -> None:
    case = CASES["infinite, fast"]
    slow = LimitedCase(case.limiter, case.loudspeaker, 125.0, None, 7)
    row = measure(slow, tmp_path, **SHORT)
    assert row.limiter is not None
    assert row.limiter.attack_ms is None
    assert any("shorter than this tone resolves" in text for text in row.limiter.evidence)
    assert row.limiter.release_ms == pytest.approx(750.0, rel=0.15)


@pytest.mark.parametrize("seed", [1, 3, 6, *(long(seed) for seed in (2, 4, 5))])
def test_without_a_limiter_none_is_found(tmp_path: Path, seed: int) -> None:
    loudspeaker, rng = unlimited(seed), np.random.default_rng(seed)
    tone_hz = (63.0, 125.0, 500.0, 1000.0, 2000.0, 4000.0)[seed - 1]
    row = played(tmp_path, lambda x: noisy(loudspeaker, x, tone_hz, rng), tone_hz)
    assert row.limiter is not None and row.limiter.kind == "none"
    assert row.limiter.threshold_dbfs is None


def played(folder: Path, chain: Any, tone_hz: float, **more: Any) -> Staircase:
    take = analysed(folder, chain, **{**SHORT, "frequencies_hz": [tone_hz], **more}).takes[0]
    return take.staircase[0]


def test_a_drivers_own_curvature_is_no_limiter(tmp_path: Path, rng: np.random.Generator) -> None:
    """2 dB of compression that comes with all the third harmonic it implies."""
    bent = TrueLoudspeaker(third=-0.7)
    row = played(tmp_path, lambda x: noisy(bent, x, 300.0, rng), 300.0)
    assert row.gain_change_db[-1] < -1.5
    assert row.limiter is not None and row.limiter.kind == "none"
    assert any("the waveform is bent gently" in text for text in row.limiter.evidence)
    assert not any("driver" in text for text in row.limiter.evidence)


@pytest.mark.parametrize("tone_hz", [long(100.0), 500.0])
def test_a_clipped_amplifier_is_called_so(
    tmp_path: Path, rng: np.random.Generator, tone_hz: float
) -> None:
    row = played(
        tmp_path, lambda x: noisy(LOUDSPEAKER, np.clip(x, -0.3, 0.3), tone_hz, rng), tone_hz
    )
    assert row.limiter is not None and row.limiter.kind == "clipping"
    # The loudspeaker's own curvature behind it bends the losses by a tenth of a decibel.
    assert row.limiter.threshold_dbfs == pytest.approx(20.0 * np.log10(0.3), abs=0.2)
    assert row.limiter.ratio is None
    named = " ".join(row.limiter.evidence)
    assert "odd harmonics grow" in named and "crest" in named


@pytest.mark.parametrize(
    ("depth_db", "tau_s", "law", "hold_s"),
    [
        (0.5, 3.0, "coil", 12.0),
        long(1.4, 25.0, "coil", 25.0),
        (2.2, 2.0, "decibels", 10.0),
        long(3.0, 8.0, "coil", 25.0),
    ],
)
def test_a_slow_sag_is_thermal_with_its_depth(
    tmp_path: Path, rng: np.random.Generator, depth_db: float, tau_s: float, law: str, hold_s: float
) -> None:
    sag = thermal_chain(depth_db, tau_s, law=law, loudest_dbfs=-10.0)
    row = played(
        tmp_path,
        lambda x: noisy(LOUDSPEAKER, sag(x), 500.0, rng, loudest_dbfs=-10.0),
        500.0,
        levels_dbfs=[-40, -10],
        hold_s=hold_s,
        rest_s=0.5,
        release_s=3.0,
    )
    assert row.limiter is not None and row.limiter.kind == "thermal"
    assert row.thermal is not None
    assert row.thermal.depth_db == pytest.approx(depth_db, abs=0.1)
    assert row.thermal.time_constant_s == pytest.approx(tau_s, rel=0.1)
    assert row.thermal.estimate is True
    # Copper, at constant voltage: 20·log10(1 + 0.00393·ΔT).
    rise_k = (10.0 ** (row.thermal.depth_db / 20.0) - 1.0) / 0.00393
    assert row.thermal.temperature_rise_k == pytest.approx(rise_k, rel=1e-3)


def test_a_warm_coil_behind_a_limiter_is_taken_out(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    limiter = TrueLimiter(-14.0, 8.0, 4.0, 5.0, 200.0)
    sag = thermal_chain(1.5, 6.0, law="coil", loudest_dbfs=-12.0)
    row = played(
        tmp_path,
        lambda x: noisy(LOUDSPEAKER, sag(limited(x, RATE_HZ, limiter)), 500.0, rng),
        500.0,
        hold_s=0.6,
        release_s=3.0,
    )
    assert row.limiter is not None and row.limiter.kind == "limiter"
    assert row.limiter.threshold_dbfs == pytest.approx(-14.0, abs=0.25)
    assert row.limiter.ratio == pytest.approx(8.0, rel=0.05)
    assert row.limiter.release_ms == pytest.approx(200.0, rel=0.15)
    assert row.thermal is not None
    # Half a second a burst shows a tenth of it at a time.
    assert row.thermal.depth_db == pytest.approx(1.5, abs=0.2)


def test_a_rattle_is_found_from_its_drive_on(tmp_path: Path, rng: np.random.Generator) -> None:
    def chain(waveform: np.ndarray) -> np.ndarray:
        heard = LOUDSPEAKER.play(waveform, RATE_HZ)
        hit = (waveform[1:] > 0.25) & (waveform[:-1] <= 0.25)  # from −12 dBFS on
        heard[1:][hit] += rng.normal(0.0, 0.03, int(np.sum(hit)))
        return heard + rng.normal(0.0, 1e-4, len(heard))

    take = analysed(tmp_path, chain, **{**SHORT, "frequencies_hz": [100.0]}).takes[0]
    (onset,) = take.high_order_onset
    assert (onset.frequency_hz, onset.drive_dbfs) == (100.0, -10.0 - 2.0)
    assert onset.crest_db is not None and onset.crest_db > 15.0
    assert take.staircase[0].limiter is not None
    assert take.staircase[0].limiter.kind == "none"


@pytest.mark.parametrize("below_hz", [long(None), 1500.0])
def test_a_ladder_tells_threshold_and_band(tmp_path: Path, below_hz: float | None) -> None:
    limiter = TrueLimiter(-19.4, 8.0, 6.0, 5.0, 200.0)
    case = LimitedCase(limiter, LOUDSPEAKER, 500.0, below_hz, 11)
    take = measure_ladder_of(case, tmp_path, sweep_s=2.5, pause_s=0.6)
    found = take.limiters[0]
    assert found is not None and found.kind == "limiter"
    assert found.threshold_dbfs == pytest.approx(-19.4, abs=0.5)
    assert found.band_hz is not None
    low_hz, high_hz = found.band_hz
    assert low_hz < 60.0
    if below_hz is None:
        assert high_hz > 8000.0
    else:
        # At 0.4 of the crossover the other branch, not limited, has 2.5 % of the amplitude, and
        # adds 1 dB to what 13.5 dB of limiting leave: from there on the curve is another.
        assert 0.3 * below_hz < high_hz < 0.6 * below_hz
        (said,) = [text for text in found.evidence if "the rest changes by" in text]
        half_hz = float(said.split("half of it is left at ")[1].split(" Hz")[0])
        assert 0.6 * below_hz < half_hz < 1.3 * below_hz
        treble = take.frequency_hz > 5000.0
        assert take.compression is not None
        assert np.nanmedian(take.compression.gain_change_db[-1][treble]) > -0.2


def test_a_ladder_without_a_limiter(tmp_path: Path) -> None:
    loudspeaker = unlimited(21)
    take = ladder_of(lambda x: loudspeaker.play(x, RATE_HZ), tmp_path, 21, sweep_s=2.5, pause_s=0.6)
    assert [one.kind for one in take.limiters] == ["none"]


def test_a_gain_that_recovers_by_so_many_decibels_a_second_is_timed_by_itself() -> None:
    """As after a peak detector: 8 dB come back in a straight line over 0.4 s, and then nothing."""
    time_s = np.arange(0.01, 3.0, 0.005)
    gain_db = -8.0 * np.maximum(1.0 - time_s / 0.4, 0.0)
    found = time_of_share(time_s, gain_db, start_db=-8.0, end_db=0.0)
    assert found == pytest.approx(0.4 * (1.0 - np.exp(-1.0)), abs=0.003)
    # Reverberation over the first 50 ms changes nothing; noise like what is left tells nothing.
    assert time_of_share(
        time_s, gain_db + 20.0 * (time_s < 0.05), start_db=-8.0, end_db=0.0
    ) == pytest.approx(found, abs=1e-9)
    noise_db = np.where(np.arange(len(time_s)) % 2, 1.0, -1.0)
    assert time_of_share(time_s, gain_db + noise_db, start_db=-8.0, end_db=0.0) is None
    exponential = -8.0 * np.exp(-time_s / 0.2)
    assert time_of_share(time_s, exponential, start_db=-8.0, end_db=0.0) == pytest.approx(
        0.2, rel=0.02
    )
