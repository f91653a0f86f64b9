"""What nobody took is put aside, listed, sent again, and forgotten after months."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest

from flowdiag.collector.store.folder import Folder
from flowdiag.durations import DAY_MS, MINUTE_MS
from flowdiag.errors import StoreError, UsageError
from flowdiag.watch import failed
from flowdiag.watch.failed import FAILED, drop_old, list_failed, resend
from flowdiag.watch.message import NotTaken
from flowdiag.watch.notify import Command, Notify
from tests.watch.invented import NOON_MS, end, event
from tests.watch.rounds import NOC, Receiver, Watch, watching


def put_two_aside(folder: Path) -> Watch:
    receiver = Receiver(lambda _: NotTaken("HTTP 400", permanent=True))
    with watching(folder, receiver) as watch:
        watch.round(NOON_MS, event())
        watch.round(NOON_MS + MINUTE_MS, end(event()))
    return watch


def lamp(folder: Path, program: str) -> Notify:
    return Notify(targets=(Command(name="noc", argv=("/bin/sh", "-c", program, str(folder / "out"))),))


def test_what_was_put_aside_is_sent_again_in_order_and_is_gone(tmp_path: Path) -> None:
    watch = put_two_aside(tmp_path)
    said = resend(watch.backend, lamp(tmp_path, 'cat >> "$0"'), None, NOON_MS + DAY_MS)
    assert list(said.values()) == [None, None]
    told = [json.loads(line) for line in (tmp_path / "out").read_text().splitlines()]
    assert [one["state"] for one in told] == ["began", "ended"]
    assert list_failed(watch.backend) == []


def test_one_by_its_name_and_those_that_are_not_taken_stay(tmp_path: Path) -> None:
    watch = put_two_aside(tmp_path)
    first, second = list_failed(watch.backend)
    assert resend(watch.backend, lamp(tmp_path, "exit 3"), [second.name], NOON_MS) == {
        second.name: "exit code 3"
    }
    assert resend(watch.backend, lamp(tmp_path, "true"), [second.name], NOON_MS) == {second.name: None}
    assert list_failed(watch.backend) == [first]
    gone = Notify()
    assert list(resend(watch.backend, gone, None, NOON_MS).values()) == [
        "the notify file has no target of this name"
    ]


@pytest.mark.parametrize("name", ["aaaaaaaaaaaaaaaa", "../../../etc/passwd", "", "x\x1b[2J"])
def test_a_name_that_there_is_none_of_is_one_line(tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageError) as raised:
        resend(Folder(tmp_path), NOC, [name], NOON_MS)
    assert str(raised.value).isprintable()


def test_what_was_put_aside_months_ago_is_forgotten(tmp_path: Path) -> None:
    watch = put_two_aside(tmp_path)
    now_ms = round(time.time() * 1000)
    with watching(tmp_path, Receiver()) as another:
        another.round(now_ms)
    assert len(list_failed(watch.backend)) == 2
    with watching(tmp_path, Receiver()) as another:
        another.round(now_ms + 91 * DAY_MS)
    assert list_failed(watch.backend) == []


def test_of_very_many_the_oldest_are_forgotten(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(failed, "MOST", 1)
    watch = put_two_aside(tmp_path)
    first, second = list_failed(watch.backend)
    os.utime(tmp_path / FAILED / f"{first.name}.json", (1_000, 1_000))
    drop_old(watch.backend, 2_000)
    assert list_failed(watch.backend) == [second]


def test_a_damaged_file_is_one_clear_error(tmp_path: Path) -> None:
    watch = put_two_aside(tmp_path)
    name = list_failed(watch.backend)[0].name
    (tmp_path / FAILED / f"{name}.json").write_text("{")
    with pytest.raises(StoreError, match="is damaged"):
        list_failed(watch.backend)
