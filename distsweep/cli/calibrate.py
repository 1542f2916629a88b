"""``distsweep calibrate``: pascal per full scale, into ``calibration.json``."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from distsweep.cli import _numbers as numbers

if TYPE_CHECKING:
    from distsweep.units import FloatArray


@click.command("calibrate")
@click.argument("session", type=click.Path(file_okay=False, path_type=Path))
@click.option("--recording", type=click.Path(path_type=Path), help="Recorded calibrator tone.")
@click.option("--input", "device", metavar="DEV", help="Record the calibrator's tone now.")
@click.option(
    "--channel",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    help="Channel of the microphone, counted from 1.",
)
@click.option(
    "--rate-hz", type=numbers.RATE_HZ, default=48000, show_default=True, help="With --input."
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
    rate_hz: int,
    seconds: float,
    level_spl_db: float,
    frequency_hz: float,
    sensitivity_mv_per_pa: float | None,
    full_scale_v_rms: float | None,
    microphone: str | None,
    input_gain: str | None,
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
    if sheet:
        pascal_per_fs, details = _from_sheet(sensitivity_mv_per_pa, full_scale_v_rms)
    else:
        samples, rate = _samples(recording, device, channel, rate_hz, seconds)
        pascal_per_fs, details = _from_tone(samples, rate, level_spl_db, frequency_hz)
    note = cal.CalibrationNote(
        pascal_per_fs=pascal_per_fs,
        method="data sheet" if sheet else "calibrator",
        date=cal.now_text(),
        microphone=microphone,
        input_gain=input_gain,
        details=details,
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
    samples: FloatArray, rate_hz: float, level_spl_db: float, frequency_hz: float
) -> tuple[float, dict[str, Any]]:
    from distsweep.capture.calibration import from_tone, measure_tone

    tone = measure_tone(samples, rate_hz=rate_hz, frequency_hz=frequency_hz)
    _say(
        f"tone: {tone.frequency_hz:.1f} Hz at {tone.level_dbfs:.2f} dBFS, steady within"
        f" ±{tone.steadiness_db:.2f} dB, distortion {tone.distortion_percent:.2f} %,"
        f" {tone.snr_db:.0f} dB above the noise"
    )
    details = {"level_spl_db": level_spl_db, **asdict(tone)}
    return from_tone(tone, level_spl_db=level_spl_db), details


def _samples(
    recording: Path | None, device: str | None, channel: int, rate_hz: int, seconds: float
) -> tuple[FloatArray, float]:
    """Read the tone from a file, or record it."""
    if recording is not None:
        from distsweep.takes.recording import read_recording

        read = read_recording(recording, channel=channel)
        return read.samples, float(read.rate_hz)
    from distsweep.capture import backend as audio
    from distsweep.errors import DeviceError

    system = audio.open_backend()
    chosen = audio.choose_device(system.devices(), device or "", kind="input")
    if channel > chosen.inputs:
        raise DeviceError(f"{chosen.name!r} has {chosen.inputs} input(s), not channel {channel}")
    _say(f"recording {seconds:g} s from {chosen.name!r}, channel {channel}: keep still")
    heard = system.record(chosen, channels=channel, rate_hz=rate_hz, seconds=seconds)
    return heard[:, channel - 1], float(rate_hz)


def _keep(session: Path, note: Any) -> None:
    """Write the calibration and make the session use it."""
    from distsweep.capture.calibration import FILE_NAME, write_calibration
    from distsweep.takes.session import read_session
    from distsweep.takes.session_file import FILE_NAME as SESSION_FILE
    from distsweep.takes.session_file import add_table, start_session
    from distsweep.toml_input import read_toml
    from distsweep.units import pascal_to_spl_db

    given = {}
    if (session / SESSION_FILE).exists():
        given = read_toml(session / SESSION_FILE).get("calibration", {})
    path = write_calibration(session, note)
    _say(
        f"{note.pascal_per_fs:.6g} Pa per full scale: 0 dBFS is"
        f" {float(pascal_to_spl_db(note.pascal_per_fs)):.2f} dB SPL"
    )
    click.echo(path)
    if not (session / SESSION_FILE).exists():
        start_session(session, {"calibration": {"file": FILE_NAME}})
    elif not given:
        add_table(session / SESSION_FILE, "[calibration]", {"file": FILE_NAME})
    elif given.get("file") != FILE_NAME:
        _say(
            f'warning: session.toml names another calibration: write file = "{FILE_NAME}" under'
            " its [calibration] to use this one"
        )
    read_session(session, takes_required=False)


def _say(text: str) -> None:
    click.echo(text, err=True)
