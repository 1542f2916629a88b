"""A nonlinear circuit in ngspice: its answer to our sweep against its own Fourier analysis.

ngspice solves a diode clipper with capacitors before, in and behind it, so that every
harmonic depends on frequency. It does so twice: driven by the stimulus, which is analysed as a
recording; and driven by single sines, whose steady state it analyses itself. The two have
the circuit in common and nothing else.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import scipy.fft
from scipy.interpolate import CubicSpline
from whole_path import PlayedLadder, analysed, level_db, write_ladder

import distsweep

pytestmark = [pytest.mark.system, pytest.mark.long]

# Two unlike branches make even harmonics, the source's and the load's capacitors make them move
# with frequency. Values are chosen so that harmonics 2 to 5 lie between −15 and −60 dB.
CIRCUIT = """
B0 src 0 V=1.5*V(drive)
C1 src a 100n
R1 a 0 10k
R2 a b 2.2k
D1 b 0 junction
D2 0 m junction
R3 m b 470
C2 b 0 2.2n
R4 b out 1k
C3 out 0 4.7n
R5 out 0 22k
.model junction D(IS=2.5n N=1.75 RS=0.6)
"""

# With 1e-6 for the sweep too, no harmonic up to 1 kHz moves by 0.001 dB, and it takes twice as
# long.
SWEEP_OPTIONS = ".options reltol=1e-5 abstol=1e-13 vntol=1e-9 chgtol=1e-16 method=trap"
SINE_OPTIONS = ".options reltol=1e-6 abstol=1e-13 vntol=1e-9 chgtol=1e-16 method=trap"

OVERSAMPLING = 8
"""The drive is given to ngspice at 384 kHz, joined by straight lines: these take 0.0002 dB off it
at 1 kHz, 0.05 dB at 16 kHz (sinc²)."""

GRID_NEAR_HZ = (100.0, 200.0, 400.0, 700.0, 1000.0, 1500.0, 2500.0)
ORDERS = (2, 3, 4, 5)

# Required up to 1 kHz. Measured: 0.034 dB for order 5 at 100 Hz, where a 3 s sweep leaves it a
# short window (a likely cause, not a proven one), 0.009 dB for every order from 200 Hz on.
TOLERANCE_DB = 0.05
TOLERANCE_FROM_200_HZ_DB = 0.015
FUNDAMENTAL_TOLERANCE_DB = 0.005


def run_ngspice(netlist: str, folder: Path, name: str) -> str:
    file = folder / f"{name}.cir"
    file.write_text(netlist, encoding="ascii")
    done = subprocess.run(
        ["ngspice", "-b", file.name],
        check=False,
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stdout[-800:] + done.stderr[-800:]
    return done.stdout


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if shutil.which("ngspice") is None:
        reason = "ngspice is not installed (Debian package ngspice)"
        if os.environ.get("DISTSWEEP_REQUIRE_SYSTEM") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    return tmp_path_factory.mktemp("ngspice")


@pytest.fixture(scope="module")
def take(folder: Path) -> distsweep.Take:
    played = write_ladder(folder, levels_dbfs=[0.0], order=max(ORDERS))
    return analysed(played, played.with_rungs([circuit_answer(played, folder)]))


def circuit_answer(played: PlayedLadder, folder: Path) -> np.ndarray:
    """Let ngspice play one rung through the circuit; the answer at the stimulus's rate."""
    rung = played.rung(0)
    samples = len(rung) // 2 * 2
    fine_hz = OVERSAMPLING * played.rate_hz
    spectrum = scipy.fft.rfft(rung[:samples])
    padded = np.pad(spectrum, (0, (OVERSAMPLING - 1) * samples // 2))
    drive = scipy.fft.irfft(padded, OVERSAMPLING * samples) * OVERSAMPLING
    time_s = np.arange(len(drive)) / fine_hz
    np.savetxt(folder / "drive.txt", np.column_stack([time_s, drive]), fmt="%.9e")
    run_ngspice(
        f"""driven by the stimulus
A1 %v([drive]) player
.model player filesource(file="drive.txt" amploffset=[0] amplscale=[1])
{CIRCUIT}
{SWEEP_OPTIONS}
.control
tran {1.0 / fine_hz:.9e} {time_s[-1]:.9e} 0 {1.5 / fine_hz:.9e}
set filetype=binary
write answer.raw v(out)
quit 0
.endc
.end
""",
        folder,
        "sweep",
    )
    header, _, body = (folder / "answer.raw").read_bytes().partition(b"Binary:\n")
    assert b"No. Variables: 2" in header
    solved_s, volts = np.frombuffer(body).reshape(-1, 2).T
    # ngspice chooses its own time points, one or two to one of the drive's: a cubic spline
    # through them is right to far below its tolerances.
    answer = CubicSpline(solved_s, volts)(np.minimum(time_s, solved_s[-1]))
    kept = scipy.fft.rfft(answer)[: samples // 2 + 1]
    return scipy.fft.irfft(kept / OVERSAMPLING, samples)


@pytest.fixture(scope="module")
def grid_hz(take: distsweep.Take) -> list[float]:
    """The analysis's own frequencies nearest to round ones: nothing is interpolated."""
    return [
        float(take.frequency_hz[np.argmin(np.abs(take.frequency_hz - near_hz))])
        for near_hz in GRID_NEAR_HZ
    ]


@pytest.fixture(scope="module")
def own_analysis(folder: Path, grid_hz: list[float]) -> dict[float, np.ndarray]:
    """ngspice's ``fourier`` over the last period of a steady sine; amplitudes from order 0 on."""
    commands = ["set fourgridsize=4096", "set polydegree=3", "set nfreqs=8"]
    for frequency_hz in grid_hz:
        period_s = 1.0 / frequency_hz
        # The slowest time constant is 1 ms (C1 with R1): 20 ms is settled.
        periods = max(6, int(np.ceil(0.02 / period_s)))
        commands += [
            f"alter @V1[sin] = [ 0 1 {frequency_hz:.12g} ]",
            f"tran {period_s / 2000:.9e} {periods * period_s:.12e} 0 {period_s / 2000:.9e}",
            f"fourier {frequency_hz:.12g} v(out)",
        ]
    control = "\n".join([".control", *commands, "quit 0", ".endc"])
    printed = run_ngspice(
        f"driven by sines\nV1 drive 0 sin(0 1 1k)\n{CIRCUIT}\n{SINE_OPTIONS}\n{control}\n.end\n",
        folder,
        "sines",
    )
    tables = printed.split("Fourier analysis for")[1:]
    assert len(tables) == len(grid_hz)
    row = re.compile(r"^\s*(\d+)\s+(\S+)\s+(\S+)", re.MULTILINE)
    result = {}
    for frequency_hz, table in zip(grid_hz, tables, strict=True):
        rows = row.findall(table)
        assert float(rows[1][1]) == pytest.approx(frequency_hz, rel=1e-4)  # printed to 6 digits
        result[frequency_hz] = np.array([float(amplitude) for _, _, amplitude in rows])
    return result


def errors_db(
    take: distsweep.Take, own_analysis: dict[float, np.ndarray], frequency_hz: float
) -> np.ndarray:
    """Measured harmonic levels minus ngspice's own, one an order."""
    index = int(np.argmin(np.abs(take.frequency_hz - frequency_hz)))
    amplitudes = own_analysis[frequency_hz]
    return np.array(
        [
            take.rungs[0].harmonics[n].level_db[index] - level_db(amplitudes[n] / amplitudes[1])
            for n in ORDERS
        ]
    )


@pytest.mark.parametrize("index", range(len(GRID_NEAR_HZ)), ids=lambda i: f"{GRID_NEAR_HZ[i]:g}Hz")
def test_harmonics_of_a_circuit(take, own_analysis, grid_hz, index: int) -> None:
    frequency_hz = grid_hz[index]
    error_db = errors_db(take, own_analysis, frequency_hz)
    tolerance_db = TOLERANCE_FROM_200_HZ_DB if frequency_hz > 150.0 else TOLERANCE_DB
    assert np.max(np.abs(error_db)) < tolerance_db


def test_fundamental_of_a_circuit(take, own_analysis) -> None:
    for frequency_hz, amplitudes in own_analysis.items():
        index = int(np.argmin(np.abs(take.frequency_hz - frequency_hz)))
        error_db = take.rungs[0].fundamental_db[index] - level_db(amplitudes[1])
        assert abs(error_db) < FUNDAMENTAL_TOLERANCE_DB, frequency_hz


def test_the_circuit_is_a_worthy_one(own_analysis) -> None:
    # Harmonics that were all alike over frequency, or hidden, would prove little.
    levels_db = np.array([level_db(a[2:6] / a[1]) for a in own_analysis.values()])
    assert np.all(levels_db > -60.0)
    assert np.all(np.ptp(levels_db, axis=0) > 5.0)
