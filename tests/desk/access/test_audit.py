"""The audit log says who looked at what, opens nothing, and keeps what people type within its line."""

from __future__ import annotations

import json
import logging
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from flowdiag.desk.access import audit
from flowdiag.desk.access.audit import AuditLog, Entry, masked
from flowdiag.errors import FlowdiagError
from tests.desk.access.desks import PASSWORD, Served, account, served_by, sign_in
from tests.desk.conftest import StoreAndSites


@pytest.fixture
def served(store_and_sites: StoreAndSites, tmp_path: Path) -> Iterator[Served]:
    with served_by(store_and_sites, tmp_path, account("mere", ["client"], ["corner"])) as made:
        yield made


def lines(served: Served) -> list[dict[str, Any]]:
    text = (served.desk.settings.state / "audit.jsonl").read_text(encoding="ascii")
    return [json.loads(line) for line in text.splitlines()]


def entry(path: str = "/") -> Entry:
    return Entry("page", "mere", ["client"], "192.0.2.7", "GET", path, "", 200, None)


def test_who_looked_at_what_and_what_was_refused(served: Served) -> None:
    browser = served.signed_in("mere")
    browser.get("/sites/corner?x=1")
    browser.get("/sites/rata-group.mill-road")
    signed_in, seen, refused = lines(served)
    assert (signed_in["event"], signed_in["person"], signed_in["status"]) == ("signed-in", "mere", 303)
    del seen["time"]
    assert seen == {
        "event": "page", "person": "mere", "roles": ["client"], "address": "192.0.2.7", "method": "GET",
        "path": "/sites/corner", "query": "x=1", "status": 200, "site": "corner",
    }  # fmt: skip
    assert (refused["status"], refused["site"]) == (404, None)


def test_times_are_in_utc(served: Served) -> None:
    sign_in(served.browser(), "mere")
    assert lines(served)[0]["time"].endswith("Z")


def test_sign_ins_that_failed_and_sign_outs_are_told_of(served: Served) -> None:
    sign_in(served.browser(), "mere", "wrong")
    browser = served.signed_in("mere")
    token = browser.get("/").text.partition('name="form_token" value="')[2].partition('"')[0]
    browser.post("/sign-out", data={"form_token": token})
    found = [
        (line["event"], line["person"], line["status"]) for line in lines(served) if line["event"] != "page"
    ]
    assert found == [
        ("sign-in-refused", "mere", 403),
        ("signed-in", "mere", 303),
        ("signed-out", "mere", 303),
    ]


def test_whoever_is_not_known_leaves_no_line(served: Served) -> None:
    browser = served.browser()
    for path in ("/", "/sign-in", "/style.css", "/nowhere"):
        browser.get(path)
    assert lines(served) == []


def test_no_secret_is_in_the_log(store_and_sites: StoreAndSites, tmp_path: Path) -> None:
    with served_by(store_and_sites, tmp_path) as served:
        link = served.desk.link.make()
        browser = served.browser()
        browser.get("/sign-in/link?once=a-wrong-guess")
        browser.get(link)
        browser.get("/?code=abc&State=def&find=x", headers={"Authorization": "Bearer flowdiag_secret"})
        sign_in(served.browser(), "mere")
    text = (tmp_path / "state" / "audit.jsonl").read_text()
    assert text.count("once=***") == 2
    for secret in (
        link.partition("=")[2],
        "a-wrong-guess",
        "abc",
        "def",
        "flowdiag_secret",
        PASSWORD,
        *browser.cookies.values(),
    ):
        assert secret not in text
    assert "find=x" in text


@pytest.mark.parametrize(
    "name", ['x\n{"event":"signed-in"}', "x\u2028y", "\x1b[31mred", "\u202etxt", 'a"b\\', "\x00"]
)
def test_what_somebody_types_stays_within_its_line(served: Served, name: str) -> None:
    """Log injection, and text that would turn a terminal upside down."""
    sign_in(served.browser(), f"a{name}b", "wrong")
    raw = (served.desk.settings.state / "audit.jsonl").read_bytes()
    assert raw.count(b"\n") == 1
    assert all(32 <= octet < 127 for octet in raw.rstrip(b"\n"))
    assert json.loads(raw)["person"] == f"a{name}b"
    assert json.loads(raw)["event"] == "sign-in-refused"


def test_a_page_that_refreshes_itself_is_told_of_once_a_minute(served: Served) -> None:
    browser = served.signed_in("mere")
    for _ in range(5):
        browser.get("/")
        browser.get("/sites/rata-group.mill-road")
    assert [line["path"] for line in lines(served)] == ["/sign-in", "/", "/sites/rata-group.mill-road"]


def test_long_text_is_cut(served: Served) -> None:
    browser = served.signed_in("mere")
    browser.get("/?find=" + "x" * 10_000)
    assert len(lines(served)[-1]["query"]) == audit.LONGEST
    assert masked("&".join(f"a{number}=1" for number in range(1000))) == "***"


def test_the_log_is_for_its_owner_and_group(served: Served) -> None:
    mode = (served.desk.settings.state / "audit.jsonl").stat().st_mode
    assert stat.S_IMODE(mode) == 0o640


def test_a_log_begins_anew_when_it_is_large_and_keeps_so_many(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(audit, "LARGEST", 1000)
    monkeypatch.setattr(audit, "KEPT", 3)
    log = AuditLog(tmp_path)
    for number in range(60):
        log.tell(entry(f"/{number}"))
    log.close()
    assert sorted(file.name for file in tmp_path.iterdir()) == [
        "audit.1.jsonl",
        "audit.2.jsonl",
        "audit.jsonl",
    ]
    in_order = ("audit.2.jsonl", "audit.1.jsonl", "audit.jsonl")
    paths = [
        json.loads(line)["path"] for name in in_order for line in (tmp_path / name).read_text().splitlines()
    ]
    assert paths == [f"/{number}" for number in range(60 - len(paths), 60)]
    assert all(file.stat().st_size <= 1000 for file in tmp_path.iterdir())


def test_a_log_goes_on_where_it_ended(tmp_path: Path) -> None:
    for path in ("/first", "/second"):
        log = AuditLog(tmp_path)
        log.tell(entry(path))
        log.close()
    assert len((tmp_path / "audit.jsonl").read_text().splitlines()) == 2


def test_a_log_that_cannot_be_written_is_said_and_stops_nobody(
    served: Served, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> int:
        raise OSError(28, "No space left on device")

    browser = served.signed_in("mere")
    with caplog.at_level(logging.ERROR), monkeypatch.context() as patch:
        patch.setattr("flowdiag.desk.access.audit.os.write", full)
        served.desk.audit.tell(entry("/first"))
        served.desk.audit.tell(entry("/second"))
    assert caplog.text.count("No space left on device") == 1
    assert browser.get("/").status_code == 200


def test_a_folder_that_is_none_is_said_at_the_start(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(FlowdiagError, match="the audit log cannot be written"):
        AuditLog(tmp_path / "file")
