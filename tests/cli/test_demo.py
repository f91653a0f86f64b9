"""`flowdiag demo` writes an invented site and tells what is wrong with it."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from flowdiag.cli.demo import CAPTURE, IPFIX_FILE, PROFILE, command, fresh_folder, write_demo
from flowdiag.errors import UsageError


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("demo") / "of mine"
    write_demo(place)
    return place


def test_the_note_names_the_full_upload_and_its_machine(folder: Path) -> None:
    result = CliRunner().invoke(command, [str(folder)])
    assert result.exit_code == 0, result.output
    assert "Puriri Point Ferry Office" in result.stdout
    assert "upload" in result.stdout
    assert "ticket-hall archive" in result.stdout
    assert "T-1042" in result.stdout


def test_what_to_try_next_goes_to_standard_error_and_fits_a_shell(folder: Path) -> None:
    result = CliRunner().invoke(command, [str(folder)])
    assert "flowdiag inspect" not in result.stdout
    assert f"flowdiag inspect '{folder / CAPTURE}'" in result.stderr


def test_both_exports_and_the_profile_are_left(folder: Path) -> None:
    assert (folder / CAPTURE).read_bytes()[:4] == bytes.fromhex("d4c3b2a1")
    assert (folder / IPFIX_FILE).read_bytes()[:2] == b"\x00\x0a"
    profile = tomllib.loads((folder / PROFILE).read_text(encoding="utf-8"))
    assert [link["role"] for link in profile["link"]] == ["primary", "backup"]


def test_both_exports_hold_the_same_records(folder: Path) -> None:
    from flowdiag.collector.export import read_export

    v9, ipfix = read_export(folder / CAPTURE), read_export(folder / IPFIX_FILE)
    assert v9.num_rows == ipfix.num_rows > 10_000
    assert sum(v9["octets"].to_pylist()) == sum(ipfix["octets"].to_pylist())


def test_the_same_demo_again_changes_nothing(folder: Path) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    write_demo(folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_files_of_others_are_never_overwritten(tmp_path: Path) -> None:
    (tmp_path / PROFILE).write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="did not come from this demo"):
        write_demo(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [PROFILE]
    assert (tmp_path / PROFILE).read_text(encoding="utf-8") == "mine"


def test_a_link_to_elsewhere_is_not_followed(tmp_path: Path) -> None:
    target = tmp_path / "elsewhere"
    (tmp_path / "demo").mkdir()
    (tmp_path / "demo" / CAPTURE).symlink_to(target)
    with pytest.raises(UsageError):
        write_demo(tmp_path / "demo")
    assert not target.exists()


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("x", encoding="utf-8")
    with pytest.raises(UsageError, match="this is a file"):
        write_demo(tmp_path / "taken")


def test_the_default_folder_is_a_fresh_one(tmp_path: Path) -> None:
    wanted = tmp_path / "flowdiag-demo"
    assert fresh_folder(wanted) == wanted
    wanted.mkdir()
    assert fresh_folder(wanted) == tmp_path / "flowdiag-demo-2"
