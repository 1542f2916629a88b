"""Levels as they are written, rises, session files, names, devices, and what is not there."""

from __future__ import annotations

import subprocess
import sys
import textwrap
import tomllib
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
from capture_bench import FakeBench, calibrated_session, run_capture, run_main, write_short_stimulus
from hypothesis import given
from hypothesis import strategies as st

from distsweep.capture import devices
from distsweep.capture.backend import AudioDevice
from distsweep.capture.devices import choose_device
from distsweep.capture.judge import worst_thd
from distsweep.capture.keeping import free_take_name
from distsweep.capture.levels import LARGEST_RISE_DB, parse_levels, with_gentle_rises
from distsweep.errors import DeviceError, InputError
from distsweep.takes.session import read_session
from distsweep.takes.session_file import add_table, extended_text, start_session, toml_value
from distsweep.words.wording import as_given, with_sign


@pytest.mark.parametrize(
    ("text", "levels"),
    [
        ("80 and 90", (80.0, 90.0)),
        ("70 to 95 by 5", (70.0, 75.0, 80.0, 85.0, 90.0, 95.0)),
        ("70 to 79 by 5", (70.0, 75.0)),
        ("70, 80, 90", (70.0, 80.0, 90.0)),
        ("70 82.5", (70.0, 82.5)),
        ("-40, −34", (-40.0, -34.0)),
        ("-40 to -34 by 2.0", (-40.0, -38.0, -36.0, -34.0)),
        ("90", (90.0,)),
        ("1 to 1.3 by 0.1", (1.0, 1.1, 1.2, 1.3)),
    ],
)
def test_levels_are_read(text: str, levels: tuple[float, ...]) -> None:
    assert parse_levels(text) == pytest.approx(levels)


@pytest.mark.parametrize(
    "text",
    (
        *("", "loud", "90 and 80", "80 and 80", "nan", "inf", "1e3", "70 to 95", "80;90"),
        *("75 to 70 by 5", "70 to 95 by 0", "70 to 95 by -5", "0 to 100 by 0.1"),
        "80 to 90 by 5 and 100",
    ),
)
def test_what_is_no_ladder_of_levels_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="levels"):
        parse_levels(text)


@given(
    st.lists(st.integers(-100, 0), min_size=1, max_size=8, unique=True).map(sorted),
    st.integers(-70, -40),
)
def test_rises_are_gentle_and_keep_what_was_asked(levels: list[int], start: int) -> None:
    filled = with_gentle_rises([float(x) for x in levels], from_db=float(start))
    assert set(map(float, levels)) <= set(filled)
    assert list(filled) == sorted(filled)
    assert max(np.diff([start, *filled])) <= LARGEST_RISE_DB + 1e-9
    # Nothing is added where nothing is needed.
    needed = sum(
        max(0, -(-(b - a) // 10) - 1) for a, b in zip([start, *levels], levels, strict=False)
    )
    assert len(filled) == len(levels) + needed


DEVICES = [
    AudioDevice(0, "Interface One", "ALSA", 2, 2, 48000.0),
    AudioDevice(1, "Interface Two", "ALSA", 2, 0, 48000.0),
    AudioDevice(2, "One", "JACK", 0, 2, 48000.0),
]


@pytest.mark.parametrize(
    ("wanted", "kind", "index"),
    [("0", "input", 0), ("two", "input", 1), ("One", "output", 2), ("Interface One", "output", 0)],
)
def test_devices_are_found_by_number_name_or_part(wanted: str, kind: str, index: int) -> None:
    assert choose_device(DEVICES, wanted, kind=kind).index == index


@pytest.mark.parametrize(
    ("wanted", "kind", "error", "text"),
    [
        ("interface", "input", InputError, "fits several"),
        ("two", "output", DeviceError, "there is no output device"),
        ("7", "input", DeviceError, "there is no input device"),
        ("2", "input", DeviceError, "there is no input device"),
    ],
)
def test_devices_that_are_not_there(wanted: str, kind: str, error: type, text: str) -> None:
    with pytest.raises(error, match=text):
        choose_device(DEVICES, wanted, kind=kind)


@pytest.mark.parametrize(
    ("options", "code", "text"),
    [
        (("--input-channel", "3"), 5, "not channel 3"),
        (("--output-channel", "3"), 5, "not channel 3"),
        (("--loopback-channel", "1"), 2, "a channel each"),
        (("--levels-spl", "80", "--levels-dbfs=-50"), 2, "not both"),
    ],
)
def test_channels_are_checked_before_anything_sounds(
    options: tuple[str, ...], code: int, text: str, tmp_path: Path
) -> None:
    bench = FakeBench()
    sidecar = write_short_stimulus(tmp_path)
    ran = run_capture(bench, calibrated_session(tmp_path / "s"), sidecar, *options)
    assert ran.exit_code == code and text in ran.stderr
    assert bench.exchanges == 0


def test_a_rate_that_the_device_does_not_take_is_refused_first(tmp_path: Path) -> None:
    bench = FakeBench()
    sidecar = write_short_stimulus(tmp_path, rate_hz=88200)
    ran = run_capture(bench, calibrated_session(tmp_path / "s", None), sidecar)
    assert ran.exit_code == 5 and bench.exchanges == 0


def test_a_loop_back_is_the_time_reference_and_is_kept(tmp_path: Path) -> None:
    """The microphone's channel is so noisy that its marker cannot be found; the loop-back's can."""
    import soundfile

    sidecar = write_short_stimulus(tmp_path)
    session = calibrated_session(tmp_path / "s", 135.0)

    class Looped(FakeBench):
        def _exchange(self, route, conversation, tick, chunks):
            hear = conversation.hear

            def with_loop(block, *, dropped):
                block[:, 1] = chunks[-1] if chunks else 0.0
                return hear(block, dropped=dropped)

            conversation.hear = with_loop
            super()._exchange(route, conversation, tick, chunks)

    options = ("--loopback-channel", "2", "--levels-spl", "68")
    ran = run_capture(Looped(), session, sidecar, *options)
    assert ran.exit_code == 0, ran.stderr
    kept = soundfile.read(session / "axis-01.wav")[0]
    assert kept.shape[1] == 2
    assert [take.loopback_channel for take in read_session(session).takes] == [2]
    # The loop-back leads the microphone by the bench's 600 samples.
    both = np.correlate(kept[:40000, 0], kept[600:39000, 1], mode="valid")
    assert np.argmax(np.abs(both)) == pytest.approx(1200, abs=2)


def test_a_missing_portaudio_names_the_package_and_offline_work_goes_on(tmp_path: Path) -> None:
    script = textwrap.dedent(
        """
        import sys

        class NoPortAudio:
            def find_spec(self, name, path=None, target=None):
                if name == "sounddevice":
                    raise OSError("PortAudio library not found")

        sys.meta_path.insert(0, NoPortAudio())
        from distsweep.cli import main
        main()
        """
    )

    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", script, *arguments],
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )

    devices = run("devices")
    assert devices.returncode == 5
    assert "libportaudio2" in devices.stderr and "Traceback" not in devices.stderr
    sidecar = write_short_stimulus(tmp_path)
    arguments = ("capture", str(tmp_path / "s"), "--stimulus", str(sidecar))
    captured = run(*arguments, "--input", "0", "--output", "0")
    assert captured.returncode == 5 and "libportaudio2" in captured.stderr
    assert run("exposure", "--level", "90", "--minutes", "1").returncode == 0
    assert run("stimulus", "quick-look", "-o", str(tmp_path / "q")).returncode == 0


def test_devices_are_listed_as_text_and_json() -> None:
    with mock.patch.object(devices, "open_backend", FakeBench):
        assert "bench  [fake]  2 in, 2 out" in run_main("devices").stdout
        assert '"name": "bench"' in run_main("devices", "--json").stdout


# ── session.toml ───────────────────────────────────────────────────────────────────────────


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=30))
def test_every_text_survives_toml(text: str) -> None:
    assert tomllib.loads(f"key = {toml_value(text)}\n")["key"] == text


@given(st.one_of(st.booleans(), st.integers(-(2**60), 2**60), st.floats(allow_nan=False)))
def test_every_value_survives_toml(value: object) -> None:
    assert tomllib.loads(f"key = {toml_value(value)}\n")["key"] == value


def test_tables_are_added_and_nothing_before_them_is_touched(tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    text = '# mine\n[device]\nname = "x" # y'  # no newline at the end
    path.write_text(text)
    first = {"position": "axis", "stimulus": "a.json", "recording": ["a.wav"]}
    second = {**first, "position": "30°", "channel": 2}
    add_table(path, "[[takes]]", {**first, "partial": None})
    add_table(path, "[[takes]]", second)
    after = path.read_text()
    assert after.startswith(text)
    assert tomllib.loads(after)["takes"] == [first, second]


def test_what_cannot_be_added_to_is_refused_before_anything_sounds(tmp_path: Path) -> None:
    sidecar = write_short_stimulus(tmp_path)
    session = calibrated_session(tmp_path / "s")
    path = session / "session.toml"
    path.write_text("takes = []\n" + path.read_text())
    with pytest.raises(InputError, match=r"\[\[takes\]\] cannot be added"):
        extended_text(path, "[[takes]]", {"position": "axis"})
    bench = FakeBench()
    ran = run_capture(bench, session, sidecar, "--levels-spl", "68")
    assert ran.exit_code == 3 and bench.exchanges == 0


def test_a_new_session_is_started_with_what_is_known(tmp_path: Path) -> None:
    start_session(tmp_path, {"device": {"name": "box"}, "conditions": {"distance_m": 1.0}})
    read = read_session(tmp_path, takes_required=False)
    assert (read.device.name, read.conditions.distance_m, read.takes) == ("box", 1.0, ())
    start_session(tmp_path, {"device": {"name": "another"}})
    assert read_session(tmp_path, takes_required=False).device.name == "box"


def test_a_capture_makes_its_session(tmp_path: Path) -> None:
    sidecar = write_short_stimulus(tmp_path)
    options = ("--name", "Box", "--distance-m", "0.5", "--levels-dbfs=-60")
    ran = run_capture(FakeBench(), tmp_path / "new", sidecar, *options)
    assert ran.exit_code == 0, ran.stderr
    read = read_session(tmp_path / "new")
    assert (read.device.name, read.conditions.distance_m) == ("Box", 0.5)
    assert read.takes[0].recordings[0].name == "axis-01.wav"


def test_names_of_takes_are_free_and_safe(tmp_path: Path) -> None:
    assert free_take_name(tmp_path, "axis") == "axis"
    for name in ("axis-01.wav", "axis_2.json", "axis_3-01-partial.wav", "axis-other.wav"):
        (tmp_path / name).touch()
    assert free_take_name(tmp_path, "axis") == "axis_4"
    assert free_take_name(tmp_path, "../../etc") == "etc"
    assert free_take_name(tmp_path, "30° left") == "30-left"
    assert free_take_name(tmp_path, "///") == "take"


def test_what_a_session_has_played_adds_up(tmp_path: Path) -> None:
    import json

    sidecar = write_short_stimulus(tmp_path)
    session = calibrated_session(tmp_path / "s", 120.0)
    options = ("--levels-spl", "90", "--accept-level", "92")
    doses = []
    for _ in range(2):
        assert run_capture(FakeBench(), session, sidecar, *options).exit_code == 0
        ran = run_main("exposure", str(session), "--json", "-")
        doses.append(json.loads(ran.stdout)["doses"][0]["dose_percent"])
    assert doses[1] == pytest.approx(2.0 * doses[0], rel=1e-3)
    # 0.6 s of a sweep at 90 dB SPL is a share of 0.6 s / 2.52 h, less its A-weighted ends.
    assert 0.5 < doses[0] / (100.0 * 0.6 / 60.0 / 151.2) < 1.3


# ── THD between rungs ──────────────────────────────────────────────────────────────────────


def test_thd_counts_where_the_loudspeaker_works() -> None:
    """100 % far below its range, or on one grid point, is no distress; 40 % over an octave is."""
    frequency = 20.0 * 2.0 ** (np.arange(400) / 48.0)
    fundamental = np.where(np.arange(400) < 80, 60.0, 90.0)
    thd = np.where(np.arange(400) < 80, 100.0, 1.0)
    thd[200] = 100.0
    rung = mock.Mock(
        fundamental_db=fundamental, thd_percent=thd, thd_reliable=np.ones(400, dtype=bool)
    )
    assert worst_thd(rung, frequency, 90.0) == (1.0, pytest.approx(frequency[88], rel=1.0))
    thd[250:298] = 40.0
    percent, where = worst_thd(rung, frequency, 90.0)
    assert percent == 40.0 and frequency[250] <= where < frequency[298]
    rung.thd_reliable[:] = False
    assert worst_thd(rung, frequency, 90.0) is None


@pytest.mark.parametrize(
    ("number", "difference", "written"),
    [(-0.04, "+0.0", "−0.04"), (-3.0, "−3.0", "−3"), (0.26, "+0.3", "0.26"), (12.0, "+12.0", "12")],
)
def test_numbers_have_true_minus_signs(number: float, difference: str, written: str) -> None:
    assert with_sign(number) == difference
    assert as_given(number) == written
