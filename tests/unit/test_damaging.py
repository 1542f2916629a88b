"""What damages recordings on purpose does what it says, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from damaging import KINDS, Scene, Span, between, drawn, lost, resampled_at

RATE_HZ = 48000
SPANS = (Span(0, 10000, 30000), Span(1, 35000, 55000))


def recording() -> tuple[np.ndarray, Scene]:
    """Two tones, the second twice as loud, in noise."""
    rng = np.random.default_rng(1)
    heard = 1e-4 * rng.standard_normal(65000)
    time_s = np.arange(20000) / RATE_HZ
    for span in SPANS:
        heard[span.first : span.end] += 0.1 * (span.row + 1) * np.sin(2e3 * np.pi * time_s)
    return heard, Scene(RATE_HZ, SPANS, 0.2 / np.sqrt(2.0), 1e-4)


@pytest.mark.parametrize("kind", KINDS)
def test_only_the_account_s_stretch_is_touched(kind: str) -> None:
    heard, scene = recording()
    for seed in range(4):
        out, done = KINDS[kind](heard, scene, np.random.default_rng(seed))
        assert done.kind == kind
        assert np.all(np.isfinite(out))
        assert len(out) == len(heard) + done.moved_samples
        first = round(done.start_s * RATE_HZ)
        end = round(done.end_s * RATE_HZ)
        assert 0 <= first <= end <= len(out)
        if done.sort != "filtered" and kind not in ("automatic_gain", "clock"):
            within = 2.0 * 2.0**-16 if done.sort == "dithered" else 0.0
            assert np.max(np.abs(out[:first] - heard[:first]), initial=0.0) <= within
        if kind in ("click", "knock", "noise", "muted", "repeated", "lost"):
            assert np.array_equal(out[end:], heard[end - done.moved_samples :])
            if len(out) == len(heard):
                assert not np.array_equal(out[first:end], heard[first:end])
        assert done.rows == scene.rows(first, max(end, first + 1)) or kind == "clipped"
        assert done.text()


def test_a_lost_block_is_where_the_account_says() -> None:
    heard, scene = recording()
    out, done = lost(heard, scene, np.random.default_rng(0), length=64, first=40000)
    assert (done.samples, done.moved_samples, done.rows) == (64, -64, (1,))
    assert np.array_equal(out, np.delete(heard, np.arange(40000, 40064)))


def test_sizes_reach_over_their_whole_range() -> None:
    rng = np.random.default_rng(2)
    sizes = [between(rng, 0.1, 10.0) for _ in range(400)]
    assert min(sizes) < 0.12 and max(sizes) > 8.0
    assert abs(np.median(np.log10(sizes))) < 0.2


def test_a_gain_that_acts_by_itself_turns_the_louder_sweep_down_further() -> None:
    heard, scene = recording()
    out, done = KINDS["automatic_gain"](heard, scene, np.random.default_rng(5))
    gains = [np.std(out[s.first : s.end]) / np.std(heard[s.first : s.end]) for s in SPANS]
    assert done.gains[0] <= gains[1] < gains[0] <= 1.0


def test_between_samples_a_tone_is_what_it_is() -> None:
    place = np.arange(500, 1500) + 0.37
    for frequency_hz in (100.0, 5000.0, 20000.0):
        turn = 2.0 * np.pi * frequency_hz / RATE_HZ
        read = resampled_at(np.sin(turn * np.arange(2000)), place)
        assert np.allclose(read, np.sin(turn * place), atol=1e-5)


def test_every_kind_has_its_turn() -> None:
    heard, scene = recording()
    kinds = {
        drawn(heard, scene, np.random.default_rng(n), kind="", number=n)[1].kind for n in range(22)
    }
    assert kinds == set(KINDS)
