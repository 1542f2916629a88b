"""The whole command line, with options drawn at random: nothing too loud ever leaves.

Each example runs ``distsweep capture`` on a bench that keeps every sample. What the bench gives
at the microphone is known to the test alone, so that it checks the sound, not the bookkeeping.
"""

from __future__ import annotations

import collections
import dataclasses
import math
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from capture_bench import (
    RATE_HZ,
    FakeBench,
    calibrated_session,
    log_events,
    run_capture,
    write_short_stimulus,
)
from conftest import draws
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

SETTINGS = settings(
    max_examples=draws(40, 16),
    deadline=None,  # an example that plays a ladder takes a second, one that is refused a hundredth
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # shrinking takes minutes here
    derandomize=True,  # the same examples everywhere, so that a failure comes back
)

PROBE_DBFS = -40.0
PROBE_SPL_DB = 70.0
VOUCH_ABOVE_DB = 70.0
ASK_ABOVE_DB = 85.0
WORST_SPL_AT_0DBFS_DB = 130.0

numbers = st.one_of(
    st.sampled_from([0.0, 60.0, 85.0, 86.0, 100.0, 110.0, 111.0, 130.0, 131.0, 200.0]),
    st.sampled_from([math.nan, math.inf, -math.inf, 1e9, -1e9]),
    st.floats(50.0, 125.0).map(lambda x: round(x, 1)),
)
levels = st.one_of(
    st.lists(st.integers(40, 125), min_size=1, max_size=4, unique=True).map(
        lambda items: " and ".join(map(str, sorted(items)))
    ),
    st.tuples(st.integers(50, 90), st.integers(90, 125), st.integers(1, 20)).map(
        lambda t: f"{t[0]} to {t[1]} by {t[2]}"
    ),
    st.sampled_from(["nan", "inf", "loud", "", "-10", "1e3", "100, 90", "96 96"]),
)
drives = st.one_of(
    st.lists(st.integers(-70, 3), min_size=1, max_size=4, unique=True).map(
        lambda items: ",".join(map(str, sorted(items)))
    ),
    st.sampled_from(["0", "nan", "inf", "-3 to 0 by 1", "20", "-200"]),
)


@dataclass(frozen=True)
class Example:
    """A command line, who sits before it, and the bench that it plays on."""

    options: list[str]
    typed: str | None
    bench: dict[str, float]
    in_spl_db: float | None
    stimulus: int

    @property
    def truth_db(self) -> float:
        """Full scale at the microphone (a flat bench); the worst while uncalibrated."""
        if self.in_spl_db is None:
            return WORST_SPL_AT_0DBFS_DB
        return self.in_spl_db + self.bench["gain_db"]


@st.composite
def examples(draw) -> Example:
    """Draw options, what somebody types (None: nobody is there), and a bench.

    Two in three ask for levels that the bench can do, near what has to be confirmed or
    refused, and confirm them rightly or nearly so; the others are wild.
    """
    bench = {
        "gain_db": draw(st.sampled_from([-30.0, -10.0, 0.0, 15.0])),
        "noise_dbfs": draw(st.sampled_from([-110.0, -90.0])),
        "third": draw(st.sampled_from([0.0, 0.5])),
    }
    in_spl_db = draw(st.sampled_from([None, 110.0, 120.0, 125.0, 140.0]))
    example = Example([], None, bench, in_spl_db, draw(st.integers(0, 2)))
    level = draw(st.sampled_from([80, 84, 86, 90, 95, 98, 99, 101, 105, 109, 112]))
    answers = [f"{level + off}\n" for off in (-2, 0, 1, 1, 1)]
    if draw(st.integers(0, 2)):
        wanted = f"--levels-spl={level}"
        if in_spl_db is None:
            wanted = f"--levels-dbfs={level - WORST_SPL_AT_0DBFS_DB:g}"
        options = [wanted, f"--accept-level={level + draw(st.sampled_from([-5, 1, 1, 20]))}"]
        if draw(st.integers(0, 2)) == 0:
            options.append(f"--ceiling-spl={draw(st.sampled_from([85, 98, 104, 110, 111, 120]))}")
    else:
        options = draw(wild_options())
        answers += ["", "\n", "yes\n", "nan\n", "inf\n", "1e9\n", "999\n"]
        if draw(st.booleans()):
            options.append(f"--ceiling-spl={draw(numbers)}")
    if draw(st.integers(0, 3)) == 0:
        options.append(f"--accept-ceiling={draw(st.sampled_from([111, 120, 130]))}")
    for name in ("--distance-m", "--listener-distance-m"):
        if draw(st.integers(0, 4)) == 0:
            options.append(f"{name}={draw(st.sampled_from(['0.001', '0.5', '1', '3', '1e6']))}")
    typed = draw(st.one_of(st.none(), st.sampled_from(answers)))
    return dataclasses.replace(example, options=options, typed=typed)


@st.composite
def wild_options(draw) -> list[str]:
    options: list[str] = []
    kind = draw(st.sampled_from(["spl", "dbfs", "both", "neither"]))
    if kind in ("spl", "both"):
        options.append(f"--levels-spl={draw(levels)}")
    if kind in ("dbfs", "both"):
        options.append(f"--levels-dbfs={draw(drives)}")
    if draw(st.booleans()):
        options.append(f"--accept-level={draw(numbers)}")
    if draw(st.integers(0, 3)) == 0:
        options.append(f"--thd-limit-percent={draw(st.sampled_from(['1', '30', '1e9']))}")
    return options


def asking(level_db: int, *options: str, **bench: float) -> Example:
    """Ask for a level and confirm it, on a bench of 110 dB SPL at full scale."""
    wanted = [f"--levels-spl={level_db}", f"--accept-level={level_db + 2}", *options]
    return Example(wanted, None, {"gain_db": -10.0, "noise_dbfs": -90.0, **bench}, 120.0, 0)


AT_STAKE = [
    *(asking(97), asking(95, third=0.5), asking(86, "--ceiling-spl=98")),
    *(asking(99), asking(84, "--ceiling-spl=85")),
    *(dataclasses.replace(asking(90), options=["--levels-spl=90"], typed=typed)
      for typed in (None, "88\n")),
]  # fmt: skip
"""Command lines that are run whatever is drawn: three that play loudly, two above the ceiling, two
that nobody confirms."""


def option(options: list[str], name: str, default: float) -> float:
    given_ = [o.split("=")[1] for o in options if o.startswith(f"{name}=")]
    return float(given_[-1]) if given_ else default


def loud_for_s(bench: FakeBench, above_dbfs: float) -> float:
    """From the first to the last sample so loud, the bench's delay of 12.5 ms included."""
    spans = [np.flatnonzero(np.abs(sent) > 10 ** (above_dbfs / 20)) for sent in bench.sent]
    return max((span[-1] - span[0]) / RATE_HZ for span in spans if len(span))


@pytest.fixture(scope="module")
def sidecars() -> list[Path]:
    """Stimuli whose own drives are mild, steep, and up to full scale."""
    with tempfile.TemporaryDirectory() as name:
        yield [
            write_short_stimulus(Path(name) / str(i), levels_dbfs=drives_dbfs)
            for i, drives_dbfs in enumerate([[-40, -34], [-50, -10], [-6, 0]])
        ]


def test_no_command_line_sends_what_was_not_confirmed_or_passes_the_ceiling(sidecars) -> None:
    seen: collections.Counter[str] = collections.Counter()

    @SETTINGS
    @given(example=examples())
    def holds(example: Example) -> None:
        seen[check_one(example, sidecars)] += 1

    for example in AT_STAKE:
        seen[check_one(example, sidecars)] += 1
    # The property has teeth only where something is at stake; what is drawn depends on hypothesis.
    assert seen["loud"] >= 3 and seen["ceiling"] >= 2 and seen["refused"] >= 2, seen
    holds()


def check_one(example: Example, sidecars: list[Path]) -> str:
    """Run one command line, check what left, and tell what kind of case it was."""
    options, typed, in_spl_db = example.options, example.typed, example.in_spl_db
    bench = FakeBench(**example.bench)
    with tempfile.TemporaryDirectory() as name:
        session = calibrated_session(Path(name) / "s", in_spl_db)
        ran = run_capture(bench, session, sidecars[example.stimulus], *options, typed=typed)
        events = log_events(session) if (session / "capture-log.jsonl").exists() else []
    assert ran.exit_code in (0, 2, 3, 4, 5), (ran, options)
    assert "Traceback" not in ran.stderr
    for sent in bench.sent:
        assert np.all(np.isfinite(sent))
    if bench.loudest == 0.0:
        return "nothing"
    loudest_dbfs = 20 * math.log10(bench.loudest)
    truth_db = example.truth_db
    highest_db = truth_db + loudest_dbfs
    ceiling_db = option(options, "--ceiling-spl", 100.0)
    confirmed = [event for event in events if event["event"] == "confirmed"]
    if not confirmed:
        assert loudest_dbfs <= PROBE_DBFS + 1e-3
        if in_spl_db is not None and truth_db <= WORST_SPL_AT_0DBFS_DB:
            # 1 dB: the probe before was read in noise, 10 dB above it at the least.
            assert highest_db <= PROBE_SPL_DB + 1.0
        elif in_spl_db is not None:
            # Louder than anything was taken to be: even then no probe goes on for long.
            assert loud_for_s(bench, PROBE_SPL_DB + 7.0 - truth_db) <= 0.06
        return "ceiling" if "the ceiling" in ran.stderr else "refused"
    assert highest_db <= ceiling_db, (options, ran.stderr)
    assert loudest_dbfs <= 1e-6
    listener_m = option(options, "--listener-distance-m", math.nan)
    distance_m = option(options, "--distance-m", math.nan)
    nearer_db = 20 * math.log10(max(distance_m, 0.1) / listener_m)
    anywhere_db = highest_db + (max(0.0, nearer_db) if math.isfinite(nearer_db) else 0.0)
    if typed is None and anywhere_db > VOUCH_ABOVE_DB:
        assert option(options, "--accept-level", 0.0) >= anywhere_db
    elif anywhere_db > ASK_ABOVE_DB:
        assert typed is not None and float(typed.splitlines()[0]) >= anywhere_db
    if ceiling_db > 110.0:
        assert typed is not None or option(options, "--accept-ceiling", 0.0) == ceiling_db
    return "loud" if anywhere_db > ASK_ABOVE_DB else "quiet"


def test_the_property_is_not_empty() -> None:
    """Among the same kind of command lines some do play loud: the property has teeth."""
    with tempfile.TemporaryDirectory() as name:
        sidecar = write_short_stimulus(Path(name) / "stimulus")
        bench = FakeBench()
        session = calibrated_session(Path(name) / "s", 120.0)
        ran = run_capture(
            bench, session, sidecar, "--levels-spl=96", "--accept-level=98", "--distance-m=1"
        )
        assert ran.exit_code == 0, ran.stderr
        # 96 dB SPL over the level band on a bench of 110 dB SPL at 0 dBFS, and 0.17 dB more by its
        # reflection: −14.17 dBFS.
        assert 20 * math.log10(bench.loudest) == pytest.approx(-14.17, abs=0.1)
