"""What is left of a capture that was ended from outside is found, kept and told of."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import pty
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from capture_bench import (
    RATE_HZ,
    FakeBench,
    Ran,
    calibrated_session,
    log_events,
    run_capture,
    run_main,
    write_short_stimulus,
)

from distsweep.capture import keeping, recovery
from distsweep.capture.keeping import HEADER, listener_dba_minutes, log, read_log, reserve
from distsweep.capture.recovery import recover
from distsweep.capture.session_lock import LOCK_NAME, session_lock
from distsweep.errors import InputError, SafetyRefusal
from distsweep.takes.session import read_session

DRIVES_DBFS = (-55.0, -50.0, -45.0)
OPTIONS = ("--levels-dbfs=-55 to -45 by 5", "--accept-level", "90")
SPEED = 4.0
PATIENCE_S = 60.0


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return calibrated_session(tmp_path / "session", 110.0)


@pytest.fixture(scope="module")
def whole_session(sidecar: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session with one whole take, to be copied."""
    folder = calibrated_session(tmp_path_factory.mktemp("whole") / "session", 110.0)
    assert run_capture(FakeBench(), folder, sidecar, *OPTIONS).exit_code == 0
    return folder


@pytest.fixture
def captured(whole_session: Path, tmp_path: Path) -> Path:
    """A session with one whole take, to be damaged."""
    return Path(shutil.copytree(whole_session, tmp_path / "captured"))


class Child:
    """A capture in a process of its own, on a paced bench."""

    def __init__(
        self, session: Path, sidecar: Path, *options: str, terminal: int | None = None
    ) -> None:
        self.session = session
        self.heard = session.parent / f"heard-{time.monotonic_ns()}"
        here = Path(__file__).parent
        self.process = subprocess.Popen(
            [
                *(sys.executable, str(here / "paced_capture.py"), str(SPEED), str(self.heard)),
                *("--", "capture", str(session), "--stimulus", str(sidecar)),
                *("--input", "0", "--output", "bench", *OPTIONS, *options),
            ],
            stdin=subprocess.DEVNULL if terminal is None else terminal,
            stdout=subprocess.PIPE if terminal is None else terminal,
            stderr=subprocess.PIPE if terminal is None else terminal,
            text=True,
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join([str(here), *sys.path])},
        )

    def wait_for(self, what: Callable[[], bool]) -> None:
        end = time.monotonic() + PATIENCE_S
        while not what():
            assert self.process.poll() is None, self.process.stderr
            assert time.monotonic() < end, "it never came so far"
            time.sleep(0.005)

    def end(self, number: int) -> Ran:
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=PATIENCE_S)
        return Ran(self.process.returncode, out, err)

    def exchanges(self) -> int:
        return len(self.heard.read_text().splitlines()) if self.heard.exists() else 0

    def sounding(self, name: str) -> bool:
        """Tell whether a recording is under way and has sound in it."""
        for path in self.session.glob(f".recording-{name}-*.wav"):
            with contextlib.suppress(OSError):
                return any(path.read_bytes()[HEADER.size :])
        return False


def takes(session: Path) -> list[tuple[str, list[str], bool]]:
    read = read_session(session, takes_required=False).takes
    return [(t.position, [path.name for path in t.recordings], t.partial) for t in read]


def drives_of_takes(session: Path) -> list[list[float]]:
    ran = run_main("analyse", str(session), "--no-report", "--json", "-")
    assert ran.exit_code == 0, ran.stderr
    found = json.loads(ran.stdout)["takes"]
    return [[rung["drive_dbfs"] for rung in take["rungs"]] for take in found]


# ── killed ─────────────────────────────────────────────────────────────────────────────────


def test_rungs_that_were_complete_when_it_was_killed_are_found_by_the_next_capture(
    session: Path, sidecar: Path
) -> None:
    child = Child(session, sidecar)
    child.wait_for(lambda: child.sounding("axis-03"))
    assert child.end(signal.SIGKILL).exit_code == -signal.SIGKILL
    assert takes(session) == []
    ran = run_capture(FakeBench(), session, sidecar, *OPTIONS)
    assert ran.exit_code == 0, ran.stderr
    assert "cut off with 2 of 3 rungs complete" in ran.stderr
    assert "axis-03-partial.wav" in ran.stderr
    first, second = takes(session)
    assert first == ("axis", ["axis-01.wav", "axis-02.wav"], True)
    whole = [f"axis_2-0{n}.wav" for n in (1, 2, 3)]
    assert second == ("axis", whole, False)
    assert drives_of_takes(session) == [list(DRIVES_DBFS[:2]), list(DRIVES_DBFS)]
    assert len(soundfile.read(session / "axis-03-partial.wav")[0]) > 0
    assert not list(session.glob(".recording-*"))
    assert (session / "axis-calibration.json").exists()
    # It is done once.
    assert recover(session) == []
    assert len(takes(session)) == 2


def test_a_rung_that_is_whole_in_its_scratch_file_counts(captured: Path) -> None:
    """Killed after the last sample came in, before the recording had its name."""
    table = (captured / "session.toml").read_text()
    (captured / "session.toml").write_text(table[: table.index("[[takes]]")])
    frames = soundfile.read(captured / "axis-02.wav", always_2d=True)[0]
    (captured / "axis-02.wav").unlink()
    (captured / "axis-03.wav").unlink()
    forget(captured, "take")
    room = reserve(captured, name="axis-02", frames=2 * len(frames), channels=1, rate_hz=RATE_HZ)
    room.add(frames[:20000])
    room.add(frames[20000:])
    os.close(room.handle)
    said = recover(captured)
    assert takes(captured) == [("axis", ["axis-01.wav", "axis-02.wav"], True)]
    assert "2 of 3" in said[-1]
    assert np.array_equal(soundfile.read(captured / "axis-02.wav", always_2d=True)[0], frames)


def forget(session: Path, event: str) -> None:
    """Take an event out of the record, as if it had been killed before."""
    path = session / "capture-log.jsonl"
    lines = [line for line in path.read_text().splitlines() if f'"event": "{event}"' not in line]
    path.write_text("\n".join(lines) + "\n")


def test_all_rungs_complete_but_no_take_is_a_whole_take(captured: Path) -> None:
    path = captured / "session.toml"
    complete = path.read_text()
    path.write_text(complete[: complete.index("[[takes]]")].rstrip("\n") + "\n")
    forget(captured, "take")
    assert len(recover(captured)) == 1
    assert path.read_text() == complete


def test_a_take_that_was_taken_out_by_hand_stays_out(captured: Path) -> None:
    path = captured / "session.toml"
    path.write_text(path.read_text()[: path.read_text().index("[[takes]]")])
    assert recover(captured) == [] and takes(captured) == []


def test_a_spoilt_try_is_not_the_one_that_is_entered(captured: Path) -> None:
    """Of several recordings of a rung the last whole one counts; torn ones are left out."""
    path = captured / "session.toml"
    path.write_text(path.read_text()[: path.read_text().index("[[takes]]")])
    forget(captured, "take")
    good, rate = soundfile.read(captured / "axis-01.wav")
    (captured / "axis-01.wav").rename(captured / "axis-01_2.wav")
    middle = len(good) // 2
    torn = np.concatenate([good[:middle], good[middle + 480 :]])
    soundfile.write(captured / "axis-01.wav", torn, rate, subtype="FLOAT")
    soundfile.write(captured / "axis-01_3.wav", torn, rate, subtype="FLOAT")
    recover(captured)
    assert takes(captured)[0][1][0] == "axis-01_2.wav"


def test_a_rung_that_was_being_repeated_is_not_entered_as_it_was(captured: Path) -> None:
    """The record says that it was spoilt, though its markers stand where they should."""
    path = captured / "session.toml"
    path.write_text(path.read_text()[: path.read_text().index("[[takes]]")])
    forget(captured, "take")
    log(captured, "repeated", rung=3, why="samples were lost")
    recover(captured)
    assert takes(captured) == [("axis", ["axis-01.wav", "axis-02.wav"], True)]


def test_a_stimulus_of_one_file_a_rung_is_no_take(session: Path) -> None:
    """The files that are played hold both markers too, and lie beside their sidecar."""
    write_short_stimulus(session, name="axis")
    options = ("stimulus", str(session.parent / "r.toml"), "--split", "-o", str(session))
    (session.parent / "r.toml").write_text(
        'kind = "ladder"\nname = "mine"\nrate_hz = 48000\nband_hz = [200, 8000]\n'
        "sweep_s = 0.6\nlevels_dbfs = [-40, -34]\norder = 4\nquiet_s = 0.7\npause_s = 0.3\n"
        "return_rung = false\n"
    )
    assert run_main(*options).exit_code == 0
    assert len(list(session.glob("mine*.wav"))) == 2
    assert recover(session) == [] and takes(session) == []


def test_a_recording_is_not_thrown_away_when_what_follows_it_fails(
    session: Path, sidecar: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A terminal that is gone, say: whatever was written by then is found by the next capture."""
    from distsweep.capture import follow

    tick = follow.Follower.tick

    def fail(self: follow.Follower, conversation) -> None:
        tick(self, conversation)
        if conversation.count > 60000:
            time.sleep(0.3)  # so long that the journal has written it
            raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(follow.Follower, "tick", fail)
    with pytest.raises(OSError, match="Input/output"):
        run_capture(FakeBench(), session, sidecar, *OPTIONS)
    monkeypatch.undo()
    assert recover(session) == [
        "a recording that was cut off after 1.3 s is kept as axis-probe-partial.wav"
    ]


def test_nothing_with_sound_in_it_is_deleted_or_written_over(session: Path) -> None:
    rng = np.random.default_rng(2)
    contents = [rng.standard_normal((n, c)) for n, c in ((1000, 1), (500, 2), (700, 1))]
    (session / "axis-02-partial.wav").write_bytes(b"somebody's")
    for name, frames in zip(("axis-02", "axis-02", "x-probe"), contents, strict=True):
        channels = frames.shape[1]
        room = reserve(session, name=name, frames=9999, channels=channels, rate_hz=RATE_HZ)
        room.add(frames)
        os.close(room.handle)
    empty = reserve(session, name="ballast", frames=9999, channels=1, rate_hz=RATE_HZ)
    os.close(empty.handle)
    (session / ".recording-abcdefgh.wav").write_bytes(bytes(5000))
    (session / ".recording-12345678.wav").write_bytes(b"what is this")
    said = recover(session)
    assert len(said) == 4
    assert (session / "axis-02-partial.wav").read_bytes() == b"somebody's"
    kept = [session / f"{n}.wav" for n in ("axis-02-partial_2", "axis-02-partial_3")]
    lengths = sorted(len(soundfile.read(path)[0]) for path in kept)
    assert lengths == [500, 1000]
    read = soundfile.read(session / "x-probe-partial.wav", dtype="float32")[0]
    assert np.array_equal(read, contents[2][:, 0].astype(np.float32))
    assert [p.name for p in session.glob(".recording-*")] == [".recording-12345678.wav"]


def test_a_recording_killed_after_it_was_named_is_not_kept_twice(session: Path) -> None:
    room = reserve(session, name="axis-01", frames=100, channels=1, rate_hz=RATE_HZ)
    room.add(np.ones((100, 1)))
    os.link(room.path, session / "axis-01.wav")
    os.close(room.handle)
    assert recover(session) == []
    assert [p.name for p in session.glob("*.wav")] == ["axis-01.wav"]


# ── ended politely ─────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_polite_kill_between_rungs_enters_what_there_is(
    number: int, session: Path, sidecar: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from distsweep.capture import ladder

    def judge(*args, **kwargs):
        os.kill(os.getpid(), number)
        return verdict(*args, **kwargs)

    verdict = ladder.judge_rung
    monkeypatch.setattr(ladder, "judge_rung", judge)
    before = signal.getsignal(number)
    signal.signal(number, signal.SIG_DFL)
    try:
        # On code that leaves these signals to the system, this process would end here.
        pid = os.fork()
        if pid == 0:
            ran = run_capture(FakeBench(), session, sidecar, *OPTIONS)
            os._exit(ran.exit_code)
        status = os.waitpid(pid, 0)[1]
    finally:
        signal.signal(number, before)
    assert os.WIFEXITED(status) and os.WEXITSTATUS(status) == 130
    assert takes(session) == [("axis", ["axis-01.wav"], True)]
    assert not list(session.glob(".recording-*")) and not (session / LOCK_NAME).exists()


@pytest.mark.long
def test_a_polite_kill_while_it_sounds_fades_out_and_enters_what_there_is(
    session: Path, sidecar: Path
) -> None:
    child = Child(session, sidecar)
    child.wait_for(lambda: child.sounding("axis-02"))
    ran = child.end(signal.SIGTERM)
    assert ran.exit_code == 130, ran.stderr
    assert takes(session) == [("axis", ["axis-01.wav"], True)]


@pytest.mark.long
def test_a_terminal_that_is_closed_ends_it_as_ctrl_c_does(session: Path, sidecar: Path) -> None:
    """The terminal's end hangs up, and from then on nothing can be printed."""
    ours, theirs = pty.openpty()
    child = Child(session, sidecar, terminal=theirs)
    os.close(theirs)
    child.wait_for(lambda: child.sounding("axis-02"))
    os.close(ours)
    assert child.process.wait(PATIENCE_S) == 130
    assert takes(session) == [("axis", ["axis-01.wav"], True)]
    assert recover(session) == []


def test_a_rung_that_faded_out_is_not_taken_for_a_whole_one(session: Path, sidecar: Path) -> None:
    """It is recorded on for a while after the fade: long enough to look complete."""
    struck: list[int] = []
    sweep_ends = round((0.25 + 0.4 + 0.5 + 0.7 + 0.6) * RATE_HZ)

    def strike(number: int, count: int, block: np.ndarray) -> np.ndarray:
        if number == 3 and count > sweep_ends - 2400 and not struck:
            struck.append(count)
            os.kill(os.getpid(), signal.SIGINT)
        return block

    ran = run_capture(FakeBench(fault=strike), session, sidecar, *OPTIONS)
    assert ran.exit_code == 130 and struck
    assert takes(session) == [("axis", ["axis-01.wav"], True)]
    assert (session / "axis-02-partial.wav").exists()
    assert drives_of_takes(session) == [[DRIVES_DBFS[0]]]


# ── one at a time ──────────────────────────────────────────────────────────────────────────


def test_a_second_capture_in_a_session_is_refused_and_the_first_is_named(
    session: Path, sidecar: Path
) -> None:
    child = Child(session, sidecar)
    child.wait_for(lambda: child.sounding("axis-probe"))
    bench = FakeBench()
    ran = run_capture(bench, session, sidecar, *OPTIONS)
    assert ran.exit_code == 4
    assert f"a capture of 'axis' (process {child.process.pid}, since 20" in ran.stderr
    assert bench.exchanges == 0
    sheet = ("--sensitivity-mv-per-pa", "10", "--full-scale-v-rms", "1")
    assert run_main("calibrate", str(session), *sheet).exit_code == 4
    child.end(signal.SIGKILL)
    # A lock ends with its process.
    assert run_capture(FakeBench(), session, sidecar, *OPTIONS).exit_code == 0


def test_the_lock_is_held_once_and_leaves_nothing(tmp_path: Path) -> None:
    with session_lock(tmp_path, doing="first"):
        with pytest.raises(SafetyRefusal, match="first"), session_lock(tmp_path, doing="second"):
            pass
        assert (tmp_path / LOCK_NAME).exists()
    assert not list(tmp_path.iterdir())
    (tmp_path / LOCK_NAME).write_text("left by a process that was killed")
    with session_lock(tmp_path, doing="third"):
        pass
    with (
        pytest.raises(InputError, match="cannot be written"),
        session_lock(tmp_path / "nowhere", doing="fourth"),
    ):
        pass


# ── refused before anything sounds ─────────────────────────────────────────────────────────

UNREADABLE = {
    "no position": ("--position", ""),
    "blank position": ("--position", "  "),
    "no text": ("--position", "a\udcff"),
}


def test_what_would_make_the_session_unreadable_is_refused(session: Path, sidecar: Path) -> None:
    before = (session / "session.toml").read_bytes()
    bench = FakeBench()
    for name, options in UNREADABLE.items():
        ran = run_capture(bench, session, sidecar, *OPTIONS, *options)
        assert ran.exit_code == 3 and ran.stderr.count("\n") == 1, (name, ran.stderr)
        assert bench.exchanges == 0
        assert (session / "session.toml").read_bytes() == before
    assert run_capture(FakeBench(), session, sidecar, *OPTIONS).exit_code == 0


def test_a_new_session_that_could_not_be_read_is_not_begun(tmp_path: Path, sidecar: Path) -> None:
    bench = FakeBench()
    for options in (("--name", ""), ("--temperature-c", "nan"), ("--distance-m", "inf")):
        ran = run_capture(bench, tmp_path / "new", sidecar, *OPTIONS, *options)
        assert ran.exit_code in (2, 3) and bench.exchanges == 0, options
        assert not (tmp_path / "new" / "session.toml").exists()
    assert run_capture(FakeBench(), tmp_path / "new", sidecar, *OPTIONS).exit_code == 0


def test_a_long_position_makes_names_that_fit(session: Path, sidecar: Path) -> None:
    position = "30° links, " * 60
    ran = run_capture(FakeBench(), session, sidecar, *OPTIONS, "--position", position)
    assert ran.exit_code == 0, ran.stderr
    assert takes(session)[0][0] == position


@pytest.mark.parametrize("position", ["calibration", "axis-calibration"])
def test_a_position_named_like_another_file_takes_none_away(
    position: str, captured: Path, sidecar: Path
) -> None:
    before = {p.name: p.read_bytes() for p in captured.glob("*.json")}
    assert {"calibration.json", "axis-calibration.json"} <= set(before)
    ran = run_capture(FakeBench(), captured, sidecar, *OPTIONS, "--position", position)
    assert ran.exit_code == 0, ran.stderr
    assert {name: (captured / name).read_bytes() for name in before} == before


NOT_WRITABLE = {
    "read-only": (errno.EROFS, "cannot be written (Read-only file system)"),
    "not allowed": (errno.EACCES, "cannot be written (Permission denied)"),
    "full": (errno.ENOSPC, "there is no room"),
    "quota": (errno.EDQUOT, "there is no room"),
}


@pytest.mark.parametrize("name", NOT_WRITABLE)
def test_a_folder_that_cannot_be_written_is_not_called_full(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    number, words = NOT_WRITABLE[name]

    def refuse(*_args: object, **_options: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(keeping.tempfile, "mkstemp", refuse)
    with pytest.raises(InputError) as caught:
        reserve(tmp_path, name="x", frames=10, channels=1, rate_hz=RATE_HZ)
    assert words in str(caught.value)
    assert ("no room" in str(caught.value)) == ("no room" in words)


# ── the record ─────────────────────────────────────────────────────────────────────────────

GOOD = '{"event": "exposure", "listener_dba_minutes": [[80.0, 1.0]]}\n'

DAMAGED = {
    "not UTF-8": b"\xff\xfe\x00\n",
    "no JSON": b"{\n",
    "no event": b"[1]\n",
    "no list": b'{"listener_dba_minutes": 3}\n',
    "a text": b'{"listener_dba_minutes": "80"}\n',
    "no pair": b'{"listener_dba_minutes": [[80.0]]}\n',
    "no number": b'{"listener_dba_minutes": [[NaN, 1.0]]}\n',
    "no end": b'{"listener_dba_minutes": [[80.0, Infinity]]}\n',
    "too large": b'{"listener_dba_minutes": [[1' + b"0" * 400 + b", 1.0]]}\n",
    "louder than anything": b'{"listener_dba_minutes": [[1e9, 1.0]]}\n',
    "backwards": b'{"listener_dba_minutes": [[80.0, -1.0]]}\n',
    "deep": b"[" * 100000 + b"\n",
}


@pytest.mark.parametrize("name", DAMAGED)
def test_a_damaged_record_is_refused_in_one_line(name: str, session: Path, sidecar: Path) -> None:
    path = session / "capture-log.jsonl"
    path.write_bytes(GOOD.encode() + DAMAGED[name] + GOOD.encode())
    for ran in (
        run_main("exposure", str(session)),
        run_capture(bench := FakeBench(), session, sidecar, *OPTIONS),
    ):
        assert ran.exit_code == 3, ran.stderr
        assert "record of the noise dose" in ran.stderr
        assert "Traceback" not in ran.stderr
    assert bench.exchanges == 0


def test_a_record_that_is_a_folder_is_refused(session: Path) -> None:
    (session / "capture-log.jsonl").mkdir()
    assert run_main("exposure", str(session)).exit_code == 3


@pytest.mark.parametrize("rest", ['{"event": "expos', "{", '{"event": "a", "b": "\xc3', "\n\n"])
def test_a_last_line_cut_off_by_a_kill_is_left_out(rest: str, tmp_path: Path) -> None:
    path = tmp_path / "capture-log.jsonl"
    path.write_bytes((GOOD + rest).encode("latin-1"))
    assert listener_dba_minutes(tmp_path) == [(80.0, 1.0)]
    log(tmp_path, "next")
    assert [event["event"] for event in read_log(tmp_path)] == ["exposure", "next"]


def test_a_last_line_without_its_end_is_kept(tmp_path: Path) -> None:
    (tmp_path / "capture-log.jsonl").write_text(GOOD + '{"event": "by hand"}')
    log(tmp_path, "next")
    events = [event["event"] for event in read_log(tmp_path)]
    assert events == ["exposure", "by hand", "next"]
    assert read_log(tmp_path / "nowhere") == []


def test_the_record_names_the_position_of_what_was_left(session: Path, sidecar: Path) -> None:
    options = (*OPTIONS, "--position", "30° left")
    assert run_capture(FakeBench(), session, sidecar, *options).exit_code == 0
    path = session / "session.toml"
    path.write_text(path.read_text()[: path.read_text().index("[[takes]]")])
    forget(session, "take")
    recover(session)
    assert takes(session)[0][0] == "30° left"
    assert log_events(session)[-1]["recovered"] is True
    assert recovery.recover(session) == []
