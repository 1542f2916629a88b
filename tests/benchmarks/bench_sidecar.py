"""How surely another stimulus's sidecar is told, and the right one is not refused.

Run ``python tests/benchmarks/bench_sidecar.py --count 50 --seed 0``. Each draw is a short
stimulus, a loudspeaker with a closed-form answer, half of the time a reverberant room, noise 10
to 60 dB below the loudest moment (white, pink or bursts), clocks up to 200 ppm apart, and any
gain and polarity. It is analysed with its own sidecar, and with that of another stimulus whose
markers stand as far apart within 200 ppm. With ``--split`` a stimulus has one file a tone or rung.
"""

from __future__ import annotations

import argparse
import copy
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import scipy.fft
import scipy.signal
import soundfile

sys.path.insert(0, str(Path(__file__).parent.parent))

from closed_form import Branch, cascade, high_pass, low_pass, peak, play

from distsweep.errors import InputError
from distsweep.pipeline import analyse_recording
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.sidecar import sidecar_text
from distsweep.stimulus.write import _laid_out, rendered

RATE_HZ = 48000
TONES_HZ = [63, 100, 160, 250, 400, 630, 1000, 1600, 2500, 4000, 6300]


def random_recipe(rng: np.random.Generator, kind: str) -> dict[str, Any]:
    step = float(rng.choice([2, 3, 4, 6]))
    loudest = float(rng.choice([-4, -8, -10]))
    levels = sorted(loudest - step * i for i in range(int(rng.integers(3, 7))))
    recipe: dict[str, Any] = {"kind": kind, "name": kind, "rate_hz": RATE_HZ, "order": 5}
    recipe |= {
        "quiet_s": float(rng.choice([1.0, 1.5, 2.0])),
        "pause_s": float(rng.choice([0.5, 1])),
    }
    if kind == "ladder":
        band = [float(rng.choice([40, 60, 80, 100])), float(rng.choice([8000, 16000, 20000]))]
        return recipe | {
            "band_hz": band, "sweep_s": float(rng.choice([2.0, 2.5, 3.0, 4.0])),
            "levels_dbfs": levels[-3:], "return_rung": bool(rng.random() < 0.3),
        }  # fmt: skip
    tones = sorted(rng.choice(TONES_HZ, int(rng.integers(1, 4)), replace=False).tolist())
    return recipe | {
        "frequencies_hz": tones, "levels_dbfs": levels,
        "hold_s": float(rng.choice([0.25, 0.3, 0.4, 0.5])),
        "rest_s": float(rng.choice([0.15, 0.2, 0.3, 0.4])),
        "release_s": float(rng.choice([0.3, 0.5, 1.0])),
    }  # fmt: skip


def another(
    rng: np.random.Generator, recipe: dict[str, Any], *, split: bool
) -> dict[str, Any] | None:
    """Return another stimulus, with such a silence that its markers stand as far apart."""
    wanted = spacings(recipe, split)
    for _ in range(100):
        other = random_recipe(rng, str(rng.choice(["ladder", "staircase"])))
        if other["kind"] == recipe["kind"] == "staircase" and rng.random() < 0.5:
            other["frequencies_hz"] = recipe["frequencies_hz"]
        try:
            other["quiet_s"] += (wanted[0] - spacings(other, split)[0]) / RATE_HZ
            found = spacings(other, split)
            alike = len(found) == len(wanted) and np.all(np.abs(found / wanted - 1.0) < 2e-4)
            if alike and other["quiet_s"] <= 60.0:
                return other
        except InputError:
            continue
    return None


def spacings(recipe: dict[str, Any], split: bool) -> np.ndarray:
    files = _laid_out(parse_recipe(recipe, "recipe"), split).files
    return np.array([file.end_marker_sample - file.start_marker_sample for file in files])


def recordings(
    rng: np.random.Generator, recipe: dict[str, Any], folder: Path, *, split: bool
) -> list[Path]:
    """Record every file of a stimulus with the same loudspeaker, room, clocks and kind of noise."""
    stimulus = _laid_out(parse_recipe(recipe, "recipe"), split)
    paths = [folder / f"{number}.wav" for number in range(len(stimulus.files))]
    for file, path in zip(stimulus.files[1:], paths[1:], strict=True):
        recording(copy.deepcopy(rng), rendered(stimulus, file), path)
    recording(rng, rendered(stimulus, stimulus.files[0]), paths[0])
    return paths


def recording(rng: np.random.Generator, played: np.ndarray, path: Path) -> None:
    corner_hz = float(np.exp(rng.uniform(np.log(35.0), np.log(150.0))))
    bell = peak(float(np.exp(rng.uniform(np.log(100.0), np.log(8000.0)))), 5.0, 6.0)
    curve = (1.0, float(rng.uniform(-0.15, 0.15)), float(rng.uniform(-0.3, 0.1)))
    branch = Branch(cascade(high_pass(corner_hz, 0.8), bell), curve, low_pass(18000.0))
    heard = play([branch], played, RATE_HZ)
    if rng.random() < 0.5:
        decay_s = float(rng.uniform(0.1, 0.8))
        tail = rng.standard_normal(int(decay_s * RATE_HZ))
        tail *= 10.0 ** (-3.0 * np.arange(len(tail)) / RATE_HZ / decay_s)
        tail *= 10.0 ** (rng.uniform(-20.0, 3.0) / 20.0) / np.sqrt(np.sum(tail**2))
        tail[0] += 1.0
        heard = scipy.signal.oaconvolve(heard, tail)[: len(heard)]
    ppm = float(rng.uniform(-200.0, 200.0))
    heard = np.pad(heard, (0, scipy.fft.next_fast_len(len(heard) + 9999) - len(heard)))
    heard = scipy.signal.resample(heard, round(len(heard) * (1.0 + 1e-6 * ppm)))
    noise = rng.standard_normal(len(heard))
    colour = str(rng.choice(["white", "pink", "bursts"]))
    if colour == "pink":
        spectrum = scipy.fft.rfft(noise)
        hertz = np.maximum(np.arange(len(spectrum)) * RATE_HZ / len(noise), 20.0)
        noise = scipy.fft.irfft(spectrum / np.sqrt(hertz), len(noise))
    elif colour == "bursts":
        blocks = rng.lognormal(0.0, 0.8, len(noise) // 9600 + 1) * rng.choice([0.0, 1.0])
        noise *= np.repeat(blocks + 0.01, 9600)[: len(noise)]
    loud = np.sqrt(np.max(np.convolve(heard[::8] ** 2, np.ones(1500) / 1500.0, "same")))
    heard = heard + loud * 10.0 ** (-rng.uniform(10.0, 60.0) / 20.0) * noise / np.std(noise)
    heard *= rng.choice([-1.0, 1.0]) * 10.0 ** (rng.uniform(-40.0, -1.0) / 20.0)
    soundfile.write(path, heard / np.max(np.abs(heard)) * 0.9, RATE_HZ, subtype="FLOAT")


def accepted(paths: list[Path], recipe: dict[str, Any], *, split: bool) -> bool:
    sidecar = paths[0].with_name("named.json")
    stimulus = _laid_out(parse_recipe(recipe, "recipe"), split)
    sidecar.write_text(sidecar_text(stimulus), encoding="utf-8")
    try:
        analyse_recording(paths, stimulus=sidecar)
    except InputError as error:
        print("   ", str(error).removeprefix(str(paths[0].parent)))
        return False
    return True


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=50)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--split", action="store_true")
    given = parser.parse_args()
    split = given.split
    refused = taken = pairs = 0
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        for seed in range(given.seed, given.seed + given.count):
            rng = np.random.default_rng(seed)
            recipe = random_recipe(rng, str(rng.choice(["ladder", "staircase"])))
            print(f"{seed}: {recipe['kind']}, its own sidecar")
            heard = recordings(rng, recipe, place, split=split)
            refused += not accepted(heard, recipe, split=split)
            other = another(rng, recipe, split=split)
            if other is not None:
                pairs += 1
                print(f"{seed}: a {other['kind']} with the sidecar of a {recipe['kind']}")
                heard = recordings(rng, other, place, split=split)
                if accepted(heard, recipe, split=split):
                    taken += 1
                    print("    taken:", other, "for", recipe)
    print(f"refused with their own sidecar: {refused} of {given.count}")
    print(f"taken with another's sidecar: {taken} of {pairs}")


if __name__ == "__main__":
    main()
