"""Ceilings and confirmations: what is asked, what counts as an answer, what is refused."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest
from capture_bench import (
    FakeBench,
    calibrated_session,
    log_events,
    run_capture,
)

from distsweep.capture.announcement import CAUTIONS, Announcement
from distsweep.capture.safeguards import ask_licence, probe_licence, settle_ceiling
from distsweep.errors import SafetyRefusal


@dataclass
class Somebody:
    """Someone at a terminal, or nobody."""

    answer: str | None = None
    accept_level_spl_db: float | None = None
    accept_ceiling_spl_db: float | None = None
    told: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def is_terminal(self) -> bool:
        return self.answer is not None

    def tell(self, text: str) -> None:
        self.told.append(text)

    def typed(self, prompt: str) -> str:
        if "gain" in prompt:
            return "12 dB"
        if "speech" in prompt:
            return "yes"
        self.asked.append(prompt)
        return self.answer or ""


def announcement(worst_db: float, *, listener_offset_db: float = 0.0):
    return Announcement(
        nominal_spl_db=worst_db - 1.0,
        worst_spl_db=worst_db,
        listener_offset_db=listener_offset_db,
        drives_dbfs=[-20.0],
        seconds=30.0,
        lines=["a rung"],
        doses=[],
        origin="a calibrator's tone",
        calibrated_gain="12 dB",
    )


CEILING = settle_ceiling(100.0, Somebody())


def test_up_to_70_db_nothing_is_asked() -> None:
    somebody = Somebody("")
    licence, waited = ask_licence(announcement(70.0), CEILING, somebody)
    assert (licence.how, licence.limit_dbfs, licence.spl_limit_db) == ("quiet", -20.0, 70.0)
    assert not waited and not somebody.told


@pytest.mark.parametrize(
    ("gain", "speech", "why"),
    [
        ("12 dB", "yes", None),
        ("12dB ", "YES", None),
        ("24 dB", "yes", "stands at '24 dB'"),
        ("", "yes", "was not said"),
        ("12 dB", "no", "no yes was typed"),
        ("12 dB", "", "no yes was typed"),
    ],
)
def test_above_70_db_gain_and_probe_are_vouched_for(gain: str, speech: str, why) -> None:
    class Other(Somebody):
        def typed(self, prompt: str) -> str:
            return gain if "gain" in prompt else speech

    if why is None:
        licence, waited = ask_licence(announcement(71.0), CEILING, Other(""))
        assert (licence.how, licence.spl_limit_db, waited) == ("vouched", 85.0, True)
    else:
        with pytest.raises(SafetyRefusal, match=why):
            ask_licence(announcement(71.0), CEILING, Other(""))


def test_up_to_what_was_confirmed_nothing_is_asked_again() -> None:
    former, _ = ask_licence(announcement(90.2), CEILING, Somebody("91"))
    again, waited = ask_licence(announcement(90.9), CEILING, Somebody(None), former=former)
    assert (again.spl_limit_db, waited) == (91.0, False)
    with pytest.raises(SafetyRefusal, match="nobody can type"):
        ask_licence(announcement(91.1), CEILING, Somebody(None), former=former)


@pytest.mark.parametrize(
    ("answer", "goes_on"),
    [("97\n", True), ("97.0", True), (" 97 ", True), ("96", False), ("98", False)]
    + [(text, False) for text in ("", "\n", "y\n", "yes\n", "nan", "inf", "1e9", "97 dB")],
)
def test_above_85_db_the_level_is_typed(answer: str, goes_on: bool) -> None:
    """96.3 dB SPL is confirmed by 97: half a decibel is left for what predictions differ by."""
    somebody = Somebody(answer)
    if goes_on:
        licence, _ = ask_licence(announcement(96.3), CEILING, somebody)
        assert (licence.how, licence.limit_dbfs) == ("typed", -20.0)
    else:
        with pytest.raises(SafetyRefusal, match="not confirmed"):
            ask_licence(announcement(96.3), CEILING, somebody)
    assert "Type 97" in somebody.asked[0]
    said = "\n".join(somebody.told)
    for caution in CAUTIONS:
        assert caution in said


def test_at_a_terminal_no_option_stands_in_for_typing() -> None:
    with pytest.raises(SafetyRefusal, match="not confirmed"):
        ask_licence(announcement(96.0), CEILING, Somebody("", accept_level_spl_db=130.0))


@pytest.mark.parametrize(
    ("accepted", "goes_on"),
    [(97.0, True), (130.0, True), (96.9, False), (None, False)]
    + [(float(text), False) for text in ("nan", "inf", "-inf")],
)
def test_without_a_terminal_accept_level_names_at_least_the_highest(
    accepted: float | None, goes_on: bool
) -> None:
    nobody = Somebody(None, accept_level_spl_db=accepted)
    if goes_on:
        licence, _ = ask_licence(announcement(96.3), CEILING, nobody)
        # However much was accepted, the licence reaches no further than the plan.
        assert (licence.limit_dbfs, licence.spl_limit_db) == (-20.0, 97.0)
    else:
        with pytest.raises(SafetyRefusal, match="nobody can type"):
            ask_licence(announcement(96.3), CEILING, nobody)


def test_a_listener_nearer_than_the_microphone_counts() -> None:
    """84 dB SPL at the microphone, 90 at the listener: asked, and held against the ceiling."""
    with pytest.raises(SafetyRefusal, match="nobody can type"):
        ask_licence(announcement(84.0, listener_offset_db=6.0), CEILING, Somebody())
    with pytest.raises(SafetyRefusal, match="ceiling"):
        ask_licence(announcement(95.0, listener_offset_db=6.0), CEILING, Somebody("101"))
    # A listener further away lowers nothing.
    with pytest.raises(SafetyRefusal, match="nobody can type"):
        ask_licence(announcement(86.0, listener_offset_db=-6.0), CEILING, Somebody())


@pytest.mark.parametrize("highest_db", [100.1, 150.0, float("nan"), float("inf")])
def test_nothing_passes_the_ceiling_whatever_is_confirmed(highest_db: float) -> None:
    for somebody in (Somebody(str(highest_db)), Somebody(None, 1e9), Somebody(None, highest_db)):
        with pytest.raises(SafetyRefusal, match="ceiling"):
            ask_licence(announcement(highest_db), CEILING, somebody)


@pytest.mark.parametrize(
    ("ceiling_db", "somebody", "goes_on"),
    [
        (110.0, Somebody(), True),
        (-1e9, Somebody(), True),
        (111.0, Somebody(), False),
        (111.0, Somebody("111"), True),
        (111.0, Somebody("111", accept_ceiling_spl_db=111.0), True),
        (111.0, Somebody("", accept_ceiling_spl_db=111.0), False),
        (111.0, Somebody(None, accept_level_spl_db=130.0), False),
        (111.0, Somebody(None, accept_ceiling_spl_db=111.0), True),
        (111.0, Somebody(None, accept_ceiling_spl_db=112.0), False),
        (130.1, Somebody("130.1"), False),
        (float("nan"), Somebody("nan"), False),
        (float("inf"), Somebody("inf"), False),
    ],
)
def test_a_ceiling_above_110_is_confirmed_by_itself(
    ceiling_db: float, somebody: Somebody, goes_on: bool
) -> None:
    if goes_on:
        assert settle_ceiling(ceiling_db, somebody).spl_db == ceiling_db
    else:
        with pytest.raises(SafetyRefusal):
            settle_ceiling(ceiling_db, somebody)


@pytest.mark.parametrize(
    ("drive_dbfs", "worst_db", "ceiling_db", "vouched", "goes_on"),
    [
        (-60.0, 70.0, 100.0, False, True),
        (-40.0, 70.0, 100.0, False, True),
        (-39.9, 60.0, 100.0, False, False),
        (-40.0, 70.1, 100.0, False, False),
        (-60.0, 60.1, 60.0, False, False),
        (-70.0, 60.0, 60.0, False, True),
        (-45.0, 85.0, 100.0, True, True),
        (-45.0, 85.1, 100.0, True, False),
        (-45.0, 85.0, 80.0, True, False),
        (float("nan"), 60.0, 100.0, False, False),
        (-60.0, float("nan"), 100.0, False, False),
    ],
)
def test_probes_keep_all_limits(
    drive_dbfs: float, worst_db: float, ceiling_db: float, vouched: bool, goes_on: bool
) -> None:
    ceiling = settle_ceiling(ceiling_db, Somebody())
    given = {"worst_spl_db": worst_db, "ceiling": ceiling, "vouched": vouched}
    if goes_on:
        assert probe_licence(drive_dbfs, **given).how == "probe"
    else:
        with pytest.raises(SafetyRefusal):
            probe_licence(drive_dbfs, **given)


def test_mains_safety_is_said_as_it_must_be() -> None:
    mains = next(text for text in CAUTIONS if text.startswith("Mains"))
    for words in (
        "never lift a protective earth to cure hum",
        "balanced lines or an isolating transformer",
        "leave mains work to licensed people",
        "local rules come first",
    ):
        assert words in mains


# ── through the command line ───────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("options", "typed", "code"),
    [
        (("--levels-spl", "90"), None, 4),
        # Its loudest moment is 90.4, and by the calibrator 91.4 at worst.
        (("--levels-spl", "90", "--accept-level", "91"), None, 4),
        (("--levels-spl", "90", "--accept-level", "92"), None, 0),
        (("--levels-spl", "90"), "92\n", 0),
        (("--levels-spl", "90"), "91\n", 4),
        (("--levels-spl", "101", "--accept-level", "130"), None, 4),
        (("--levels-spl", "101", "--accept-level", "130", "--ceiling-spl", "105"), None, 0),
        (("--levels-spl", "121", "--accept-level", "130", "--ceiling-spl", "125"), None, 4),
        (("--levels-spl", "90", "--accept-level", "91", "--ceiling-spl", "131"), None, 4),
        (("--levels-spl", "150", "--accept-level", "200"), None, 4),
        (("--levels-spl", "68"), None, 0),
        (("--levels-spl", "80"), None, 4),
        (("--levels-spl", "80"), "", 0),
        (("--levels-spl", "80", "--levels-dbfs", "-40"), None, 2),
        (("--levels-spl", "90 and 80"), None, 3),
        (("--levels-dbfs", "-3"), None, 4),
        (("--levels-dbfs", "3"), None, 3),
    ],
)
def test_the_command_line_goes_on_or_refuses(
    options: tuple[str, ...], typed: str | None, code: int, sidecar: Path, tmp_path: Path
) -> None:
    """A bench with 110 dB SPL at 0 dBFS."""
    bench = FakeBench()
    session = calibrated_session(tmp_path / "s", 120.0)
    ran = run_capture(bench, session, sidecar, *options, typed=typed)
    assert ran.exit_code == code, ran.stderr
    if code:
        assert bench.loudest <= 10 ** (-40.0 / 20) * (1 + 1e-6)
    if code == 4 and "--ceiling-spl" not in options:
        before = "above the ceiling" in ran.stderr
        assert before or [e for e in log_events(session) if e["event"] == "refused"]


def test_the_record_tells_what_was_confirmed_and_how(sidecar: Path, tmp_path: Path) -> None:
    session = calibrated_session(tmp_path / "s", 120.0)
    run_capture(FakeBench(), session, sidecar, "--levels-spl", "79 and 89", typed="91\n")
    confirmed = next(e for e in log_events(session) if e["event"] == "confirmed")
    assert confirmed["how"] == "typed"
    assert confirmed["nominal_spl_db"] == pytest.approx(89.4, abs=0.2)
    assert confirmed["highest_spl_db"] == pytest.approx(90.4, abs=0.2)
    assert confirmed["spl_limit_db"] == 91.0
    assert confirmed["drives_dbfs"][-2:] == pytest.approx([-31.1, -21.1], abs=0.1)
    played = [e["drive_dbfs"] for e in log_events(session) if e["event"] == "recorded"]
    assert max(played) == pytest.approx(-21.1, abs=0.1)


def test_uncalibrated_full_scale_counts_as_130_db(sidecar: Path, tmp_path: Path) -> None:
    """−60 dBFS counts as 70 dB SPL and passes; more is asked for; −29 is above the ceiling."""
    for number, (drives, accepted, code) in enumerate(
        [("-60", None, 0), ("-59", None, 4), ("-45", "86", 0), ("-44", "86", 4), ("-29", "130", 4)]
    ):
        session = calibrated_session(tmp_path / str(number), None)
        options = [f"--levels-dbfs={drives}", *(["--accept-level", accepted] if accepted else [])]
        ran = run_capture(FakeBench(), session, sidecar, *options)
        assert ran.exit_code == code, ran.stderr
    ran = run_capture(FakeBench(), session, sidecar, "--levels-spl", "80")
    assert ran.exit_code == 3 and "needs a calibration" in ran.stderr
