"""A result goes where the user said, not where somebody else's link leads."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from flowdiag.cli.main import main
from flowdiag.cli.output import write_bytes, write_result
from flowdiag.errors import FlowdiagError
from flowdiag.scenario.bulk import write_bulk

SHARED = [0o1777, 0o777, 0o775, 0o2770]
REFUSED = "in a folder that others can write to; name a file in a folder of your own"
LINK = f"this is a link of another user, {REFUSED}"
TARGET = f"this is a link to a file of another user, {REFUSED}"


@pytest.fixture
def shared(tmp_path: Path) -> Path:
    """A folder such as /tmp."""
    folder = tmp_path / "shared"
    folder.mkdir()
    folder.chmod(0o1777)
    return folder


@pytest.fixture
def precious(tmp_path: Path) -> Path:
    """What a link would have overwritten."""
    file = tmp_path / "precious"
    file.write_text("keys")
    return file


Become = Callable[[Path], None]


@pytest.fixture
def strangers(monkeypatch: pytest.MonkeyPatch) -> Become:
    """Makes a path somebody else's, by what stat tells of it: nobody may give files away, root apart."""
    inodes: set[int] = set()
    original = os.stat

    def told(path: object, **options: object) -> os.stat_result:
        status = original(path, **options)  # type: ignore[call-overload]
        if status.st_ino not in inodes:
            return status  # type: ignore[no-any-return]
        fields = list(status)
        fields[stat.ST_UID] = 12_345
        return os.stat_result(fields)

    monkeypatch.setattr(os, "stat", told)
    return lambda path: inodes.add(path.lstat().st_ino)


@pytest.mark.parametrize("mode", SHARED, ids=oct)
@pytest.mark.parametrize("there", [True, False])
def test_a_link_of_another_is_not_followed_where_others_can_write(
    shared: Path, precious: Path, strangers: Become, mode: int, there: bool
) -> None:
    shared.chmod(mode)
    if not there:
        precious.unlink()
    (shared / "note.txt").symlink_to(precious)
    strangers(shared / "note.txt")
    with pytest.raises(FlowdiagError) as refused:
        write_result("note", shared / "note.txt")
    assert str(refused.value) == f"{shared / 'note.txt'}: {LINK}"
    assert precious.exists() == there
    assert not there or precious.read_text() == "keys"
    assert os.listdir(shared) == ["note.txt"]


def test_nor_is_a_link_to_the_file_of_another_whoever_made_it(
    shared: Path, precious: Path, strangers: Become
) -> None:
    (shared / "note.txt").symlink_to(precious)
    strangers(precious)
    with pytest.raises(FlowdiagError) as refused:
        write_result("note", shared / "note.txt")
    assert str(refused.value) == f"{shared / 'note.txt'}: {TARGET}"
    assert precious.read_text() == "keys"


def test_a_link_in_the_way_to_the_folder_is_seen_too(shared: Path, precious: Path, strangers: Become) -> None:
    (shared / "reports").symlink_to(precious.parent)
    strangers(shared / "reports")
    for way in ("reports/precious", "reports/../precious", "./reports/new"):
        with pytest.raises(FlowdiagError, match=LINK):
            write_result("note", shared / way)
    assert precious.read_text() == "keys"
    assert not (precious.parent / "new").exists()


def test_a_link_that_leads_to_such_a_link_is_none_of_the_users(
    shared: Path, precious: Path, strangers: Become, tmp_path: Path
) -> None:
    (shared / "hop").symlink_to(precious)
    strangers(shared / "hop")
    (tmp_path / "note.txt").symlink_to(shared / "hop")
    with pytest.raises(FlowdiagError, match=LINK):
        write_result("note", tmp_path / "note.txt")
    assert precious.read_text() == "keys"


def test_links_of_the_user_and_links_where_nobody_else_writes_are_followed(
    shared: Path, precious: Path, strangers: Become, tmp_path: Path
) -> None:
    (shared / "mine").symlink_to("../precious")
    write_result("by my link", shared / "mine")
    assert (shared / "mine").is_symlink()
    assert precious.read_text() == "by my link\n"
    (tmp_path / "theirs").symlink_to(precious)
    strangers(tmp_path / "theirs")
    write_result("by a folder of mine", tmp_path / "theirs")
    assert precious.read_text() == "by a folder of mine\n"


def test_the_file_of_another_is_replaced_and_not_written_into(
    shared: Path, strangers: Become, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who opened it before, or may by its mode, reads nothing of the note."""
    file = shared / "note.txt"
    file.write_text("bait")
    file.chmod(0o666)
    strangers(file)
    with file.open() as opened_before:
        write_result("note", file)
        assert opened_before.read() == "bait"
    assert stat.S_IMODE(os.lstat(file).st_mode) & 0o022 == 0


def test_a_pipe_of_another_gets_nothing(shared: Path, strangers: Become) -> None:
    os.mkfifo(shared / "note.txt")
    strangers(shared / "note.txt")
    with pytest.raises(FlowdiagError, match="this is a device or pipe of another user"):
        write_result("note", shared / "note.txt")


def test_a_pipe_by_the_number_of_its_descriptor_is_written_to() -> None:
    readable, writable = os.pipe()
    with open(readable, "rb") as pipe:
        write_bytes(b"note", Path(f"/dev/fd/{writable}"))
        os.close(writable)
        assert pipe.read() == b"note"


def test_links_in_a_circle_end(tmp_path: Path) -> None:
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")
    with pytest.raises(FlowdiagError, match="cannot be written: Too many levels of symbolic links"):
        write_result("note", tmp_path / "a" / "note.txt")


@pytest.mark.parametrize("name", [".", "/", "..", "/dev/.."])
def test_a_folder_is_no_file(name: str) -> None:
    with pytest.raises(FlowdiagError, match="cannot be written: Is a directory"):
        write_result("note", Path(name))


def test_paths_from_here_are_reached_from_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "inner").mkdir()
    monkeypatch.chdir(tmp_path / "inner")
    for name in ("a", "./b", "../c", "../inner/d"):
        write_result(name, Path(name))
    found = sorted(path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file())
    assert found == ["c", "inner/a", "inner/b", "inner/d"]


def test_no_descriptor_stays_open(shared: Path, precious: Path, strangers: Become) -> None:
    (shared / "mine").symlink_to(precious)
    (shared / "theirs").symlink_to(precious)
    strangers(shared / "theirs")
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(3):
        write_result("note", shared / "mine")
        with pytest.raises(FlowdiagError):
            write_result("note", shared / "theirs")
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.mark.parametrize(
    "words", [["inspect", "export.ipfix", "--output"], ["draft", "export.ipfix", "--output"]]
)
def test_commands_end_with_that_line(
    words: list[str], shared: Path, precious: Path, strangers: Become, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(shared)
    write_bulk(shared / "export.ipfix", 48)
    (shared / "result").symlink_to(precious)
    strangers(shared / "result")
    done = CliRunner().invoke(main, [*words, "result", "--quiet"])
    assert (done.exit_code, done.stderr) == (1, f"flowdiag: result: {LINK}\n")
    assert precious.read_text() == "keys"
