"""Options that are no numbers, or limits that limit nothing: wrong usage, whatever the command."""

from __future__ import annotations

from pathlib import Path

import click
import pytest
from capture_bench import FakeBench, calibrated_session, run_capture, run_main, write_short_stimulus

from distsweep.cli import COMMANDS, group
from distsweep.cli._numbers import Number


@pytest.fixture(scope="module")
def sidecar(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_short_stimulus(tmp_path_factory.mktemp("stimulus"))


def number_options() -> list[tuple[str, str]]:
    """Every option of every command that takes a number, by what click itself knows of it."""
    found = []
    context = click.Context(group)
    for name in COMMANDS:
        command = group.get_command(context, name)
        for param in command.params:
            kind = param.type
            if kind.name.startswith(("float", "number", "integer")):
                found.append((name, param.opts[0]))
    return found


def given(command: str, folder: Path, sidecar: Path) -> list[str]:
    """Arguments with which each command would otherwise do its work."""
    return {
        "calibrate": [str(folder), "--sensitivity-mv-per-pa", "10", "--full-scale-v-rms", "1"],
        "capture": [
            *(str(folder), "--stimulus", str(sidecar), "--input", "0", "--output", "0"),
        ],
        "analyse": [str(sidecar), "--stimulus", str(sidecar)],
        "exposure": [str(sidecar), "--spl-at-0dbfs", "100"],
        "demo": ["-o", str(folder / "demo")],
    }[command]


def test_there_are_options_to_look_at() -> None:
    assert {"capture", "calibrate", "exposure"} <= {command for command, _ in number_options()}


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "NaN", "1e999", "1e300", "", "ten"])
@pytest.mark.parametrize(("command", "option"), number_options())
def test_what_is_no_number_is_wrong_usage(
    command: str, option: str, value: str, tmp_path: Path, sidecar: Path
) -> None:
    ran = run_main(command, *given(command, tmp_path, sidecar), f"{option}={value}")
    assert ran.exit_code == 2, ran.stderr
    assert not list(tmp_path.iterdir())


LIMITS = [
    ("capture", "--thd-limit-percent", ("0", "-1", "100.1", "1e9"), ("0.1", "100")),
    ("capture", "--distance-m", ("0", "-1", "1e-9", "1e6"), ("0.01", "20")),
    ("capture", "--listener-distance-m", ("0", "-1", "1e6"), ("0.5",)),
    ("capture", "--temperature-c", ("-100", "100"), ("-5", "35")),
    ("calibrate", "--level", ("0", "59", "141"), ("94", "114")),
    ("calibrate", "--rate-hz", ("0", "-48000"), ("44100",)),
    ("calibrate", "--sensitivity-mv-per-pa", ("0", "-10", "1e9"), ("12.5",)),
    ("calibrate", "--full-scale-v-rms", ("0", "-10", "1e9"), ("0.005",)),
    ("exposure", "--distance-m", ("0", "-1", "1e6"), ("1",)),
    ("demo", "--seed", ("-1", "1e3"), ()),
]


@pytest.mark.parametrize(("command", "option", "refused", "taken"), LIMITS)
def test_limits_have_limits(
    command: str,
    option: str,
    refused: tuple[str, ...],
    taken: tuple[str, ...],
    tmp_path: Path,
    sidecar: Path,
) -> None:
    for value in refused:
        ran = run_main(command, *given(command, tmp_path, sidecar), f"{option}={value}")
        assert ran.exit_code == 2 and option in ran.stderr, ran.stderr
    for value in taken:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("distsweep.capture.devices.open_backend", FakeBench)
            ran = run_main(command, *given(command, tmp_path, sidecar), f"{option}={value}")
        assert ran.exit_code != 2, ran.stderr


def test_the_dose_at_a_distance_that_is_no_number_is_not_lost(
    tmp_path: Path, sidecar: Path
) -> None:
    """The distance went into every level of the record; a nan there is a dose of nothing."""
    session = calibrated_session(tmp_path / "s", 120.0)
    bench = FakeBench()
    ran = run_capture(bench, session, sidecar, "--levels-spl", "70", "--distance-m", "nan")
    assert ran.exit_code == 2
    assert not bench.sent


@pytest.mark.parametrize("levels", ["9" * 400, "0 to " + "9" * 400 + " by 1", "201", "-300"])
def test_levels_beyond_any_sound_are_refused(levels: str, tmp_path: Path, sidecar: Path) -> None:
    session = calibrated_session(tmp_path / "s", 120.0)
    ran = run_capture(FakeBench(), session, sidecar, f"--levels-spl={levels}")
    assert ran.exit_code == 3
    assert "is no level" in ran.stderr


def test_a_number_keeps_its_range_and_its_value() -> None:
    kind = Number(0.0, 1.0, min_open=True)
    assert kind.convert("0.5", None, None) == 0.5
    for value in ("0", "1.5", "nan", "-inf"):
        with pytest.raises(click.BadParameter):
            kind.convert(value, None, None)
