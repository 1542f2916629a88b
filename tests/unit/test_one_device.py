"""A session is one loudspeaker: takes of two are never taken for two positions of one."""

from __future__ import annotations

from pathlib import Path

import pytest
from capture_bench import FakeBench, calibrated_session, run_capture, run_main, write_short_stimulus

from distsweep.errors import InputError
from distsweep.takes.session import read_session
from distsweep.takes.session_file import check_device


def session_of(folder: Path, name: str | None, *devices: str | None) -> Path:
    text = "" if name is None else f'[device]\nname = "{name}"\n'
    for number, device in enumerate(devices):
        text += f'[[takes]]\nposition = "{number}"\nstimulus = "s.json"\nrecording = "a.wav"\n'
        text += "" if device is None else f'device = "{device}"\n'
    (folder / "session.toml").write_text(text)
    return folder


@pytest.mark.parametrize(
    ("name", "devices", "number"),
    [
        ("Brindlemoor Tarnbick 4", (None, "Brindlemoor Tarnbick 6"), 2),
        ("Brindlemoor Tarnbick 4", ("Tarnbick 4",), 1),
        (None, ("Brindlemoor Tarnbick 4", None, "Brindlemoor Tarnbick 6"), 3),
    ],
)
def test_a_take_of_another_device_is_refused(
    name: str | None, devices: tuple[str | None, ...], number: int, tmp_path: Path
) -> None:
    folder = session_of(tmp_path, name, *devices)
    ran = run_main("analyse", str(folder))
    assert ran.exit_code == 3
    (line,) = ran.stderr.splitlines()
    assert f"[[takes]] {number}: device is {devices[-1]!r}" in line
    assert "one loudspeaker" in line and "for each" in line


@pytest.mark.parametrize("name", ["Brindlemoor Tarnbick 4", None])
def test_takes_may_repeat_the_session_s_device(name: str | None, tmp_path: Path) -> None:
    folder = session_of(tmp_path, name, "Brindlemoor Tarnbick 4", None, "brindlemoor  tarnbick 4")
    assert read_session(folder).device.name == "Brindlemoor Tarnbick 4"


def test_a_device_that_is_no_text_is_refused(tmp_path: Path) -> None:
    folder = session_of(tmp_path, None, "x")
    text = (folder / "session.toml").read_text()
    (folder / "session.toml").write_text(text.replace('device = "x"', "device = 4"))
    with pytest.raises(InputError, match="device is 4: must be a text"):
        read_session(folder)


def test_capture_into_a_session_of_another_device_is_refused_before_sound(tmp_path: Path) -> None:
    sidecar = write_short_stimulus(tmp_path)
    session = calibrated_session(tmp_path / "s", 120.0)
    before = {path: path.read_bytes() for path in session.iterdir()}
    bench = FakeBench()
    ran = run_capture(bench, session, sidecar, "--levels-spl", "60", "--name", "Other")
    assert ran.exit_code == 3
    assert "is a session of 'bench', not of 'Other'" in ran.stderr.splitlines()[-1]
    assert "one loudspeaker" in ran.stderr and "another folder" in ran.stderr
    assert bench.exchanges == 0
    assert {path: path.read_bytes() for path in session.iterdir()} == before


def test_a_session_of_the_same_device_or_of_none_may_be_added_to(tmp_path: Path) -> None:
    session = calibrated_session(tmp_path / "s", None)
    check_device(session, "Bench")
    check_device(session, None)
    check_device(tmp_path / "new", "Other")
