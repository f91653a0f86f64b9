"""A result file is there complete or not at all."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest

from flowdiag.cli.output import chosen_format, write_result
from flowdiag.errors import FlowdiagError, UsageError

FORMATS = ("text", "markdown", "html", "json")


@pytest.mark.parametrize(
    ("form", "name", "chosen"),
    [
        (None, None, "text"),
        ("json", None, "json"),
        (None, "note.md", "markdown"),
        (None, "note.HTML", "html"),
        (None, "note.json", "json"),
        (None, "note.txt", "text"),
        (None, "note", "text"),
        ("json", "note.txt", "json"),
    ],
)
def test_the_option_picks_the_format_or_else_the_suffix(
    form: str | None, name: str | None, chosen: str
) -> None:
    assert chosen_format(form, Path(name) if name else None, FORMATS) == chosen


@pytest.mark.parametrize("name", ["note.pdf", "note.csv"])
def test_a_suffix_of_another_format_is_wrong_usage(name: str) -> None:
    with pytest.raises(UsageError, match=r"expected one of \.txt, \.text, \.md, .*\.json, or --format"):
        chosen_format(None, Path(name), FORMATS)


def test_a_result_ends_with_one_newline(tmp_path: Path) -> None:
    for text in ("note", "note\n"):
        write_result(text, tmp_path / "note.txt")
        assert (tmp_path / "note.txt").read_bytes() == b"note\n"


def test_standard_output_without_a_path(capsys: pytest.CaptureFixture[str]) -> None:
    write_result("note", None)
    assert capsys.readouterr().out == "note\n"


def test_a_file_is_replaced_only_by_a_complete_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "note.txt"
    file.write_text("old")
    mode = os.fchmod

    def full(descriptor: int, mode: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fchmod", full)
    with pytest.raises(FlowdiagError, match="cannot be written: No space left on device"):
        write_result("new", file)
    assert (file.read_text(), os.listdir(tmp_path)) == ("old", ["note.txt"])
    monkeypatch.setattr(os, "fchmod", mode)
    write_result("new", file)
    assert (file.read_text(), os.listdir(tmp_path)) == ("new\n", ["note.txt"])


def test_text_that_cannot_be_encoded_leaves_the_file_as_it_is(tmp_path: Path) -> None:
    file = tmp_path / "note.txt"
    file.write_text("old")
    with pytest.raises(UnicodeEncodeError):
        write_result("half of it is there before \ud800 cannot be encoded", file)
    assert file.read_text() == "old"


def test_permissions_are_those_of_the_old_file_or_of_any_new_one(tmp_path: Path) -> None:
    old, new, plain = tmp_path / "old", tmp_path / "new", tmp_path / "plain"
    old.touch()
    old.chmod(0o640)
    plain.touch()
    for file in (old, new):
        write_result("x", file)
    assert stat.S_IMODE(old.stat().st_mode) == 0o640
    assert stat.S_IMODE(new.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)


def test_a_symbolic_link_stays_one(tmp_path: Path) -> None:
    target, link = tmp_path / "target", tmp_path / "link"
    link.symlink_to(target)
    write_result("x", link)
    assert link.is_symlink()
    assert target.read_text() == "x\n"


def test_a_device_is_written_to_as_it_is() -> None:
    write_result("x", Path(os.devnull))
    assert not Path(os.devnull).is_file()


@pytest.mark.parametrize("name", ["none/note.txt", "folder"])
def test_a_place_that_cannot_be_written_to_is_named(tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(FlowdiagError, match=rf"{name}: cannot be written: .*; name a file in a folder"):
        write_result("x", tmp_path / name)
