"""Recipes and places that cannot be used: one line, exit code 3, nothing half-written."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from command_line import assert_refused, files_below, run
from short_ladder import RECIPE, Bench, bench, made

MEMORY_BYTES = 4 * 2**30
__all__ = ["bench", "made"]  # fixtures, which pytest finds by name


# --- recipes ------------------------------------------------------------------------------


def recipe(old: str, new: str) -> str:
    assert old in RECIPE
    return RECIPE.replace(old, new)


RECIPES = {
    "malformed": ("kind = ladder\n", "not valid TOML.*line 1"),
    "empty": ("", "kind is missing"),
    "unknown key": (RECIPE + "sweeps_s = 2\n", "'sweeps_s'.*'sweep_s'"),
    "kind unknown": (recipe('"ladder"', '"lader"'), "kind is 'lader'"),
    "rate too low": (recipe("48000", "8000"), "rate_hz is 8000"),
    "rate a text": (recipe("48000", '"48000"'), "rate_hz is '48000'"),
    "band too high": (recipe("16000", "30000"), "band_hz ends at 30000"),
    "band backwards": (recipe("[100, 16000]", "[16000, 100]"), "band_hz"),
    "sweep too short": (recipe("sweep_s = 1.0", "sweep_s = 0.01"), "sweep_s is 0.01"),
    "sweep infinite": (recipe("sweep_s = 1.0", "sweep_s = inf"), "sweep_s is inf"),
    "level above full scale": (recipe("-8", "3"), "levels_dbfs reaches 3"),
    "levels falling": (recipe("-20, -8", "-8, -20"), "levels_dbfs must rise"),
    "no levels": (recipe("-20, -8", ""), "levels_dbfs"),
    "order 1": (recipe("order = 5", "order = 1"), "order is 1"),
    "silence of a million years": (recipe("quiet_s = 1.0", "quiet_s = 3e13"), "quiet_s"),
    "pause of a million years": (recipe("pause_s = 0.5", "pause_s = 3e13"), "pause_s"),
    "repeats without end": (RECIPE + "repeats = 2000000\n", "repeats"),
    "name with a slash": (recipe('"short"', '"a/b"'), "name is 'a/b'"),
    "name with a line break": (recipe('"short"', '"a\\nb"'), "name is"),
    "name with a NUL": (recipe('"short"', '"a\\u0000b"'), "name is"),
    "name too long": (recipe('"short"', f'"{"a" * 300}"'), "name is"),
}


@pytest.fixture
def bounded_memory() -> Iterator[None]:
    """A recipe that is not refused in time may ask for more memory than the machine has."""
    limits = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, limits[1]))
    yield
    resource.setrlimit(resource.RLIMIT_AS, limits)


@pytest.mark.usefixtures("bounded_memory")
@pytest.mark.parametrize("case", RECIPES)
def test_recipe_that_cannot_be_used(case: str, tmp_path: Path, capfd) -> None:
    text, says = RECIPES[case]
    file = tmp_path / "recipe.toml"
    file.write_text(text, encoding="utf-8")
    outcome = run(capfd, "stimulus", file, "-o", tmp_path / "out")
    assert_refused(outcome, names=str(file), says=says)
    assert not (tmp_path / "out").exists()


def test_recipe_that_nearly_ships(tmp_path: Path, capfd) -> None:
    outcome = run(capfd, "stimulus", "quik-look", "-o", tmp_path / "out")
    assert_refused(outcome, names="quik-look", says="did you mean 'quick-look'")


# --- places to write to -------------------------------------------------------------------


def test_stimulus_of_the_same_name_is_kept(bench: Bench, capfd) -> None:
    file = bench.folder / "recipe.toml"
    file.write_text(recipe("sweep_s = 1.0", "sweep_s = 1.5"), encoding="utf-8")
    before = {path: path.read_bytes() for path in files_below(bench.folder)}
    outcome = run(capfd, "stimulus", file, "-o", bench.folder)
    assert_refused(outcome, names=str(bench.sidecar), says="another stimulus of this name")
    assert {path: path.read_bytes() for path in files_below(bench.folder)} == before


@pytest.mark.parametrize("where", ["-o", "--json"])
def test_results_below_a_file(where: str, bench: Bench, capfd) -> None:
    (bench.folder / "note").write_text("not a folder", encoding="utf-8")
    before = files_below(bench.folder)
    place = bench.folder / "note" / "results"
    outcome = run(
        capfd,
        *("analyse", bench.folder / "short.wav", "--stimulus", bench.sidecar),
        *(where, place, "--no-report"),
    )
    assert_refused(outcome, names=str(place), says="cannot be written")
    assert files_below(bench.folder) == before


@contextmanager
def full_disk() -> Iterator[None]:
    """No file may grow past 20 kB: writing fails half-way, as on a full disk.

    Held while the command runs only: the report of the tests may be a longer file.
    """
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, limits[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)


@pytest.mark.parametrize("work", ["stimulus", "analyse"])
def test_disk_that_fills_up(work: str, bench: Bench, capfd) -> None:
    file = bench.folder / "recipe.toml"
    file.write_text(RECIPE, encoding="utf-8")
    before = files_below(bench.folder)
    place = bench.folder / "out"
    recording = bench.folder / "short.wav"
    arguments = {
        "stimulus": ("stimulus", file, "-o", place),
        "analyse": ("analyse", recording, "--stimulus", bench.sidecar, "-o", place),
    }
    names = {"stimulus": "short.wav", "analyse": "results.json"}
    with full_disk():
        outcome = run(capfd, *arguments[work])
    assert_refused(outcome, names=str(place / names[work]), says="cannot be written")
    assert files_below(bench.folder) == before


def test_special_file_is_written_to_and_not_replaced(bench: Bench, capfd) -> None:
    # Renaming a whole file into place would put a plain file where /dev/null was.
    pipe = bench.folder / "pipe"
    os.mkfifo(pipe)
    heard: list[str] = []
    reader = threading.Thread(target=lambda: heard.append(pipe.read_text()), daemon=True)
    reader.start()
    run(
        capfd,
        *("analyse", bench.folder / "short.wav", "--stimulus", bench.sidecar),
        *("--json", pipe, "--no-report", "-o", bench.folder / "results"),
    )
    reader.join(timeout=20.0)
    assert pipe.is_fifo()
    assert json.loads(heard[0])["schema"] == "distsweep.results/2"


# --- the same as a process ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "code", "names"),
    [
        (("analyse", "none.wav", "--stimulus", "short.json"), 3, "none.wav"),
        (("analyse", "."), 3, "session.toml"),
        (("stimulus", "none.toml", "-o", "out"), 3, "none.toml"),
        (("analyse",), 2, "SESSION|RECORDING"),
        (("nonsense",), 2, "nonsense"),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else None,
)
def test_exit_code_of_the_process(
    arguments: tuple[str, ...], code: int, names: str, bench: Bench
) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "distsweep", *arguments],
        check=False,
        cwd=bench.folder,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == code
    assert names in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
