"""Whether two bands' limiters are told apart, and whether ladder and staircase contradict.

Run ``python tests/benchmarks/bench_two_bands.py [FIRST_SEED [DRAWS]]``. Crossovers lie between 200
and 2500 Hz, thresholds 2 to 6 dB apart, ladders step by 3 or 6 dB. A threshold counts where it is
stated within 0.3 dB, or bracketed by one step of the ladder at most. As many more draws, divided
among them, have one limiter over the whole band, one in one band alone, or none.

What contradicts is looked for in the numbers of both results, tone by tone; only then is the
page's summary searched for a sentence that names the tone, the ladder and the staircase.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from protected_loudspeaker import TrueLimiter
from two_band_cases import ACTS, TwoBands, measure_both, random_two_bands, threshold_bounds

from distsweep.report.summary import summary_sentences
from distsweep.results import Limiter, Results, Take
from distsweep.words import wording

KNOWN_DB = 0.3
OTHERS = ("whole", "low", "high", "none")


def found_wrong(case: TwoBands, take: Take) -> list[str]:
    """Return what a ladder says wrongly of a draw: number of bands, places, thresholds."""
    truth = [limiter for limiter in (case.low, case.high) if limiter is not None]
    acting = [one for one in take.limiters if one.kind != "none"]
    if len(acting) != len(truth):
        return [f"{len(acting)} limiters for {len(truth)}"]
    wrong = []
    for one, limiter in zip(acting, truth, strict=True):
        wrong += _misplaced(case, one, limiter)
        wrong += _wrong_numbers(case, one, limiter)
    if not truth and [one.kind for one in take.limiters] != ["none"]:
        wrong.append("nothing is said")
    return wrong


def _misplaced(case: TwoBands, one: Limiter, true: TrueLimiter) -> list[str]:
    assert one.band_hz is not None
    low_hz, high_hz = one.band_hz
    if case.crossover_hz is None:
        return [] if low_hz < 60.0 and high_hz > 15000.0 else [f"band {one.band_hz}"]
    inside = high_hz < case.crossover_hz if true is case.low else low_hz > case.crossover_hz
    return [] if inside else [f"band {one.band_hz} across {case.crossover_hz:.0f} Hz"]


def _wrong_numbers(case: TwoBands, one: Limiter, true: TrueLimiter) -> list[str]:
    wrong = []
    low, high = threshold_bounds(one)
    if not low <= true.threshold_dbfs <= high:
        wrong.append(f"threshold {true.threshold_dbfs:.2f} outside {low:.2f} to {high:.2f}")
    if one.threshold_dbfs is None and high - low > case.step_db:
        wrong.append(f"bracket of {high - low:.1f} dB with steps of {case.step_db:g}")
    named = "limiter" if true.ratio >= 4.0 else "compressor"
    at_the_border = 0.95 <= true.ratio / 4.0 <= 1.05  # a ratio is good for 5 %
    if one.kind not in {"limiting", named} and not at_the_border:
        wrong.append(f"kind {one.kind} for a ratio of {true.ratio:g}")
    if one.ratio_low is not None and one.ratio_low > 1.05 * true.ratio:
        wrong.append(f"ratio of at least {one.ratio_low:.1f} for {true.ratio:g}")
    return wrong


def contradictions(results: Results) -> list[float]:
    """Return the tones at which the two results say different things, in their own numbers."""
    ladder, staircase = results.take(kind="ladder"), results.take(kind="staircase")
    found = []
    for row in staircase.staircase:
        assert row.limiter is not None
        there = [
            one
            for one in ladder.limiters
            if one.band_hz is not None and one.band_hz[0] <= row.frequency_hz <= one.band_hz[1]
        ]
        acts, acts_there = row.limiter.kind in ACTS, bool(there)
        if acts != acts_there or (acts and _apart(row.limiter, there[0])):
            found.append(row.frequency_hz)
    return found


def _apart(one: Limiter, other: Limiter) -> bool:
    if {one.kind, other.kind} == {"limiter", "compressor"} or (
        "clipping" in (one.kind, other.kind) and one.kind != other.kind
    ):
        return True
    (low, high), (other_low, other_high) = threshold_bounds(one), threshold_bounds(other)
    return low > other_high or other_low > high


def unsaid(results: Results) -> list[float]:
    """Return the tones of a contradiction that no sentence of a summary names."""
    said = [text for take in results.takes for text in summary_sentences(results, take)]
    both = [text for text in said if "staircase finds" in text and "ladder" in text]
    return [
        tone
        for tone in contradictions(results)
        if not any(f"{wording.frequency(tone)} " in text.replace("(", " (") for text in both)
    ]


def said_wrongly(case: TwoBands, results: Results) -> list[str]:
    """Return tones that the staircase's limiter contradicts the truth at, well inside a band."""
    if case.crossover_hz is None:
        return []
    wrong = []
    for row in results.take(kind="staircase").staircase:
        place = row.frequency_hz / case.crossover_hz
        if case.order == 4 and (place < 0.25 or place > 4.0) and row.limiter is not None:
            true = case.low if place < 1.0 else case.high
            low, high = threshold_bounds(row.limiter)
            if true is None and row.limiter.kind != "none":
                wrong.append(f"{row.limiter.kind} at {row.frequency_hz} Hz")
            elif true is not None and not low <= true.threshold_dbfs <= high:
                wrong.append(f"{low:.1f} to {high:.1f} at {row.frequency_hz} Hz")
    return wrong


def draw(seed: int, protected: str, folder: Path) -> Counter[str]:
    """Measure one draw; return what it counts for, and print what is wrong."""
    case = random_two_bands(seed, protected=protected)
    results = measure_both(case, folder)
    take = results.take(kind="ladder")
    wrong, silent = found_wrong(case, take), unsaid(results)
    acting = [one for one in take.limiters if one.kind != "none"]
    if wrong or silent:
        print(f"  seed {seed}, {protected}: {wrong}, without a word at {silent} Hz")
        print(f"    {case}")
    steps_wrong = said_wrongly(case, results)
    if steps_wrong:
        print(f"  seed {seed}, {protected}: the staircase is wrong: {steps_wrong}")
    return Counter(
        draws=1,
        right=not wrong,
        silent=bool(silent),
        contradictions=len(contradictions(results)),
        stated=sum(one.threshold_dbfs is not None for one in acting),
        bracketed=sum(one.threshold_dbfs is None for one in acting),
        staircase_wrong=bool(steps_wrong),
    )


def main() -> None:
    arguments = [int(text) for text in sys.argv[1:]]
    first = arguments[0] if arguments else 9000
    draws = arguments[1] if len(arguments) > 1 else 40
    with tempfile.TemporaryDirectory() as folder:
        for protected in ("both", *OTHERS):
            count = draws if protected == "both" else draws // len(OTHERS)
            total: Counter[str] = Counter()
            for seed in range(first, first + count):
                total += draw(seed, protected, Path(folder))
            print(
                f"{protected}: {total['right']} of {total['draws']} right; {total['stated']}"
                f" thresholds stated, {total['bracketed']} bracketed; {total['contradictions']}"
                f" tones contradict, {total['silent']} draws without a word; staircase wrong in"
                f" {total['staircase_wrong']}",
                flush=True,
            )


if __name__ == "__main__":
    main()
