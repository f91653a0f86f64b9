"""What a watch knows and told, at the desk: open incidents, acknowledgements, events, the morning list, and backup drills."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import pytest
from starlette.testclient import TestClient

from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.application import application
from flowdiag.desk.desk import Desk
from flowdiag.desk.people import Person, Role
from flowdiag.desk.settings import Settings
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.scenario.library import FERRY_OFFICE
from flowdiag.scenario.site import profile_toml
from flowdiag.watch.event import Event, Incident, Matter, SiteMemory
from flowdiag.watch.ledgers.opening import open_ledger
from flowdiag.watch.part import Part, encoded
from flowdiag.watch.silenced import read_silences
from tests.desk.conftest import BASE, StoreAndSites, form_token, waited
from tests.watch.playing import NOW, Played, play
from tests.watch.test_drill import BEGAN, ENDED, with_calls

HARBOUR: Final = "kowhai-group/harbour"
FERRY: Final = "ferries/point"
KEYS: Final = {HARBOUR: "a" * 16, FERRY: "b" * 16, "": "c" * 16}
DRILL_KEY: Final = "d" * 16
Sign = Callable[[str, str], TestClient]


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def incident(key: str, code: str, link: str | None, began_ms: int) -> Incident:
    return Incident(
        key=key, matter=Matter(code, link), severity="warning", confidence="high", began_ms=began_ms, ended_ms=None,
        seen_ms=began_ms, client="It may not take over.", summary=f"Summary <b>of</b> {key}.", told=(began_ms,),
    )  # fmt: skip


def event(key: str, place: str, code: str, began_ms: int, ended_ms: int | None = None, **more: Any) -> Event:
    return Event(
        key=key, number=more.pop("number", 1), incident=key, site=f"Site of {place}", place=place, timezone="Pacific/Auckland",
        code=code, severity="warning", confidence="high", link="lte", direction=None,
        state="began" if ended_ms is None else "ended", began_ms=began_ms, ended_ms=ended_ms,
        told_ms=more.pop("told_ms", began_ms), client="It may not take over.", summary=f"Told of {place}.", **more,
    )  # fmt: skip


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    return play(tmp_path_factory.mktemp("ferry"), with_calls)


@pytest.fixture(scope="module")
def watched(played: Played) -> str:
    """The store's ledger as a watch leaves it: an incident of each of two sites and one of all, and a drill that is over."""
    ago = now_ms() - HOUR_MS
    sites = {
        place: SiteMemory(name=place or "all sites", timezone="Pacific/Auckland", incidents=(own,))
        for place, own in (
            (HARBOUR, incident(KEYS[HARBOUR], "backup-leak", "cellular", ago)),
            (FERRY, incident(KEYS[FERRY], "keepalive-missing", "lte", ago)),
            ("", incident(KEYS[""], "not-heard", None, ago)),
        )
    }
    events = (
        event(DRILL_KEY, FERRY, "on-backup", BEGAN, ENDED, number=2, told_ms=now_ms() - 2 * DAY_MS),
        event(KEYS[HARBOUR], HARBOUR, "backup-leak", ago),
        event(KEYS[FERRY], FERRY, "keepalive-missing", ago),
        event(KEYS[""], "", "not-heard", ago),
    )
    ledger = open_ledger(played.store)
    assert ledger.write("part-00", encoded(Part(sites=sites, events=events)), 0)
    assert ledger.write("watcher-host-0-1-1-ab", b"", 0)
    return played.store


@pytest.fixture(scope="module")
def desk(watched: str, tmp_path_factory: pytest.TempPathFactory) -> Desk:
    sites = tmp_path_factory.mktemp("sites")
    for place, name in ((FERRY, "Puriri Point"), (HARBOUR, "Kowhai Harbour")):
        file = sites / f"{place}.toml"
        file.parent.mkdir(parents=True)
        text = profile_toml(FERRY_OFFICE).replace(FERRY_OFFICE.name, name)
        if place == FERRY:
            text = text.replace("[site]\n", "[site]\npseudonyms = true\n", 1)
        file.write_text(text, encoding="utf-8")
    return Desk(Settings(watched, sites, tmp_path_factory.mktemp("state"), jobs=2))


@pytest.fixture(scope="module")
def sign(desk: Desk) -> Iterator[Sign]:
    """A browser in which somebody in a role has signed in, who sees some sites."""
    app = application(desk)
    with TestClient(app, base_url=BASE) as served:

        def make(role: Role, sites: str = "*") -> TestClient:
            client = TestClient(app, base_url=BASE)
            client.portal = served.portal
            person = Person(f"{role}-1", frozenset({role}), (sites,))
            client.cookies.set(COOKIE, desk.sessions.begin(person).key, domain="127.0.0.1")
            return client

        yield make  # type: ignore[misc]


def silence(client: TestClient, key: str, **fields: str) -> Any:
    until = datetime.now(UTC) + timedelta(days=1)
    given = {"as": "acknowledge", "reason": "the carrier knows", "until": f"{until:%Y-%m-%dT%H:%M}"} | fields
    return client.post(
        f"/incidents/{key}/silence", data={"form_token": form_token(client)} | given, headers={"Origin": BASE}
    )


def audited(desk: Desk) -> list[dict[str, Any]]:
    lines = (desk.settings.state / "audit.jsonl").read_text().splitlines()
    return [json.loads(line) for line in lines]


def test_open_incidents_stand_on_the_page_of_all_sites(sign: Sign) -> None:
    page = sign("helpdesk").get("/all-sites").text
    assert "Open incidents" in page
    assert f'action="/incidents/{KEYS[HARBOUR]}/silence"' in page
    assert f'action="/incidents/{KEYS[""]}/silence"' in page
    assert "Told of kowhai-group/harbour." in page
    assert "No watch" not in page


def test_whoever_sees_some_sites_sees_their_incidents_alone(sign: Sign) -> None:
    page = sign("engineer", "kowhai-group/*").get("/all-sites").text
    assert KEYS[HARBOUR] in page
    assert KEYS[FERRY] not in page
    assert KEYS[""] not in page
    assert silence(sign("engineer", "kowhai-group/*"), KEYS[FERRY]).status_code == 404


def test_accounts_read_and_do_not_silence(sign: Sign) -> None:
    client = sign("accounts")
    page = client.get("/all-sites").text
    assert "Told of kowhai-group/harbour." in page
    assert "/silence" not in page
    assert silence(client, KEYS[HARBOUR]).status_code == 403


def test_an_incident_is_acknowledged_and_told_again(sign: Sign, desk: Desk, watched: str) -> None:
    client = sign("helpdesk")
    assert silence(client, KEYS[HARBOUR], reason="<i>mended</i> tonight").status_code == 200
    (kept,) = [one for one in read_silences(open_ledger(watched)) if one.key == KEYS[HARBOUR]]
    assert (kept.kind, kept.by, kept.reason) == ("acknowledged", "helpdesk-1", "<i>mended</i> tonight")
    page = client.get("/all-sites").text
    assert re.search(
        r"Acknowledged by helpdesk-1 until \w+ \d+ \w+ \d\d:\d\d NZ[DS]T: &lt;i&gt;mended&lt;/i&gt; tonight",
        page,
    )
    assert any(
        (line["event"], line["person"], line["path"])
        == ("acknowledged", "helpdesk-1", f"/incidents/{KEYS[HARBOUR]}/silence")
        and line["site"] == "kowhai-group.harbour"
        for line in audited(desk)
    )
    again = client.post(
        f"/incidents/{KEYS[HARBOUR]}/tell-again",
        data={"form_token": form_token(client), "silence": kept.name}, headers={"Origin": BASE},
    )  # fmt: skip
    assert again.status_code == 200
    assert not [one for one in read_silences(open_ledger(watched)) if one.key == KEYS[HARBOUR]]
    assert any(line["event"] == "told-again" for line in audited(desk))


@pytest.mark.parametrize(
    "fields",
    [
        {"reason": ""},
        {"until": ""},
        {"until": "2020-01-01T10:00"},
        {"until": "soon"},
        {"as": "forget"},
        {"until": "2400-01-01T10:00"},
    ],
)
def test_a_silence_needs_a_reason_and_a_time_to_come(
    sign: Sign, watched: str, fields: dict[str, str]
) -> None:
    before = read_silences(open_ledger(watched))
    assert silence(sign("helpdesk"), KEYS[FERRY], **fields).status_code == 400
    assert read_silences(open_ledger(watched)) == before


def test_a_form_of_another_page_silences_nothing(sign: Sign, watched: str) -> None:
    client = sign("helpdesk")
    given = {"as": "mute", "reason": "x", "until": "2999-01-01T10:00"}
    answer = client.post(f"/incidents/{KEYS[FERRY]}/silence", data=given, headers={"Origin": BASE})
    assert answer.status_code == 403
    assert not [one for one in read_silences(open_ledger(watched)) if one.reason == "x"]


def test_events_of_the_last_day_and_week(sign: Sign) -> None:
    day, week = (sign("accounts").get(f"/events{more}").text for more in ("", "?of=week"))
    assert "Told of ferries/point." in day
    assert DRILL_KEY not in day
    assert f"/sites/ferries.point/drills/{DRILL_KEY}" in week
    helpdesk = sign("helpdesk").get("/events").text
    assert re.search(r'href="/sites/ferries\.point/note\?from=', helpdesk)  # a note of that time


def test_a_drill_is_for_the_client_of_its_site_too(sign: Sign) -> None:
    client = sign("client", FERRY)
    assert f"/sites/ferries.point/drills/{DRILL_KEY}" in client.get("/sites/ferries.point").text
    page = waited(client, f"/sites/ferries.point/drills/{DRILL_KEY}")
    assert page.status_code == 200
    assert "4 calls were going on; 2 went on, 2 did not." in page.text
    assert "192.168.40" not in page.text  # its people see pseudonyms in notes; here nobody is named
    whole = waited(client, f"/sites/ferries.point/drills/{DRILL_KEY}/file")
    assert whole.text.startswith("<!doctype html>")
    assert "attachment" in whole.headers["content-disposition"]
    assert "192.168.40" in waited(sign("engineer"), f"/sites/ferries.point/drills/{DRILL_KEY}").text


def test_a_drill_of_another_site_is_nobodys(sign: Sign) -> None:
    assert sign("client", HARBOUR).get(f"/sites/ferries.point/drills/{DRILL_KEY}").status_code == 404
    assert sign("client", FERRY).get(f"/sites/ferries.point/drills/{KEYS[FERRY]}").status_code == 404
    assert sign("engineer").get(f"/sites/kowhai-group.harbour/drills/{DRILL_KEY}").status_code == 404
    assert sign("client", FERRY).get("/events").status_code == 403
    assert sign("client", FERRY).get("/morning").status_code == 403


def test_the_morning_list_is_a_page_and_files(sign: Sign) -> None:
    client = sign("accounts")
    page = waited(client, "/morning")
    assert "2 sites: 2 on this list" in page.text
    assert "not heard" in page.text  # the records are of March
    assert re.search(
        r"<p>\w+day \d+ \w+ \d{4}, \d\d:\d\d UTC\. Sites whose backup", page.text
    )  # of when it is
    file = re.search(r'href="(/morning/list\.csv\?of=\d+)"', page.text)
    assert file
    rows = waited(client, file[1]).text.splitlines()
    assert [row.partition(",")[0] for row in rows] == ["rank", "1", "2"]
    assert "1 site: 1 on this list" in waited(sign("helpdesk", FERRY), "/morning").text
    assert client.get("/morning/list.exe").status_code == 404


def test_the_morning_list_says_what_is_acknowledged(sign: Sign, desk: Desk) -> None:
    from flowdiag.desk.pages.morning import with_known
    from flowdiag.watch.report.reasons import ListedSite, MorningList, Reason

    client = sign("helpdesk")
    assert silence(client, KEYS[FERRY], **{"as": "mute", "reason": "new SIM on Monday"}).status_code == 200
    reason = Reason("keepalive-missing", "lte", NOW, False, "high", "What.", "Client.")
    listed = ListedSite(FERRY, "Puriri Point", "ferries", "UTC", (reason,))

    class OfDesk:
        def __init__(self) -> None:
            self.desk = desk

    known = with_known(OfDesk(), MorningList(NOW, 1, (listed,), (), 0, 0))  # type: ignore[arg-type]
    acknowledged = known.listed[0].reasons[0].acknowledged
    assert acknowledged is not None
    assert (acknowledged.muted, acknowledged.reason) == (True, "new SIM on Monday")


def test_programs_are_told_the_same(sign: Sign, desk: Desk) -> None:
    client = sign("helpdesk")
    told = client.get("/api/incidents").json()
    assert told["watch"] == {"runs": True, "said": ""}
    assert {one["event"]["key"] for one in told["incidents"]} == set(KEYS.values())
    since = datetime.fromtimestamp((now_ms() - 3 * DAY_MS) / 1000, UTC).isoformat()
    events = client.get("/api/events", params={"since": since}).json()["events"]
    (drill,) = [one["drill_page"] for one in events if one["key"] == DRILL_KEY]
    assert drill == f"/api/sites/ferries.point/drills/{DRILL_KEY}"
    measured = waited(client, drill).json()
    assert (measured["schema"], measured["calls"]["before"]) == ("flowdiag.drill/1", 4)
    assert waited(client, "/api/morning").json()["counts"]["sites"] == 2
    assert waited(client, "/api/morning?as=csv").text.startswith("rank,site")
    # What changes something takes a token, not a cookie that a browser sends along.
    until = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
    words = {"kind": "muted", "until": until, "reason": "x"}
    assert client.post(f"/api/incidents/{KEYS[FERRY]}/silence", params=words).status_code == 401
    described = client.get("/api/openapi.json").json()["paths"]
    assert list(described["/api/incidents/{incident}/silence"]) == ["post"]


def test_where_no_watch_ever_ran_it_is_said(
    store_and_sites: StoreAndSites, tmp_path_factory: pytest.TempPathFactory
) -> None:
    state = tmp_path_factory.mktemp("state")
    desk = Desk(Settings(str(store_and_sites.store), store_and_sites.sites, state, jobs=1))
    with TestClient(application(desk), base_url=BASE) as client:
        person = Person("helpdesk-1", frozenset({"helpdesk"}), ("*",))
        client.cookies.set(COOKIE, desk.sessions.begin(person).key, domain="127.0.0.1")
        assert "No watch has run over this store" in client.get("/all-sites").text
        assert client.get("/api/incidents").json()["watch"]["runs"] is None
        assert "Nothing was told in this time." in client.get("/events").text
        assert "No incident is open." not in client.get("/all-sites").text


def test_a_watch_that_gives_no_sign_of_life_is_said_to_have_stopped(
    watched: str, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    from flowdiag.desk import watched as module
    from flowdiag.desk.watched import Watched

    mine = Watched(watched)
    mine.read()
    assert mine.runs is True
    monkeypatch.setattr(module, "DEAD_AFTER_S", -1.0)
    assert mine.runs is False
    monkeypatch.undo()
    ledger = open_ledger(watched)
    version = ledger.versions()["watcher-host-0-1-1-ab"]
    assert ledger.write("watcher-host-0-1-1-ab", b"", version)
    mine.read()
    assert mine.runs is True


def test_a_ledger_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    from flowdiag.desk.watched import Watched

    (tmp_path / "_flowdiag" / "watch").mkdir(parents=True)
    (tmp_path / "_flowdiag" / "watch" / "watch.sqlite").write_bytes(b"no ledger" * 200)
    mine = Watched(str(tmp_path))
    mine.read()
    assert mine.fault is not None


def test_what_the_watch_knows_is_read_without_what_takes_long_to_load() -> None:
    import subprocess
    import sys

    def loaded(module: str, *heavy: str) -> str:
        code = f"import sys, {module}; print([name for name in {heavy!r} if name in sys.modules])"
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        return done.stdout.strip()

    assert loaded("flowdiag.desk.watched", "numpy", "pyarrow", "pandas", "pydantic") == "[]"
    assert loaded("flowdiag.desk.application", "pyarrow", "pandas") == "[]"


def test_minutes_are_whole() -> None:
    """The address of a morning list is a minute: it has to stand for the whole quarter of an hour."""
    from flowdiag.desk.pages.morning import SLOT_MS

    assert SLOT_MS % MINUTE_MS == 0
