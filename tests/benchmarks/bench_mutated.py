"""Whether damaged files give results or one line, and never a traceback, a warning or a hang.

``python tests/benchmarks/bench_mutated.py SEED [--count 10000] [--kinds sound sidecar …]`` damages
sound files, sidecars, sessions, corrections, calibrations and results in turn (bytes flipped, cut,
moved, repeated; numbers, types and keys changed; values that are not finite or too large) and runs
what reads them, in this process: `analyse`, `inspect`, `exposure`, and the reader of results with
the tables' writer. What is allowed is exit code 0 with strict JSON, or 3 with one line of message.
Any exception, warning of Python's, second line, or run of a minute is a failure; it is printed with
the number of its draw, which ``--only NUMBER`` runs again.
"""

from __future__ import annotations

import argparse
import copy
import json
import os
import re
import resource
import shutil
import signal
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parent.parent))

from closed_form import MILDLY_CURVED, play

from distsweep.cli import group
from distsweep.errors import InputError
from distsweep.report import write_tables
from distsweep.results import read_results, to_json
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus

RATE_HZ = 44100
LONGEST_S = 60
MOST_BYTES = 6 * 2**30
"""Address space of this process: what asks for more memory than that is to say so in one line."""

LADDER = {
    "kind": "ladder", "name": "rungs", "rate_hz": RATE_HZ, "band_hz": [200, 6000], "sweep_s": 0.8,
    "levels_dbfs": [-20, -10], "order": 4, "quiet_s": 0.8, "pause_s": 0.4, "return_rung": False,
}  # fmt: skip
STAIRCASE = {
    "kind": "staircase", "name": "tones", "rate_hz": RATE_HZ, "frequencies_hz": [400, 1000],
    "levels_dbfs": [-20, -8], "hold_s": 0.2, "rest_s": 0.1, "release_s": 0.2, "order": 4,
    "quiet_s": 0.8,
}  # fmt: skip
SESSION = """\
[device]
name = "Quillfern Dabbler 5"
cabinet_mm = [180, 240, 150]
port_mm = { length = 120, diameter = 45 }
[conditions]
temperature_c = 20.0
distance_m = 1.0
listener_distance_m = 2.5
level_band_hz = [300, 3000]
[calibration]
file = "calibration.json"
mic_correction = "mic.txt"
[[takes]]
position = "axis"
stimulus = "rungs.json"
recording = "rungs.wav"
channel = 1
[[takes]]
position = "axis"
stimulus = "tones.json"
recording = "tones.wav"
number = 1
partial = true
"""
CORRECTION = "# microphone\n20 -1.5\n100 0.0\n1000 0.3\n8000 1.2\n20000 -2.5\n"
CALIBRATION = {
    "pascal_per_fs": 10.0, "method": "calibrator", "date": "2026-01-02T03:04:05",
    "microphone": "made up", "input_gain": "12", "channel": 1, "rate_hz": RATE_HZ,
}  # fmt: skip
ODD_NUMBERS = (
    *(0, -1, 1, 2, 0.5, -0.5, 1e-9, 1e9, -1e9, 1e308, -1e308, 1e-320, 2**31, 2**40, 2**63),
    *(10**400, 44100, 48000, 3, 7, -40, 100, 0.999),
)
ODD_VALUES = (None, True, False, "", "axis", "−3", "NaN", [], {}, [1], {"a": 1}, [[[]]], "x" * 999)


def write_sources(folder: Path) -> None:
    """Write good files of every kind that is to be damaged."""
    rng = np.random.default_rng(0)
    for recipe in (LADDER, STAIRCASE):
        _, paths = write_stimulus(parse_recipe(dict(recipe), "here"), folder, sample_format="float")
        waveform = soundfile.read(paths[0])[0]
        heard = 0.5 * play(MILDLY_CURVED, np.pad(waveform, (0, RATE_HZ)), RATE_HZ)
        heard += 1e-4 * rng.standard_normal(len(heard))
        name = recipe["name"]
        soundfile.write(folder / f"{name}.wav", heard, RATE_HZ, subtype="PCM_16")
        if recipe is not LADDER:
            continue
        both = np.stack([1e-4 * rng.standard_normal(len(heard)), heard], axis=1)
        soundfile.write(folder / "twice.wav", np.tile(heard, 2), RATE_HZ, subtype="FLOAT")
        soundfile.write(folder / "both.wav", both, RATE_HZ, subtype="PCM_24")
        for ending in ("flac", "aiff", "ogg", "w64", "caf", "au", "mp3"):
            soundfile.write(folder / f"rungs.{ending}", heard, RATE_HZ)
    (folder / "session.toml").write_text(SESSION)
    (folder / "mic.txt").write_text(CORRECTION)
    (folder / "calibration.json").write_text(json.dumps(CALIBRATION))
    done = CliRunner().invoke(group, ["analyse", str(folder), "--no-report"])
    assert done.exit_code == 0, done.output
    shutil.move(folder / "results" / "results.json", folder / "results.json")
    shutil.rmtree(folder / "results")


def damaged_bytes(rng: np.random.Generator, data: bytes) -> bytes:
    """Flip, cut, move, repeat or replace some bytes; half of the time near the file's head."""
    content = bytearray(data)
    for _ in range(int(rng.choice([1, 1, 2, 5]))):
        reach = min(len(content), 200) if rng.random() < 0.5 else len(content)
        if not reach:
            break
        at = int(rng.integers(reach))
        size = int(min(rng.choice([1, 2, 4, 16, 300]), len(content) - at))
        how = rng.integers(8)
        if how < 3:
            for place in range(at, at + size):
                content[place] = int(rng.integers(256))
        elif how == 3:
            del content[at:]
        elif how == 4:
            del content[at : at + size]
        elif how == 5:
            content[at:at] = content[at : at + size] * int(rng.integers(1, 4))
        elif how == 6:
            content[at : at + size] = bytes([int(rng.choice([0, 255]))]) * size
        else:
            other = int(rng.integers(len(content)))
            content[at : at + size] = content[other : other + size]
    return bytes(content) if rng.random() > 0.01 else b""


def damaged_samples(rng: np.random.Generator, path: Path) -> bytes:
    """Write a sound file anew with other samples, rates or channels."""
    samples, rate_hz = soundfile.read(path, always_2d=True)
    at = slice(*sorted(int(place) for place in rng.integers(len(samples) + 1, size=2)))
    channel = int(rng.integers(samples.shape[1]))
    value = rng.choice([0.0, 1.0, -1.0, 1e-30, 1e30, 1e300, np.nan, np.inf, -np.inf, 2.0])
    how = rng.integers(6)
    if how == 0:
        samples[at, channel] = value
    elif how == 1:
        samples[int(rng.integers(len(samples))), channel] = value
    elif how == 2:
        samples = samples[at]
    elif how == 3:
        with np.errstate(all="ignore"):
            samples = samples * rng.choice([1e-9, 1e-5, 10.0, 1e6, 1e200, -1.0])
    elif how == 4:
        samples = np.tile(samples, (1, int(rng.integers(2, 9))))
    else:
        rate_hz = int(rng.choice([1, 10, 8000, 15999, 44100, 48000, 96000, 384000, 10**6]))
    written = path.with_name("written.wav")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        soundfile.write(written, samples, rate_hz, subtype=str(rng.choice(["FLOAT", "DOUBLE"])))
    content = written.read_bytes()
    written.unlink()
    return content


def places(tree: Any) -> list[tuple[Any, Any]]:
    """Return every (container, key) of a JSON tree, but not more than a few of a long list."""
    found: list[tuple[Any, Any]] = []
    items = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in list(items)[: None if isinstance(tree, dict) else 12]:
        found.append((tree, key))
        if isinstance(value, dict | list):
            found += places(value)
    return found


def damaged_tree(rng: np.random.Generator, data: bytes) -> bytes:
    """Change, delete, repeat, add or exchange values of a JSON file."""
    tree = json.loads(data)
    for _ in range(int(rng.choice([1, 1, 1, 3]))):
        everywhere = places(tree)
        if not everywhere:
            break
        inside, key = everywhere[int(rng.integers(len(everywhere)))]
        value, how = inside[key], rng.integers(8)
        if how == 0:
            del inside[key]
        elif how == 1:
            inside[key] = ODD_VALUES[int(rng.integers(len(ODD_VALUES)))]
        elif how == 2:
            inside[key] = float(rng.choice([np.nan, np.inf, -np.inf]))
        elif how == 3 and isinstance(value, list):
            inside[key] = value[:-1] if rng.random() < 0.5 else value + copy.deepcopy(value[:1])
        elif how == 4:
            other, name = everywhere[int(rng.integers(len(everywhere)))]
            inside[key] = copy.deepcopy(other[name])
        elif how == 5 and isinstance(inside, dict):
            inside["new" if rng.random() < 0.5 else str(key)[::-1]] = value
        elif how == 6 and type(value) in (int, float) and abs(value) < 1e300:
            change = float(rng.choice([-1.0, 1.001, 2.0, 0.5, 1e6, 1e-6]))
            inside[key] = value * change if rng.random() < 0.5 else int(value * change)
        else:
            inside[key] = ODD_NUMBERS[int(rng.integers(len(ODD_NUMBERS)))]
    return json.dumps(tree).encode()


def damaged_text(rng: np.random.Generator, data: bytes) -> bytes:
    """Change numbers, words, signs and lines of a text file."""
    text = data.decode()
    for _ in range(int(rng.choice([1, 1, 2, 4]))):
        lines = text.split("\n")
        at, how = int(rng.integers(len(lines))), rng.integers(7)
        numbers = list(re.finditer(r"-?[0-9][0-9.]*", text))
        if how == 0:
            del lines[at]
        elif how == 1:
            lines.insert(at, lines[int(rng.integers(len(lines)))])
        elif how == 2:
            other = int(rng.integers(len(lines)))
            lines[at], lines[other] = lines[other], lines[at]
        elif how == 3:
            signs = list('"[]{}=#.,;- \t\0é')
            place = int(rng.integers(len(lines[at]) + 1))
            lines[at] = lines[at][:place] + str(rng.choice(signs)) + lines[at][place + 1 :]
        text = "\n".join(lines)
        if how > 3 and numbers:
            number = numbers[int(rng.integers(len(numbers)))]
            odd = [*map(str, ODD_NUMBERS), "nan", "inf", "-inf", '"1"', "true", "[1]", "1e999", ""]
            new = odd[int(rng.integers(len(odd)))]
            text = text[: number.start()] + new + text[number.end() :]
    return text.encode()


RUNGS = tuple(f"rungs.{e}" for e in ("wav", "flac", "aiff", "ogg", "w64", "caf", "au", "mp3"))


@dataclass(frozen=True)
class Kind:
    """One kind of file: which are damaged, in which ways, and what reads them."""

    names: tuple[str, ...]
    ways: tuple[Callable[[np.random.Generator, Any], bytes], ...]
    readers: tuple[tuple[str, ...], ...]


ANALYSE = ("analyse", ".", "--no-report", "-o", "out")
KINDS = {
    "sound": Kind(
        (*RUNGS, "rungs.wav", "twice.wav", "both.wav", "tones.wav"),
        (damaged_bytes, damaged_bytes, damaged_samples),
        (
            ("analyse", "FILE", "--stimulus", "SIDECAR", "--no-report", "-o", "out"),
            ("inspect", "FILE", "--stimulus", "SIDECAR", "--json", "out.json"),
            ("inspect", "FILE"),
        ),
    ),
    "sidecar": Kind(
        ("rungs.json", "tones.json"),
        (damaged_tree, damaged_tree, damaged_tree, damaged_bytes),
        (
            ("analyse", "RECORDING", "--stimulus", "FILE", "--no-report", "-o", "out"),
            ("inspect", "RECORDING", "--stimulus", "FILE", "--json", "out.json"),
            ("exposure", "FILE", "--spl-at-0dbfs", "100", "--json", "out.json"),
        ),
    ),
    "session": Kind(
        ("session.toml",),
        (damaged_text, damaged_text, damaged_text, damaged_bytes),
        (ANALYSE, ("exposure", ".")),
    ),
    "correction": Kind(("mic.txt",), (damaged_text, damaged_text, damaged_bytes), (ANALYSE,)),
    "calibration": Kind(
        ("calibration.json",), (damaged_tree, damaged_tree, damaged_bytes), (ANALYSE,)
    ),
    "results": Kind(
        ("results.json",), (damaged_tree, damaged_tree, damaged_tree, damaged_bytes), (("read",),)
    ),
}


def arguments_for(reader: tuple[str, ...], name: str) -> list[str]:
    stem = "tones" if "tones" in name else "rungs"
    named = {"FILE": name, "SIDECAR": f"{stem}.json", "RECORDING": f"{stem}.wav"}
    return [named.get(word, word) for word in reader]


def read_and_tabulate(name: str) -> str:
    """Read results, write them again, and their tables; return the line of a refusal."""
    try:
        results = read_results(name)
        json.loads(to_json(results), parse_constant=_refuse)
        write_tables(results, Path("out"))
    except InputError as error:
        return str(error)
    return ""


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} in JSON")


class TooLongError(Exception):
    """A reader took more than ``LONGEST_S``."""


def _stop(*_: object) -> None:
    raise TooLongError


def outcome(arguments: list[str], name: str) -> tuple[str, str]:
    """Return "result", "one line" or "FAILED", and what was said or went wrong."""
    for left in ("out", "out.json"):
        shutil.rmtree(left, ignore_errors=True)
        Path(left).unlink(missing_ok=True)
    os.ftruncate(2, 0)
    os.lseek(2, 0, os.SEEK_SET)
    signal.alarm(LONGEST_S)
    try:
        if arguments == ["read"]:
            said = read_and_tabulate(name)
            if "\n" in said:
                return "FAILED", said
            return ("one line" if said else "result"), said
        done = CliRunner().invoke(group, arguments)
    except BaseException:
        return "FAILED", traceback.format_exc()
    finally:
        signal.alarm(0)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        return "FAILED", "".join(traceback.format_exception(done.exception))
    printed = os.pread(2, 2000, 0).decode(errors="replace")
    if printed:
        return "FAILED", f"printed past Python: {printed}"
    said = [line for line in done.stderr.splitlines() if not line.startswith("take ")]
    if done.exit_code == 0:
        for path in (Path("out/results.json"), Path("out.json")):
            if path.exists():
                json.loads(path.read_text(), parse_constant=_refuse)
        return "result", ""
    if done.exit_code == 3 and len(said) == 1 and not done.stdout:
        return "one line", said[0]
    return "FAILED", f"exit code {done.exit_code}: {done.stdout}{done.stderr}"


def draw(sources: Path, seed: int, number: int, kinds: list[str]) -> tuple[str, str, str]:
    """Damage one file and read it in one way; return its kind, the outcome, and what was said."""
    rng = np.random.default_rng([seed, number])
    kind = kinds[number % len(kinds)]
    what = KINDS[kind]
    name = str(rng.choice(what.names))
    way = what.ways[int(rng.integers(len(what.ways)))]
    given = sources / name if way is damaged_samples else (sources / name).read_bytes()
    arguments = arguments_for(what.readers[int(rng.integers(len(what.readers)))], name)
    content = way(rng, given)
    Path(name).unlink()  # a link to the good one
    Path(name).write_bytes(content)
    try:
        result, said = outcome(arguments, name)
    finally:
        Path(name).unlink()
        Path(name).symlink_to(sources / name)
    if result == "FAILED":
        said = f"{name}, {way.__name__}, {' '.join(arguments)}\n{said}"
    return kind, result, said


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=10000)
    parser.add_argument("--kinds", nargs="*", default=list(KINDS), choices=list(KINDS))
    parser.add_argument("--first", type=int, default=0, help="leave out the draws before this one")
    parser.add_argument("--only", type=int, help="run this draw alone")
    given = parser.parse_args()
    sources, work = (Path(tempfile.mkdtemp(prefix=f"mutated-{part}-")) for part in ("from", "in"))
    write_sources(sources)
    for path in sources.iterdir():
        (work / path.name).symlink_to(path)
    os.chdir(work)
    sys.stderr = os.fdopen(os.dup(2), "w")
    heard = os.open(sources / "stderr", os.O_RDWR | os.O_CREAT)
    os.dup2(heard, 2)  # what libraries in C print counts too
    warnings.simplefilter("error")
    signal.signal(signal.SIGALRM, _stop)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    counts: dict[str, Counter[str]] = {kind: Counter() for kind in given.kinds}
    numbers = range(given.first, given.count) if given.only is None else [given.only]
    for number in numbers:
        kind, result, said = draw(sources, given.seed, number, given.kinds)
        counts[kind][result] += 1
        if result == "FAILED":
            print(f"--- draw {number}: {said}", flush=True)
        elif given.only is not None:
            print(result, said)
        if number % 250 == 249:
            print(f"{number + 1} files: {dict(sum(counts.values(), Counter()))}", flush=True)
    for kind, count in counts.items():
        print(f"{kind:12s} {dict(count)}")
    total = sum(counts.values(), Counter())
    print(f"{sum(total.values())} files, {total['FAILED']} failed")
    os.chdir("/")
    for folder in (sources, work):
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
