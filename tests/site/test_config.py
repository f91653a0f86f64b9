"""flowdiag.toml: where it is searched, what it names, what is wrong with it."""

from __future__ import annotations

from pathlib import Path

import platformdirs
import pytest

from flowdiag.errors import ConfigError
from flowdiag.site.config import Config, find_config, read_config


@pytest.fixture
def folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, Path]:
    """The user's and the system's folder for configuration, empty."""
    monkeypatch.delenv("FLOWDIAG_CONFIG", raising=False)
    user, system = tmp_path / "user", tmp_path / "system"
    for name, folder in (("user_config_path", user), ("site_config_path", system)):
        folder.mkdir()
        monkeypatch.setattr(platformdirs, name, lambda *_, folder=folder, **__: folder)
    return user, system


def written(file: Path, text: str = "") -> Path:
    file.write_text(text, encoding="utf-8")
    return file


def test_the_first_that_is_there_counts(
    folders: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    user, system = folders
    monkeypatch.chdir(tmp_path)
    written(tmp_path / "flowdiag.toml", 'store = "where-one-happens-to-stand"')
    with pytest.raises(ConfigError) as wrong:
        find_config(None)
    assert str(wrong.value).startswith(
        f"there is no flowdiag.toml; expected {user}/flowdiag.toml or {system}/flowdiag.toml, or --config FILE"
    )
    for place in (system / "flowdiag.toml", user / "flowdiag.toml"):
        written(place)
        assert find_config(None).file == str(place)
    variable, named = written(tmp_path / "variable.toml"), written(tmp_path / "named.toml")
    monkeypatch.setenv("FLOWDIAG_CONFIG", str(variable))
    assert find_config(None).file == str(variable)
    assert find_config(named).file == str(named)


def test_relative_paths_begin_at_its_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", "/home/desk")
    file = tmp_path / "flowdiag.toml"
    for store, sites, expected in (
        ("flows", "sites", (str(tmp_path / "flows"), tmp_path / "sites")),
        ("/srv/flows", "~/sites", ("/srv/flows", Path("/home/desk/sites"))),
        ("s3://bucket/flows", "../sites", ("s3://bucket/flows", tmp_path / "../sites")),
    ):
        written(file, f'store = "{store}"\nsites = "{sites}"\n')
        assert read_config(file) == Config(str(file), *expected)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ('stores = "x"', "'stores' is no key of it; expected store or sites"),
        ("store = 7", "store: 7 is not allowed; expected the flow store"),
        ('sites = " "', "sites: ' ' is not allowed; expected the folder of site profiles, in quotes"),
        ('sites = "~nobody-of-that-name/x"', "names an unknown home folder"),
        ("store = flows", "is not TOML: Invalid value (at line 1, column 9); expected lines such as store"),
        ("x" * 70_000, "has more than 65536 octets"),
        ("x = " + "[" * 5_000, "is not TOML"),
    ],
)
def test_mistakes_are_told_in_a_line(tmp_path: Path, text: str, what: str) -> None:
    file = written(tmp_path / "flowdiag.toml", text)
    with pytest.raises(ConfigError) as wrong:
        read_config(file)
    said = str(wrong.value)
    assert said.startswith(f"{file}: ")
    assert what in said
    assert "\n" not in said


def test_a_file_that_is_not_there_or_not_text_is_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such file; expected flowdiag"):
        read_config(tmp_path / "none.toml")
    with pytest.raises(ConfigError, match="cannot be read"):
        read_config(tmp_path)
    (tmp_path / "x.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigError, match="is not TOML"):
        read_config(tmp_path / "x.toml")


def test_what_it_does_not_name_is_asked_for(tmp_path: Path) -> None:
    config = read_config(written(tmp_path / "flowdiag.toml"))
    with pytest.raises(ConfigError, match=r"flowdiag.toml: names no store; expected store = the flow store"):
        config.need_store()
    with pytest.raises(ConfigError, match=r"flowdiag.toml: names no sites; expected sites = the folder"):
        config.need_sites()
