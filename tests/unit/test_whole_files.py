"""Files are whole or absent."""

from __future__ import annotations

from pathlib import Path

import pytest

from distsweep.errors import InputError
from distsweep.results import read_results
from distsweep.whole_files import whole_folder, write_whole, write_whole_text


def test_a_file_is_written_whole(tmp_path: Path) -> None:
    path = tmp_path / "new" / "a.txt"
    write_whole_text(path, "Grüße\n")
    assert path.read_bytes() == "Grüße\n".encode()
    assert [p.name for p in path.parent.iterdir()] == ["a.txt"]


def test_a_failure_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("before")

    def fail(scratch: Path) -> None:
        scratch.write_text("half")
        raise OSError(28, "No space left on device")

    with pytest.raises(InputError, match=r"a\.txt: cannot be written \(No space left"):
        write_whole(path, fail)
    assert path.read_text() == "before"
    assert list(tmp_path.iterdir()) == [path]


def test_an_interrupt_leaves_nothing_half_written(tmp_path: Path) -> None:
    def interrupt(scratch: Path) -> None:
        scratch.write_text("half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "a.txt", interrupt)
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="choose another place"):
        write_whole_text(tmp_path / "file" / "a.txt", "")


def test_a_folder_is_replaced_only_at_the_end(tmp_path: Path) -> None:
    folder = tmp_path / "report"
    with whole_folder(folder) as scratch:
        (scratch / "one").write_text("1")
    with pytest.raises(ZeroDivisionError), whole_folder(folder) as scratch:
        (scratch / "two").write_text("2")
        raise ZeroDivisionError
    assert [p.name for p in folder.iterdir()] == ["one"]
    with whole_folder(folder) as scratch:
        (scratch / "three").write_text("3")
    assert [p.name for p in folder.iterdir()] == ["three"]
    assert list(tmp_path.iterdir()) == [folder]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (None, "cannot be read"),
        ("{", "is not JSON"),
        ("[]", "schema is None"),
        ('{"schema": "distsweep.results/7"}', "reads 'distsweep.results/2' and 'dist"),
        ('{"schema": "distsweep.results/1"}', "is damaged"),
        ('{"schema": "distsweep.results/2"}', "is damaged"),
    ],
)
def test_results_that_cannot_be_read(tmp_path: Path, text: str | None, message: str) -> None:
    path = tmp_path / "results.json"
    if text is not None:
        path.write_text(text)
    with pytest.raises(InputError, match=message):
        read_results(path)
