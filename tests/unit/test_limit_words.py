"""Words on limiters and staircases: their sentences, and what the results keep of the reasons."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from report_samples import sample_results, sample_take

from distsweep.analysis.limits.limiter_kind import FoundLimiter
from distsweep.conversion.limits import limiter_record
from distsweep.reason import Reason
from distsweep.report.limits.sentences import ladder_sentences
from distsweep.results import Limiter, read_results, to_json
from distsweep.words.limits import limiter_sentence


@pytest.mark.parametrize(
    ("reason", "sentence"),
    [
        (
            Reason("static_curve_fits", threshold_dbfs=-20.04, ratio=None, knee_db=3.0,
                   fit_rms_db=0.02),
            "above −20.0 dBFS a ratio of infinite (20 or more) with a knee of 3.0 dB fits within"
            " 0.02 dB",
        ),
        (
            Reason("gain_hardly_falls", lowest_db=-0.31, highest_db=-0.001, onset_db=0.5),
            "the gain changes by −0.31 to 0.00 dB on the way up: it falls by less than 0.5 dB",
        ),
        (
            Reason("gain_hardly_falls", lowest_db=-0.31, highest_db=-0.001, within_db=0.2,
                   onset_db=0.5),
            "the gain changes by −0.3 to 0.0 dB on the way up: it falls by less than 0.5 dB",
        ),
        (
            Reason("gain_falls_wave_whole", loss_db=6.104, within_db=0.03, odd_share=0.01),
            "the gain falls by 6.10 dB while odd harmonics hardly grow (0.01 of the share lost; a"
            " bent wave shows 0.3 or more)",
        ),
        (
            Reason("gain_falls_wave_bent", loss_db=6.104, within_db=0.7, odd_share=0.5),
            "the gain falls by about 6 dB and odd harmonics grow with it (0.50 of the share lost; a"
            " bent wave shows 0.3 to 1.4, a limiter far less)",
        ),
        (
            Reason("no_onset", loss_db=0.31, within_db=0.1, at_hz=63.0, onset_db=0.5),
            "no third of an octave loses 0.5 dB of gain or more: the most is 0.3 dB, around 63 Hz",
        ),
        (
            Reason("with_sag_taken_out", of="gain_hardly_falls", lowest_db=0.0, highest_db=0.0,
                   onset_db=0.5),
            "with the sag taken out, the gain changes by 0.00 dB on the way up: it falls by less"
            " than 0.5 dB",
        ),
        (
            Reason("bands_fall", low_hz=[30.0], high_hz=[900.0], loss_db=[6.0],
                   half_left_below_hz=[float("nan")], half_left_above_hz=[1100.0],
                   covers_all=False, rest_change_db=-0.02),
            "the gain falls from 30 to 900 Hz together, by 6.0 dB (half of it is left at 1100 Hz)"
            " at the highest drive; the rest changes by 0.0 dB in the median",
        ),
    ],
    ids=lambda value: value.code if isinstance(value, Reason) else "",
)  # fmt: skip
def test_numbers_are_written_in_one_style(reason: Reason, sentence: str) -> None:
    assert limiter_sentence(reason) == sentence


def test_a_limiter_keeps_its_reasons_in_the_file(tmp_path: Path) -> None:
    reasons = (
        Reason("gain_falls_wave_whole", loss_db=4.5, odd_share=0.01),
        Reason("bands_fall", low_hz=[30.0], high_hz=[900.0], loss_db=[6.0],
               half_left_below_hz=[float("nan")], half_left_above_hz=[1100.0],
               covers_all=False, rest_change_db=None),
    )  # fmt: skip
    limiter = limiter_record(FoundLimiter("limiting", ratio_low=2.0, reasons=reasons))
    take = dataclasses.replace(sample_take(), limiters=[limiter])
    path = tmp_path / "results.json"
    path.write_text(to_json(sample_results(take)), encoding="utf-8")
    (kept,) = read_results(path).takes[0].limiters
    assert kept.evidence == limiter.evidence and len(kept.evidence) == 2
    assert [one.code for one in kept.reasons] == [one.code for one in reasons]
    assert kept.reasons[0].values == {"loss_db": 4.5, "odd_share": 0.01}
    assert kept.reasons[1].values["half_left_below_hz"] == [None]
    assert kept.ratio_low == 2.0


def test_why_no_limiter_shows_is_asked_for_by_its_code() -> None:
    found = FoundLimiter(
        "none", reasons=(Reason("no_onset", loss_db=0.31, at_hz=63.0, onset_db=0.5),)
    )
    recorded = limiter_record(found)
    before = Limiter("none", evidence=recorded.evidence)  # as files of before hold it
    said = [
        ladder_sentences(dataclasses.replace(sample_take(), limiters=[one]))[0]
        for one in (recorded, before, Limiter("none"))
    ]
    why = "no third of an octave loses 0.5 dB of gain or more: the most is 0.31 dB, around 63 Hz"
    assert said[0].startswith(f"No limiter shows in the ladder: {why}.")
    assert said[1] == said[0]
    assert said[2].startswith("No limiter shows in the ladder.")
