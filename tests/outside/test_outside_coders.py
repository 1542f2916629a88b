"""Ladders coded with loss by libmp3lame, libvorbis and libopus, as libsndfile carries them.

The truth is closed form; the coders are others' programs. Harmonics lie between −10 and −60 dB.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from closed_form import Branch, harmonic_amplitudes, high_pass, low_pass, peak, play
from conftest import RATE_HZ, Bench, ladder_recipe, long

from distsweep.pipeline import analyse_recording
from distsweep.results import Results
from distsweep.takes.lossy import shows_coding
from distsweep.takes.placement import place_stimulus
from distsweep.takes.recording import read_recording

BENT = [
    Branch(high_pass(50, 0.7), (1.0, 0.3, -0.35), peak(900, 3, 5)),
    Branch(high_pass(2000, 0.7), (0.0, 0.02), low_pass(20000, 0.6)),
]
LEVELS_DBFS = [-18, -12, -6]

MP3_96, MP3_160, MP3_320 = (("MP3", "MPEG_LAYER_III", level) for level in (0.75, 0.6, 0.0))
VORBIS_64, VORBIS_85, VORBIS_160 = (("OGG", "VORBIS", level) for level in (0.5, 0.2, 0.0))
OPUS_130, OPUS_260 = (("OGG", "OPUS", level) for level in (0.5, 0.0))
"""Format, encoding, and libsndfile's degree of compression; the name has the rate in kbit/s."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    recipe = ladder_recipe(levels_dbfs=LEVELS_DBFS, sweep_s=4.0)
    return Bench(tmp_path_factory.mktemp("coded"), recipe)


@pytest.fixture(scope="module")
def heard(bench: Bench) -> np.ndarray:
    """What is recorded, peaking at 0.3, in noise 65 dB below that."""
    sound = play(BENT, bench.waveform, RATE_HZ)
    noise = np.random.default_rng(16).standard_normal(len(sound))
    return np.asarray(0.3 * sound / np.max(np.abs(sound)) + 0.3 * 10 ** (-65 / 20) * noise)


def coded(sound: np.ndarray, container: str, encoding: str, level: float) -> bytes:
    file = io.BytesIO()
    mode = {"bitrate_mode": "CONSTANT"} if container == "MP3" else {}
    soundfile.write(
        file, sound.astype(np.float32), RATE_HZ, format=container, subtype=encoding,
        compression_level=level, **mode,
    )  # fmt: skip
    return file.getvalue()


def errors_of(results: Results) -> tuple[np.ndarray, np.ndarray]:
    """Return errors of all reliable harmonics, and whether their intervals hold the truth."""
    take = results.takes[0]
    errors, held = [], []
    for rung in take.rungs:
        drive = 10 ** (rung.drive_dbfs / 20)
        truth = harmonic_amplitudes(BENT, take.frequency_hz, drive, 5)
        for order, curve in rung.harmonics.items():
            with np.errstate(divide="ignore"):
                true_db = 20 * np.log10(truth[order - 1] / truth[0])
            kept = curve.reliable
            errors.append((curve.level_db - true_db)[kept])
            held.append(((curve.low_db <= true_db) & (true_db <= curve.high_db))[kept])
            hidden = np.isfinite(curve.high_db) & ~kept
            assert np.sum(curve.high_db[hidden] < true_db[hidden]) <= 0.05 * np.sum(hidden) + 3
    return np.concatenate(errors), np.concatenate(held)


@pytest.mark.parametrize(
    "coder",
    [MP3_160, VORBIS_85, OPUS_130, long(MP3_96), long(MP3_320), long(VORBIS_160), long(OPUS_260)],
)
def test_what_a_coded_file_says_reliably_is_right(
    bench: Bench, heard: np.ndarray, coder: tuple[str, str, float]
) -> None:
    path = bench.folder / f"take.{coder[0].lower()}"
    path.write_bytes(coded(heard, *coder))
    results = analyse_recording(path, stimulus=bench.sidecar)
    assert [one.kind for one in results.takes[0].damage] == ["lossy"]
    errors, held = errors_of(results)
    assert len(errors) > 200
    assert np.mean(np.abs(errors) > 1.5) <= 0.015
    assert np.mean(held) >= 0.94
    levels = [curve for rung in results.takes[0].rungs for curve in rung.harmonics.values()]
    assert all(np.all(curve.level_db[curve.reliable] >= -40.0) for curve in levels)


Found = Callable[[np.ndarray], bool]


@pytest.fixture
def seen(bench: Bench, tmp_path: Path) -> Found:
    """Whether coding shows in a WAV of 24 bits."""

    def shows(sound: np.ndarray) -> bool:
        path = tmp_path / "decoded.wav"
        soundfile.write(path, sound, RATE_HZ, subtype="PCM_24")
        recording, file = read_recording(path), bench.stimulus.files[0]
        placement = place_stimulus(recording, marker=bench.stimulus.marker, file=file)
        first, last = (round(placement.at(sample)) for sample in file.quiet_samples)
        start = round(placement.at(file.rungs[-1].start_sample))
        end = start + bench.stimulus.sweep.samples
        return shows_coding(recording, (first, last), (start, end))

    return shows


@pytest.mark.parametrize("coder", [VORBIS_64, VORBIS_85, VORBIS_160, OPUS_130, OPUS_260])
def test_a_decoded_file_shows_its_coder(
    heard: np.ndarray, seen: Found, coder: tuple[str, str, float]
) -> None:
    assert seen(soundfile.read(io.BytesIO(coded(heard, *coder)))[0])


def test_what_was_not_coded_shows_none(heard: np.ndarray, seen: Found) -> None:
    """Nor does a loudspeaker that ends at 15 kHz, a conversion's filter, or a gain that fell."""
    from scipy.signal import firwin, oaconvolve, resample_poly

    assert not seen(heard)
    sharp = firwin(801, 15000, fs=RATE_HZ)
    quiet = 0.3 * 10 ** (-65 / 20) * np.random.default_rng(17).standard_normal(len(heard))
    assert not seen(oaconvolve(heard, sharp, mode="same") + quiet)
    assert not seen(resample_poly(resample_poly(heard, 147, 160), 160, 147)[: len(heard)])
    assert not seen(resample_poly(resample_poly(heard, 2, 3), 3, 2)[: len(heard)])
    assert not seen(heard * np.where(np.arange(len(heard)) > len(heard) // 2, 0.25, 1.0))
