"""Files that belong together are replaced together, and the user's own stay."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from distsweep import file_sets
from distsweep.errors import InputError
from distsweep.file_locks import open_locked
from distsweep.file_sets import (
    LIST_NAME,
    LOCK_NAME,
    SCHEMA,
    SCRATCH_IS_LEFT_S,
    SCRATCH_PREFIX,
    file_set,
)

HEAD = "head.json"


def write_set(folder: Path, content: str, *names: str) -> tuple[list[str], list[str]]:
    """Write a set of files that all hold the same; return what was written and removed."""
    with file_set(folder, head=HEAD, unlisted=lambda _: set()) as made:
        for name in names:
            (made.scratch / name).parent.mkdir(exist_ok=True)
            (made.scratch / name).write_text(content)
    parts = (made.written, made.removed)
    return tuple([path.relative_to(folder).as_posix() for path in part] for part in parts)  # type: ignore[return-value]


def standing(folder: Path) -> dict[str, str]:
    """What stands in a folder, the list of what was written left out."""
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != LIST_NAME)
    return {path.relative_to(folder).as_posix(): path.read_text() for path in files}


def test_a_smaller_set_leaves_nothing_of_the_former_one(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "results"
    write_set(folder, "old", HEAD, "tables/a.csv", "tables/b.csv", "report/page.html")
    written, removed = write_set(folder, "new", HEAD, "tables/b.csv")
    assert (written, removed) == ([HEAD, "tables/b.csv"], ["report/page.html", "tables/a.csv"])
    assert standing(folder) == {HEAD: "new", "tables/b.csv": "new"}
    assert sorted(path.name for path in folder.iterdir()) == [LIST_NAME, HEAD, "tables"]


def test_what_others_wrote_stays(tmp_path: Path) -> None:
    write_set(tmp_path, "old", HEAD, "tables/a.csv", "report/page.html")
    own = {"notes.txt": "mine", "report/notes.txt": "mine", "tables/a copy.csv": "mine"}
    for name, content in own.items():
        (tmp_path / name).write_text(content)
    write_set(tmp_path, "new", HEAD)
    assert standing(tmp_path) == {HEAD: "new", **own}
    write_set(tmp_path, "newer", HEAD, "report/page.html")
    assert standing(tmp_path) == {HEAD: "newer", "report/page.html": "newer", **own}


def test_the_head_is_removed_with_its_set(tmp_path: Path) -> None:
    write_set(tmp_path, "old", HEAD, "tables/a.csv")
    write_set(tmp_path, "new", "tables/a.csv")
    assert standing(tmp_path) == {"tables/a.csv": "new"}


def test_a_failure_while_the_set_is_made_changes_nothing(tmp_path: Path) -> None:
    write_set(tmp_path, "old", HEAD, "tables/a.csv")
    with pytest.raises(ZeroDivisionError), file_set(
        tmp_path, head=HEAD, unlisted=lambda _: set()
    ) as made:  # fmt: skip
        (made.scratch / HEAD).write_text("half")
        raise ZeroDivisionError
    assert standing(tmp_path) == {HEAD: "old", "tables/a.csv": "old"}
    with pytest.raises(InputError, match="cannot be"):
        write_set(tmp_path / HEAD, "new", HEAD)


def test_a_failure_while_the_set_is_moved_in_is_undone(tmp_path: Path) -> None:
    """The user has put a folder where a file of the set belongs."""
    write_set(tmp_path, "old", HEAD, "tables/a.csv", "tables/z.csv")
    (tmp_path / "tables" / "m.csv").mkdir()
    (tmp_path / "tables" / "m.csv" / "own").write_text("mine")
    before = standing(tmp_path)
    with pytest.raises(InputError, match="cannot be written"):
        write_set(tmp_path, "new", HEAD, "tables/a.csv", "tables/m.csv")
    assert standing(tmp_path) == before


KILLED = """
import os, sys
from pathlib import Path
from distsweep.file_sets import file_set

def write(folder, content, *names, kill_at=None):
    with file_set(folder, head="head.json", unlisted=lambda _: set()) as made:
        for name in names:
            (made.scratch / name).parent.mkdir(exist_ok=True)
            (made.scratch / name).write_text(content)
        if kill_at is not None:
            os.replace = killing(kill_at, os.replace)

def killing(left, replace):
    def replace_or_die(*places, **more):
        nonlocal left
        left -= 1
        if left < 0:
            os._exit(9)
        return replace(*places, **more)
    return replace_or_die

step, code = 0, 9
while code:
    folder = Path(sys.argv[1]) / str(step)
    write(folder, "old", "head.json", "tables/a.csv", "tables/b.csv")
    (folder / "notes.txt").write_text("mine")
    child = os.fork()
    if not child:
        write(folder, "new", "head.json", "tables/b.csv", "tables/c.csv", kill_at=step)
        os._exit(0)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert code in (0, 9), code
    step += 1
"""


def test_a_process_that_is_killed_leaves_no_mix(tmp_path: Path) -> None:
    """Killed at every one of its renamings in turn."""
    subprocess.run([sys.executable, "-c", KILLED, str(tmp_path)], timeout=60, check=True)
    seen = []
    for step in range(len(list(tmp_path.iterdir()))):
        folder = tmp_path / str(step)
        files = {n: c for n, c in standing(folder).items() if not n.startswith(".")}
        assert files.pop("notes.txt") == "mine"
        assert HEAD in files and len(set(files.values())) == 1, files
        seen.append(files[HEAD])
        for path in folder.glob(f"{SCRATCH_PREFIX}*"):
            os.utime(path, (0, path.stat().st_mtime - SCRATCH_IS_LEFT_S - 1.0))
        write_set(folder, "next", HEAD)
        assert standing(folder) == {HEAD: "next", "notes.txt": "mine"}
    assert seen == sorted(seen, reverse=True) and set(seen) == {"old", "new"} and len(seen) > 6


@pytest.mark.parametrize("name", ["../precious.txt", "/etc/hostname", ""])
def test_a_list_that_was_changed_removes_nothing_elsewhere(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "results"
    write_set(folder, "old", HEAD)
    (tmp_path / "precious.txt").write_text("mine")
    (folder / LIST_NAME).write_text(f'{{"schema": "{SCHEMA}", "files": ["{HEAD}", "{name}"]}}')
    write_set(folder, "new", HEAD)
    assert (tmp_path / "precious.txt").read_text() == "mine"


@pytest.mark.parametrize("text", ['{"files": ["notes.txt"]}', '{"schema": "x/1"}', "[]", "words"])
def test_a_list_of_another_program_removes_nothing_and_stays(text: str, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / LIST_NAME).write_text(text)
    with pytest.raises(InputError, match="is no list that distsweep wrote"):
        write_set(tmp_path, "new", HEAD)
    assert standing(tmp_path) == {"notes.txt": "mine"}
    assert (tmp_path / LIST_NAME).read_text() == text


def test_a_file_of_no_set_is_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "a.csv").write_text("mine")
    with pytest.raises(InputError, match=r"a\.csv: is not of an earlier analysis"):
        write_set(tmp_path, "new", HEAD, "tables/a.csv")
    assert standing(tmp_path) == {"tables/a.csv": "mine"}


def test_a_set_of_another_kind_is_not_replaced(tmp_path: Path) -> None:
    write_set(tmp_path, "old", HEAD)
    for kind in ("comparison", "other"):
        with (
            pytest.raises(InputError, match=f"what an analysis has left, and this is an? {kind}"),
            file_set(tmp_path, head="b.json", unlisted=lambda _: set(), kind=kind) as made,
        ):
            (made.scratch / "b.json").write_text("new")
    assert standing(tmp_path) == {HEAD: "old"}
    (tmp_path / HEAD).unlink()  # what lies nowhere any more is no set
    with file_set(tmp_path, head="b.json", unlisted=lambda _: set(), kind="comparison") as made:
        (made.scratch / "b.json").write_text("new")
    with pytest.raises(InputError, match="what a comparison has left, and this is an analysis"):
        write_set(tmp_path, "old", HEAD)
    assert standing(tmp_path) == {"b.json": "new"}


def test_a_swap_waits_for_another_and_says_so_if_it_lasts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_set(tmp_path, "old", HEAD)
    handle = open_locked(tmp_path / LOCK_NAME)
    monkeypatch.setattr(file_sets, "SWAP_PATIENCE_S", 0.0)
    with pytest.raises(InputError, match="another analysis is writing there"):
        write_set(tmp_path, "new", HEAD)
    assert standing(tmp_path) == {HEAD: "old", LOCK_NAME: ""}
    os.close(handle)
    write_set(tmp_path, "new", HEAD)
    assert standing(tmp_path) == {HEAD: "new"}


TWO_AT_ONCE = """
import sys
from pathlib import Path
from distsweep.file_sets import file_set

folder, content = Path(sys.argv[1]), sys.argv[2]
for turn in range(30):
    with file_set(folder, head="head.json", unlisted=lambda _: set()) as made:
        for name in ("head.json", "a.csv", "b.csv", f"{content}.csv"):
            (made.scratch / name).write_text(content)
"""


def test_two_at_once_do_not_mix(tmp_path: Path) -> None:
    write_set(tmp_path, "old", HEAD)
    both = [
        subprocess.Popen([sys.executable, "-c", TWO_AT_ONCE, str(tmp_path), content])
        for content in ("x", "y")
    ]
    assert [process.wait(timeout=60) for process in both] == [0, 0]
    left = standing(tmp_path)
    content = left[HEAD]
    assert left == dict.fromkeys([HEAD, "a.csv", "b.csv", f"{content}.csv"], content)
