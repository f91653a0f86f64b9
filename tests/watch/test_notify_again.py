"""A notify file that changes while a watch runs."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, cast

import pytest

from flowdiag.cli.watch import _renew
from flowdiag.errors import ConfigError, FlowdiagError
from flowdiag.watch.notify import Notify
from flowdiag.watch.notify_again import NotifyAgain

LAMP = '[[command]]\nname = "lamp"\nargv = ["/usr/local/bin/lamp"]\n'


def write(file: Path, text: str) -> None:
    """As an editor does: whole, and aside first."""
    aside = file.with_suffix(".new")
    aside.write_text(text, encoding="utf-8")
    aside.replace(file)


def names(notify: Notify | None) -> list[str] | None:
    return None if notify is None else [target.name for target in notify.targets]


def test_a_file_is_read_again_where_it_changed_and_mistakes_are_told_once(tmp_path: Path) -> None:
    file = tmp_path / "notify.toml"
    write(file, LAMP)
    again = NotifyAgain(file)
    assert names(again.read()) == ["lamp"]
    assert again.changed() is None
    write(file, LAMP + LAMP.replace("lamp", "bell"))
    assert names(again.changed()) == ["lamp", "bell"]
    assert again.changed() is None
    write(file, "[[command")
    with pytest.raises(ConfigError, match="is not TOML"):
        again.changed()
    assert again.changed() is None
    write(file, LAMP)
    assert names(again.changed()) == ["lamp"]


def test_one_that_is_touched_is_read_again_and_one_that_is_gone_is_waited_for(tmp_path: Path) -> None:
    """A secret in a file of its own changed."""
    file = tmp_path / "notify.toml"
    write(file, LAMP)
    again = NotifyAgain(file)
    os.utime(file, (1, 1))
    assert names(again.changed()) == ["lamp"]
    file.unlink()
    assert again.changed() is None
    write(file, LAMP)
    assert names(again.changed()) == ["lamp"]


class Watcher:
    fault: FlowdiagError | None = None

    def __init__(self) -> None:
        self.followed: list[list[str] | None] = []

    def renew(self, notify: Notify) -> None:
        if self.fault is not None:
            raise self.fault
        self.followed.append(names(notify))


def test_a_watch_says_what_it_follows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "notify.toml"
    write(file, LAMP)
    watcher, again = Watcher(), NotifyAgain(file)

    def said() -> str:
        _renew(cast(Any, watcher), again)
        return capsys.readouterr().err

    assert said() == ""
    write(file, LAMP.replace("lamp", "bell"))
    assert "is followed from now on" in said()
    write(file, LAMP.replace("lamp", "no name"))
    assert "what it said before is followed" in said()
    watcher.fault = FlowdiagError("a webhook needs a package that other targets do not")
    write(file, LAMP)
    assert "needs a package" in said()
    assert watcher.followed == [["bell"]]
    _renew(cast(Any, watcher), None)
