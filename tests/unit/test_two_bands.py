"""Two bands with a limiter each, from recordings to the page; ladder and staircase held together.

``tests/benchmarks/bench_two_bands.py`` draws many at random.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from protected_loudspeaker import TrueLimiter, TrueLoudspeaker
from staircase_bench import analysed
from two_band_cases import (
    RATE_HZ,
    TwoBands,
    ladder_recipe,
    measure_session,
    staircase_recipe,
)

from distsweep.report.content import (
    Block,
    Paragraph,
    Picture,
    Points,
    Section,
    Table,
    every_block,
)
from distsweep.report.limits.input_output import input_output, picture
from distsweep.report.limits.limiter_words import limiter_words
from distsweep.report.limits.section import ladder_blocks
from distsweep.report.limits.section import staircase as staircase_section
from distsweep.report.limits.sentences import ladder_sentences, staircase_sentences
from distsweep.report.sections import all_sections
from distsweep.report.summary import summary_sentences
from distsweep.results import Limiter, Results, Take, read_results, write_results

SHORT_LADDER: dict[str, Any] = {
    "band_hz": [40, 16000], "sweep_s": 1.5, "quiet_s": 1.0, "pause_s": 0.5,
}  # fmt: skip
SHORT_STEPS: dict[str, Any] = {
    "levels_dbfs": [-40, -25, -19, -16, -13, -10, -7, -4], "hold_s": 0.25, "rest_s": 0.15,
    "release_s": 0.3, "quiet_s": 1.0,
}  # fmt: skip
PROTECTED = TwoBands(
    crossover_hz=700.0,
    low=TrueLimiter(-16.6, 8.0, 2.0, 4.0, 120.0),
    high=TrueLimiter(-14.0, 8.0, 2.0, 2.0, 100.0),
    loudspeaker=TrueLoudspeaker(),
    step_db=6.0,
    tones_hz=(100.0, 4000.0),
    seed=1,
)


def plain(sentences: list[str]) -> str:
    return " ".join(sentences).replace("\N{NO-BREAK SPACE}", " ")


def said(results: Results) -> str:
    return plain([text for take in results.takes for text in summary_sentences(results, take)])


def written(sections: Sequence[Section]) -> Iterator[str]:
    """Every sentence, caption and column's name of a page's sections."""
    for block in every_block(sections):
        if isinstance(block, Points):
            yield from block.sentences
        elif isinstance(block, Table):
            yield from (block.caption, *block.columns)


@pytest.fixture(scope="module")
def two_bands(tmp_path_factory: pytest.TempPathFactory) -> Results:
    return measure_session(
        tmp_path_factory.mktemp("bands"),
        [
            (ladder_recipe(6.0, **SHORT_LADDER), PROTECTED.play),
            (staircase_recipe((100.0, 700.0, 4000.0), **SHORT_STEPS), PROTECTED.play),
        ],
        noise_rms=3e-4,
    )


def test_each_band_is_a_limiter_with_its_own_threshold(two_bands: Results) -> None:
    low, high = two_bands.take(kind="ladder").limiters
    for found, threshold_dbfs in ((low, -16.6), (high, -14.0)):
        assert found.kind == "limiter"
        assert found.threshold_dbfs == pytest.approx(threshold_dbfs, abs=0.3)
        assert found.threshold_low_dbfs is not None and found.threshold_high_dbfs is not None
        # What is known to some tenths holds the truth between its ends, give or take a tenth.
        assert found.threshold_low_dbfs - 0.1 < threshold_dbfs < found.threshold_high_dbfs + 0.1
        assert found.ratio == pytest.approx(8.0, rel=0.15)
    assert low.band_hz is not None and high.band_hz is not None
    assert low.band_hz[0] < 60.0 and high.band_hz[1] > 12000.0
    assert low.band_hz[1] < 700.0 < high.band_hz[0]


def test_the_fit_is_told_over_all_that_a_band_claims(two_bands: Results) -> None:
    ladder = two_bands.take(kind="ladder")
    assert ladder.compression is not None
    for found in ladder.limiters:
        assert found.band_hz is not None and found.fit_rms_db is not None
        assert found.threshold_dbfs is not None and found.ratio is not None
        claimed = (ladder.frequency_hz >= found.band_hz[0]) & (
            ladder.frequency_hz <= found.band_hz[1]
        )
        drives = np.array([rung.drive_dbfs for rung in ladder.rungs])
        true = TrueLimiter(found.threshold_dbfs, found.ratio, found.knee_db or 0.0, 1.0, 1.0)
        curve = true.static_gain_db(drives)[:, None]
        change = np.array(ladder.compression.gain_change_db)[:, claimed]
        missed = float(np.sqrt(np.nanmean((change - curve) ** 2)))
        # Told of smoothed gain changes, which miss a little less than these.
        assert 0.6 * missed < found.fit_rms_db <= missed + 0.02


def test_ladder_and_staircase_are_held_together_on_the_page(
    two_bands: Results, tmp_path: Path
) -> None:
    states = {item.frequency_hz: item for item in two_bands.limiter_agreement}
    assert states[100.0].state == states[4000.0].state == "agree"
    assert (states[700.0].state, states[700.0].reason) == ("not compared", "blend")
    text = said(two_bands)
    assert "What the staircase finds at 700 Hz" in text
    assert "At 100 Hz the staircase" not in text
    words = list(written(all_sections(two_bands)))
    assert any("What holds back each tone, by staircase and by ladder" in text for text in words)
    assert {"Threshold, dBFS", "Falling minus rising", "Ladder, dB"} <= set(words)
    low, high = two_bands.take(kind="ladder").limiters
    assert low.band_hz is not None and high.band_hz is not None
    # The evidence is headed by its band, and each band has its own panel.
    head = f"{high.band_hz[0] / 1000:.3g}\N{NO-BREAK SPACE}kHz to"
    assert any(text.startswith(head) for text in words)
    panels = input_output(two_bands.take(kind="ladder"))
    assert len(panels) == 2 and all(panel.fitted_dbfs is not None for panel in panels)
    # Bursts, and rings for the way down, are a staircase's.
    ladders, stairs = (
        picture(two_bands.take(kind=kind), "x").misleads for kind in ("ladder", "staircase")
    )
    assert "bursts" in stairs and "Rings" in stairs
    assert "bursts" not in ladders and "Rings" not in ladders
    write_results(two_bands, tmp_path / "results.json")
    assert read_results(tmp_path / "results.json").limiter_agreement[0].state == "agree"


def test_a_contradiction_is_said_in_one_plain_sentence(tmp_path: Path) -> None:
    """The protection was off while the ladder was played."""
    bare = dataclasses.replace(PROTECTED, low=None, high=None)
    results = measure_session(
        tmp_path,
        [
            (ladder_recipe(12.0, **SHORT_LADDER), bare.play),
            (staircase_recipe((4000.0,), **SHORT_STEPS), PROTECTED.play),
        ],
        noise_rms=3e-4,
    )
    (found,) = results.limiter_agreement
    assert (found.state, found.reason) == ("differ", "staircase only")
    text = said(results)
    assert "At 4 kHz the staircase finds a limiter with a threshold of −14.0 dBFS" in text
    assert text.count("the ladder shows none there") == 1


def test_where_only_bounds_are_known_every_word_says_so(tmp_path: Path) -> None:
    """Two rungs reach over the threshold, one of them into a knee: which, cannot be told."""
    limiter = TrueLimiter(-11.5, 4.0, 8.0, 3.0, 100.0)
    case = dataclasses.replace(PROTECTED, crossover_hz=None, low=limiter, high=None)
    results = measure_session(
        tmp_path, [(ladder_recipe(6.0, **SHORT_LADDER), case.play)], noise_rms=3e-4
    )
    (take,) = results.takes
    (found,) = take.limiters
    assert found.kind == "limiting"
    assert found.threshold_dbfs is None and found.ratio is None and found.knee_db is None
    low, high = found.threshold_low_dbfs, found.threshold_high_dbfs
    assert low is not None and high is not None and low <= -11.5 <= high and high - low <= 6.0
    assert found.ratio_low is not None and 2.0 < found.ratio_low <= 4.0
    sentences = plain(ladder_sentences(take))
    assert f"a threshold between −{-low:.1f} and −{-high:.1f} dBFS" in sentences
    assert f"a ratio of at least {found.ratio_low:.1f}:1" in sentences
    figure = limiter_words(found)
    assert figure.startswith(f"limiting ≥ {found.ratio_low:.1f}:1\n−{-low:.1f} to")
    for words in (sentences, figure, *found.evidence):
        assert "compressor" not in words and "A limiter" not in words
    (panel,) = input_output(take)
    assert panel.fitted_dbfs is None


SOFT = {"levels_dbfs": [-40, -20, -16, -12, -8, -4], "hold_s": 0.25, "rest_s": 0.1,
        "release_s": 0.3, "quiet_s": 1.0}  # fmt: skip


def test_an_electronic_soft_clipper_is_not_laid_to_the_driver(tmp_path: Path) -> None:
    """All tones bend at one drive: that is said, and what it points to."""
    loudspeaker = TrueLoudspeaker(second=0.0, third=0.0)

    def clipper(waveform: np.ndarray) -> np.ndarray:
        return loudspeaker.play(0.6 * np.tanh(waveform / 0.6), RATE_HZ)

    (take,) = analysed(tmp_path, clipper, frequencies_hz=[100, 400, 4000], **SOFT).takes
    for row in take.staircase:
        assert row.limiter is not None and row.limiter.kind == "none"
        evidence = " ".join(row.limiter.evidence)
        assert "the waveform is bent gently" in evidence
        assert "bent at the same drive at 3 tones from 100 to 4000 Hz" in evidence
        assert "points to electronics before the drivers" in evidence
        assert "driver's own" not in evidence and "protection" not in evidence
    assert "found a gently bent waveform at 100 Hz" in plain(staircase_sentences(take))


def test_tones_that_bend_at_different_drives_are_told_so(tmp_path: Path) -> None:
    """A woofer whose curve follows its excursion, 12 dB an octave less of it from 200 Hz on."""

    def chain(waveform: np.ndarray) -> np.ndarray:
        falling = 1.0 / (1.0 + (np.fft.rfftfreq(len(waveform), 1.0 / RATE_HZ) / 200.0) ** 2)
        moved = np.fft.irfft(np.fft.rfft(waveform) * falling, len(waveform))
        bent = np.fft.irfft(np.fft.rfft(0.9 * moved**3) / falling, len(waveform))
        return waveform - bent

    (take,) = analysed(tmp_path / "two", chain, frequencies_hz=[60, 130], **SOFT).takes
    for row in take.staircase:
        assert row.limiter is not None
        assert any("bent at drives that differ with frequency" in t for t in row.limiter.evidence)
    (take,) = analysed(tmp_path / "one", chain, frequencies_hz=[60, 400], **SOFT).takes
    bent, straight = take.staircase
    assert bent.limiter is not None and straight.limiter is not None
    assert any("acts on a part of the band" in text for text in bent.limiter.evidence)
    assert not any("part of the band" in text for text in straight.limiter.evidence)


def assert_no_map(blocks: Sequence[Block]) -> None:
    assert not any(isinstance(b, Picture) and b.name == "axis-gain-map" for b in blocks)
    said_instead = "The map of gain change is left out: no gain falls by 0.5 dB or more."
    assert Paragraph(said_instead) in blocks


def test_gains_that_rise_are_stated_as_the_table_has_them(tmp_path: Path) -> None:
    """A loudspeaker that plays louder than in proportion: no "0.00 dB" beside it, and no map."""
    loudspeaker = TrueLoudspeaker(second=0.0, third=0.08)
    results = analysed(
        tmp_path, lambda x: loudspeaker.play(x, RATE_HZ), frequencies_hz=[500], **SOFT
    )
    (take,) = results.takes
    (row,) = take.staircase
    assert row.limiter is not None
    top = f"{row.gain_change_db[-1]:.2f}"
    assert float(top) > 0.1
    assert f"0.00 to {top} dB" in row.limiter.evidence[0]
    assert "no more than" not in row.limiter.evidence[0]
    section = staircase_section(results, take, "axis")
    assert section is not None
    heading = "Gain change at the highest drive"
    tables = [block for block in section.blocks if isinstance(block, Table)]
    (table,) = [one for one in tables if heading in one.columns]
    column = table.columns.index(heading)
    assert table.rows[0][column].text.replace("\N{NO-BREAK SPACE}", " ") == f"{top} dB"
    assert_no_map(section.blocks)


def test_a_ladder_without_loss_has_no_map_and_says_where_most_is_lost(tmp_path: Path) -> None:
    bare = dataclasses.replace(PROTECTED, low=None, high=None)
    results = measure_session(
        tmp_path, [(ladder_recipe(18.0, **SHORT_LADDER), bare.play)], noise_rms=3e-5
    )
    (take,) = results.takes
    (found,) = take.limiters
    assert found.kind == "none" and found.evidence[0].startswith("no third of an octave loses")
    assert_no_map(ladder_blocks(take, "axis"))


@pytest.mark.parametrize("kind", ["limiter", "compressor", "limiting"])
def test_files_of_earlier_versions_have_no_bounds_and_still_read_well(kind: str) -> None:
    old = Limiter(kind, evidence=["the gain falls by 3.90 dB"], band_hz=[20.0, 900.0])
    take: Take = dataclasses.replace(_sample(), limiters=[old])
    text = plain(ladder_sentences(take)[:1])
    assert "20 Hz to 900 Hz" in text and "None" not in text and "∞" not in text


def _sample() -> Take:
    from report_samples import sample_take

    return sample_take()
