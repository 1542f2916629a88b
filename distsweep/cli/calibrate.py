"""``distsweep calibrate``: pascal per full scale, into ``calibration.json``."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from distsweep.cli import _numbers as numbers
from distsweep.cli._printing import say

if TYPE_CHECKING:
    from distsweep.units import FloatArray

DEFAULT_RATE_HZ = 48000


@dataclass(frozen=True)
class _Recorded:
    """A calibrator's tone, and what is known of where it came in; None where it is not."""

    samples: FloatArray | None
    rate_hz: int | None
    device: str | None
    channel: int | None


@click.command("calibrate")
@click.argument("session", type=click.Path(file_okay=False, path_type=Path))
@click.option("--recording", type=click.Path(path_type=Path), help="Recorded calibrator tone.")
@click.option("--input", "device", metavar="DEV", help="Record the calibrator's tone now.")
@click.option(
    "--channel",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    help="Channel of the microphone, in the recording or of --input, counted from 1.",
)
@click.option(
    "--rate-hz",
    type=numbers.RATE_HZ,
    help="With --input: the rate, 48000 if not given. With data sheets, noted.",
)
@click.option(
    "--device", "made_with", metavar="NAME", help="Without --input, noted: the input device's name."
)
@click.option(
    "--input-channel",
    type=click.IntRange(min=1),
    help="Without --input, noted: the device's channel, where it is not the recording's.",
)
@click.option(
    "--seconds",
    type=numbers.Number(2.0, 60.0),
    default=5.0,
    show_default=True,
    help="With --input.",
)
@click.option(
    "--level",
    "level_spl_db",
    type=numbers.Number(60.0, 140.0),
    default=94.0,
    show_default=True,
    help="The calibrator's level, dB SPL.",
)
@click.option(
    "--frequency",
    "frequency_hz",
    type=numbers.FREQUENCY_HZ,
    default=1000.0,
    show_default=True,
    help="The calibrator's frequency, Hz.",
)
@click.option(
    "--sensitivity-mv-per-pa",
    type=numbers.SENSITIVITY_MV_PER_PA,
    help="Data sheet instead: the microphone's, mV/Pa.",
)
@click.option(
    "--full-scale-v-rms",
    type=numbers.FULL_SCALE_V_RMS,
    help="Data sheet instead: RMS volts of the sine that just fills the input at this gain.",
)
@click.option("--microphone", help="Noted: which microphone.")
@click.option("--gain", "input_gain", help="Noted: where the input gain stands; don't move it.")
def command(
    session: Path,
    recording: Path | None,
    device: str | None,
    channel: int,
    rate_hz: int | None,
    made_with: str | None,
    input_channel: int | None,
    seconds: float,
    sensitivity_mv_per_pa: float | None,
    full_scale_v_rms: float | None,
    **given: Any,
) -> None:
    """Find pascal per full scale and write SESSION/calibration.json.

    From an acoustic calibrator's tone, recorded before (--recording) or now (--input); or
    from data sheets (--sensitivity-mv-per-pa and --full-scale-v-rms).
    """
    from distsweep.capture import calibration as cal

    sheet = sensitivity_mv_per_pa is not None or full_scale_v_rms is not None
    if sum((recording is not None, device is not None, sheet)) != 1:
        raise click.UsageError(
            "give one of --recording, --input, or --sensitivity-mv-per-pa with --full-scale-v-rms"
        )
    if device is not None and (made_with is not None or input_channel is not None):
        raise click.UsageError("--device and --input-channel are what --input tells by itself")
    if device is not None:
        recorded = _record(device, channel, rate_hz or DEFAULT_RATE_HZ, seconds)
    elif recording is not None:
        recorded = _read(recording, channel, made_with, input_channel)
    else:
        recorded = _Recorded(None, rate_hz, made_with, input_channel)
    if sheet:
        pascal_per_fs, details = _from_sheet(sensitivity_mv_per_pa, full_scale_v_rms)
    else:
        pascal_per_fs, details = _from_tone(recorded, given["level_spl_db"], given["frequency_hz"])
    note = cal.CalibrationNote(
        pascal_per_fs=pascal_per_fs,
        method="data sheet" if sheet else "calibrator",
        date=cal.now_text(),
        microphone=given["microphone"],
        input_gain=given["input_gain"],
        details=details,
        device=recorded.device,
        channel=recorded.channel,
        rate_hz=recorded.rate_hz,
    )
    _keep(session, note)


def _from_sheet(
    sensitivity_mv_per_pa: float | None, full_scale_v_rms: float | None
) -> tuple[float, dict[str, Any]]:
    from distsweep.capture.calibration import from_data_sheet

    if sensitivity_mv_per_pa is None or full_scale_v_rms is None:
        raise click.UsageError(
            "a data sheet needs --sensitivity-mv-per-pa and --full-scale-v-rms both"
        )
    pascal_per_fs = from_data_sheet(
        millivolt_per_pascal=sensitivity_mv_per_pa, full_scale_volt_rms=full_scale_v_rms
    )
    return pascal_per_fs, {
        "sensitivity_mv_per_pa": sensitivity_mv_per_pa,
        "full_scale_v_rms": full_scale_v_rms,
    }


def _from_tone(
    recorded: _Recorded, level_spl_db: float, frequency_hz: float
) -> tuple[float, dict[str, Any]]:
    from distsweep.capture.calibration import from_tone
    from distsweep.capture.calibrator_tone import measure_tone
    from distsweep.words.wording import signed

    assert recorded.samples is not None and recorded.rate_hz is not None
    tone = measure_tone(
        recorded.samples, rate_hz=float(recorded.rate_hz), frequency_hz=frequency_hz
    )
    say(
        f"tone: {tone.frequency_hz:.1f} Hz at {signed(tone.level_dbfs, 2)} dBFS, steady within"
        f" ±{tone.steadiness_db:.2f} dB, distortion {tone.distortion_percent:.2f} %,"
        f" {tone.snr_db:.0f} dB above the noise; taken as {level_spl_db:g} dB SPL (--level): is"
        " that what the calibrator says?"
    )
    details = {"level_spl_db": level_spl_db, **asdict(tone)}
    return from_tone(tone, level_spl_db=level_spl_db), details


def _read(
    recording: Path, channel: int, made_with: str | None, input_channel: int | None
) -> _Recorded:
    """Read the tone from a file.

    A file of one channel does not tell which of the device's it was; one of several does.
    """
    from distsweep.takes.recording import count_channels, read_recording

    read = read_recording(recording, channel=channel)
    if input_channel is None and count_channels(recording) > 1:
        input_channel = channel
    return _Recorded(read.samples, read.rate_hz, made_with, input_channel)


def _record(device: str, channel: int, rate_hz: int, seconds: float) -> _Recorded:
    """Record the tone."""
    from distsweep.capture import devices
    from distsweep.errors import DeviceError

    system = devices.open_backend()
    chosen = devices.choose_device(system.devices(), device, kind="input")
    if channel > chosen.inputs:
        raise DeviceError(f"{chosen.name!r} has {chosen.inputs} input(s), not channel {channel}")
    say(f"recording {seconds:g} s from {chosen.name!r}, channel {channel}: keep still")
    # Two at least: asked for one, a server hands out the average of a stereo source.
    channels = max(channel, min(2, chosen.inputs))
    heard = system.record(chosen, channels=channels, rate_hz=rate_hz, seconds=seconds)
    return _Recorded(heard[:, channel - 1], rate_hz, chosen.name, channel)


def _keep(session: Path, note: Any) -> None:
    """Write the calibration and make the session use it; earlier takes keep their own."""
    from distsweep.capture.belief import believe
    from distsweep.capture.calibration import FILE_NAME, check_scale, write_calibration
    from distsweep.capture.plausible import check_full_scale
    from distsweep.capture.session_lock import session_lock
    from distsweep.errors import InputError, SafetyRefusal
    from distsweep.takes.session import read_session
    from distsweep.takes.session_file import FILE_NAME as SESSION_FILE
    from distsweep.takes.session_file import add_table, start_session
    from distsweep.units import pascal_to_spl_db
    from distsweep.whole_files import make_folder

    check_scale(note)
    try:
        check_full_scale(believe(float(pascal_to_spl_db(note.pascal_per_fs)), method=None))
    except SafetyRefusal as refusal:
        raise InputError(f"{refusal}; nothing was changed") from refusal
    make_folder(session)
    with session_lock(session, doing="a calibration"):
        table = _calibration_table(session)
        _pin_earlier_takes(session, in_use=table.get("file") == FILE_NAME)
        path = write_calibration(session, note)
        say(
            f"{note.pascal_per_fs:.4g} Pa per full scale: 0 dBFS is"
            f" {float(pascal_to_spl_db(note.pascal_per_fs)):.1f} dB SPL"
        )
        click.echo(path)
        if not (session / SESSION_FILE).exists():
            start_session(session, {"calibration": {"file": FILE_NAME}})
        elif not any(key in table for key in ("file", "pascal_per_fs")):
            if table:
                say(
                    f"warning: session.toml has a [calibration] without a scale: write file ="
                    f' "{FILE_NAME}" there to use this one'
                )
            else:
                add_table(session / SESSION_FILE, "[calibration]", {"file": FILE_NAME})
                _note_uncalibrated_takes(session)
        elif table.get("file") != FILE_NAME:
            say(
                f'warning: session.toml names another calibration: write file = "{FILE_NAME}"'
                " under its [calibration] to use this one; takes that are listed there follow it,"
                " unless they name a calibration of their own"
            )
        read_session(session, takes_required=False)


def _calibration_table(session: Path) -> dict[str, Any]:
    """Return what session.toml says of the calibration, once all of it has been checked.

    A calibration.json that is missing or damaged is about to be replaced, and no obstacle.
    """
    from distsweep.capture.calibration import FILE_NAME
    from distsweep.takes.session import read_session
    from distsweep.takes.session_file import FILE_NAME as SESSION_FILE
    from distsweep.toml_input import read_toml

    if not (session / SESSION_FILE).exists():
        return {}
    table = read_toml(session / SESSION_FILE).get("calibration", {})
    replaced = isinstance(table, dict) and table.get("file") == FILE_NAME
    read_session(session, takes_required=False, calibration_required=not replaced)
    return dict(table)


def _pin_earlier_takes(session: Path, *, in_use: bool) -> None:
    """Let takes made before go on with the calibration that is about to be replaced."""
    from distsweep.capture.calibration import keep_former
    from distsweep.takes.session_file import FILE_NAME, pin_takes

    former = keep_former(session) if in_use else None
    if former is None:
        if in_use:
            _note_uncalibrated_takes(session)
        return
    count = pin_takes(session / FILE_NAME, former.name)
    if count:
        say(f"{count} earlier take(s) keep the calibration they were made with: {former.name}")


def _note_uncalibrated_takes(session: Path) -> None:
    from distsweep.takes.session import read_session

    takes = read_session(session, takes_required=False, calibration_required=False).entries
    count = sum(take.calibration is None for take in takes)
    if count:
        say(
            f"note: {count} take(s) have no calibration of their own that can be read, and take"
            " this one. That is right only if the input gain was the same; where it was not, write"
            ' calibration = "none" in their [[takes]] tables: their levels are then in dBFS'
        )
