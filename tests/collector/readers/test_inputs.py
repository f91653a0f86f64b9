"""Paths, folders and standard input as a list of inputs."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from flowdiag.collector.readers import inputs
from flowdiag.collector.readers.inputs import Input, find_inputs, is_store
from flowdiag.errors import ExportError


def names(folder: Path) -> list[str]:
    return [str(item.path.relative_to(folder)) for item in find_inputs([folder]) if item.path]


def make(folder: Path, *files: str) -> None:
    for name in files:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"12345")


def test_files_keep_the_order_given(tmp_path: Path) -> None:
    make(tmp_path, "a", "b")
    given = [tmp_path / "b", str(tmp_path / "a")]
    assert find_inputs(given) == [
        Input(str(tmp_path / "b"), tmp_path / "b", octets=5),
        Input(str(tmp_path / "a"), tmp_path / "a", octets=5),
    ]


def test_folders_are_walked_in_sorted_order(tmp_path: Path) -> None:
    make(tmp_path, "z", "b/2", "b/1", "b/c/0", "a-b", "a/x")
    assert names(tmp_path) == ["a/x", "a-b", "b/1", "b/2", "b/c/0", "z"]


def test_hidden_names_are_passed_over(tmp_path: Path) -> None:
    make(tmp_path, "a", ".hidden", "_catalogue", ".folder/a", "_folder/a")
    assert names(tmp_path) == ["a"]


def test_loops_of_links_end(tmp_path: Path) -> None:
    make(tmp_path, "a", "inner/b")
    (tmp_path / "inner" / "up").symlink_to(tmp_path)
    (tmp_path / "self").symlink_to("self")
    (tmp_path / "again").symlink_to("inner")
    assert names(tmp_path) == ["a", "again/b"]


def test_a_link_to_a_file_is_the_file(tmp_path: Path) -> None:
    make(tmp_path, "store/a")
    (tmp_path / "link").symlink_to(tmp_path / "store" / "a")
    assert [item.octets for item in find_inputs([tmp_path / "link"])] == [5]


def test_pipes_in_a_folder_are_passed_over(tmp_path: Path) -> None:
    make(tmp_path, "a")
    os.mkfifo(tmp_path / "pipe")
    assert names(tmp_path) == ["a"]


def test_a_dash_is_standard_input() -> None:
    assert find_inputs(["-"]) == [Input("standard input", None)]


def test_a_missing_path_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(ExportError) as raised:
        find_inputs([tmp_path / "none"])
    assert str(raised.value) == f"{tmp_path / 'none'}: no such file or folder; check the path"


def test_a_name_that_no_system_takes_is_one_clear_line() -> None:
    with pytest.raises(ExportError, match="cannot be read"):
        find_inputs(["a\0b"])


def test_an_empty_folder_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="the folder holds no files"):
        find_inputs([tmp_path])


def test_the_number_of_files_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(inputs, "MAX_FILES", 3)
    make(tmp_path, "a", "b", "c")
    assert len(names(tmp_path)) == 3
    make(tmp_path, "d")
    with pytest.raises(ExportError, match="more than 3 files"):
        find_inputs([tmp_path])


def test_reading_counts_the_octets(tmp_path: Path) -> None:
    make(tmp_path, "a")
    counted: list[int] = []
    with find_inputs([tmp_path / "a"])[0].open(counted.append) as octets:
        assert octets.read(3) + octets.read(3) == b"12345"
    assert counted == [3, 2]


def test_a_file_that_vanished_is_one_clear_line(tmp_path: Path) -> None:
    gone = Input("gone", tmp_path / "gone")
    with pytest.raises(ExportError, match=r"^gone: no such file"), gone.open(lambda octets: None):
        pass


def test_a_name_too_long_for_a_file_is_one_clear_error() -> None:
    with pytest.raises(ExportError, match="cannot be read"):
        find_inputs(["x" * 10_000])
    assert not is_store("x" * 10_000)
