"""Every page, asked for by every role: nobody sees a byte of another client's, and what is not for a role is refused.

Pages come from the application's own list, so that a new one is walked by itself. One whose address has a part that is not
known here fails: say in PARTS what fills it.
"""

from __future__ import annotations

import itertools
import re
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import pytest
from msgspec import Struct
from starlette.testclient import TestClient

from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.access.tokens import digest, new_token
from flowdiag.desk.api.figures import KINDS
from flowdiag.desk.api.pages import OPERATIONS
from flowdiag.desk.application import PAGES, application
from flowdiag.desk.asking.note_question import NoteQuestion
from flowdiag.desk.desk import Desk
from flowdiag.desk.people import ROLES, Person
from flowdiag.desk.routing import Page
from flowdiag.desk.settings import Settings
from flowdiag.durations import HOUR_MS
from flowdiag.watch.drill.rendering import as_object
from flowdiag.watch.event import Event, Incident, Matter, SiteMemory
from flowdiag.watch.ledgers.opening import open_ledger
from flowdiag.watch.part import Part, encoded
from flowdiag.watch.silenced import read_silences
from tests.desk.access.desks import account
from tests.desk.conftest import BASE, StoreAndSites, form_token
from tests.watch.test_pages_browser import drill

OWN: Final = "kowhai-group.harbour"
OTHERS: Final = ("rata-group.mill-road", "corner")
# Names, labels, networks inside and routers of the sites that the people here may not see.
FOREIGN: Final = (
    "Rata Mill", "Rata saw", "192.168.77.", "10.200.0.16", "Corner Bakery", "Corner ovens", "192.168.93.", "10.200.0.5",
    "Rata export",
)  # fmt: skip
OWN_SITES: Final = ("kowhai-group/*",)
WINDOW: Final = ("2026-03-03T02:00:00+00:00", "2026-03-03T03:00:00+00:00")
# What every page is asked with; each takes what it knows.
QUERY: Final = {
    "from": WINDOW[0],
    "to": WINDOW[1],
    "when": "3 March 14:00 to 15:00",
    "find": "a",
    "ticket": "T-1",
}
# The API refuses what an operation is not asked with.
OPERATION: Final = {operation.path: operation for operation in OPERATIONS}
PART: Final = re.compile(r"{(\w+)(?::\w+)?}")
# Parts of addresses beside those of the store.
PARTS: Final[dict[str, tuple[str, ...]]] = {
    "form": ("text", "markdown", "json", "page", "brief", "other"),
    "key": ("0" * 64,),
    "kind": (*KINDS, "other"),
    "client": ("kowhai-group", "rata-group", "corner", "nobody"),
    "incident": ("a" * 16, "b" * 16, "c" * 16, "nothing"),
}
OWN_INCIDENT: Final = "a" * 16
# Pages of what nobody here has made: work that goes on.
EMPTY: Final = ("/answers/{key}",)
ANSWER_WITHIN: Final = 60  # looks at an answer that takes longer


class Walk(Struct, frozen=True):
    """A running desk, notes of each site by their identifiers, a token for each role, and what somebody else uploaded."""

    desk: Desk
    client: TestClient
    notes: dict[str, str]
    tokens: dict[str, str]
    upload: str

    def browser(self, role: str | None, page: Page) -> TestClient:
        """Of somebody who has that role at the sites of one client: signed in, or by a token where the page is for programs."""
        client = TestClient(self.client.app, base_url=BASE, follow_redirects=False)
        client.portal = self.client.portal
        if role is not None and page.api:
            client.headers["Authorization"] = f"Bearer {self.tokens[role]}"
        elif role is not None:
            person = Person(role, frozenset({role}), OWN_SITES)  # type: ignore[arg-type]
            client.cookies.set(COOKIE, self.desk.sessions.begin(person).key, domain="127.0.0.1")
        return client


def watched(where: StoreAndSites) -> None:
    """The ledger of a watch that told of each site: a stay on its backup that is over, and something that goes on."""
    places = (
        ("kowhai-group/harbour", "Kowhai"),
        ("rata-group/mill-road", "Rata Mill"),
        ("corner", "Corner Bakery"),
    )
    events, sites = [], {}
    for (place, name), key in zip(places, PARTS["incident"], strict=False):
        began = time.time_ns() // 1_000_000 - HOUR_MS
        told = Event(
            key=key, number=2, incident=key, site=name, place=place, timezone="UTC", code="on-backup", severity="critical",
            confidence="high", link="cellular", direction=None, state="ended", began_ms=began, ended_ms=began + 60_000,
            told_ms=began, client=f"Client of {name}.", summary=f"Summary of {name}.", drill=as_object(drill()),
        )  # fmt: skip
        going_on = Incident(
            key=key[:15] + "z", matter=Matter("backup-leak", "cellular"), severity="warning", confidence="high",
            began_ms=began, ended_ms=None, seen_ms=began, client="", summary=f"Leak of {name}.", told=(began,),
        )  # fmt: skip
        events.append(told)
        sites[place] = SiteMemory(name=name, incidents=(going_on,))
    assert open_ledger(where.store).write("part-00", encoded(Part(sites=sites, events=tuple(events))), 0)


def asked_note(where: StoreAndSites, desk: Desk, key: str, pseudonyms: bool = False) -> str:
    """The identifier of a note that is kept."""
    site = desk.catalogue.get(key)
    assert site is not None
    question = NoteQuestion(str(where.store), site.file, site.digest, *WINDOW, pseudonyms=pseudonyms)
    return desk.notes.keep(key, question, question.answer(lambda *_: None))


@pytest.fixture(scope="module")
def walk(own_store: StoreAndSites, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Walk]:
    folder = tmp_path_factory.mktemp("walk")
    tokens = {role: new_token() for role in ROLES}
    programs = (
        f'[[token]]\nname = "{role}"\nsha256 = "{digest(token)}"\nroles = ["{role}"]\n'
        f"sites = {list(OWN_SITES)}\nexpires = 2999-01-01\n"
        for role, token in tokens.items()
    )
    file = folder / "access.toml"
    file.write_text(account("mere") + "".join(programs))
    watched(own_store)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FLOWDIAG_KEY_FILE", str(folder / "pseudonyms.key"))
        desk = Desk(Settings(str(own_store.store), own_store.sites, folder / "state", access=file, jobs=2))
        with TestClient(application(desk), base_url=BASE) as client:
            notes = {key: asked_note(own_store, desk, key) for key in (OWN, *OTHERS)}
            assert client.portal is not None
            upload = client.portal.call(desk.uploads.begin, "another session", "Rata export.pcap")
            yield Walk(desk, client, notes, tokens, upload.key)


def addresses(page: Page, notes: dict[str, str], upload: str) -> list[tuple[str, dict[str, str]]]:
    """The page's addresses with everything that may fill its parts, and what filled them."""
    parts = {
        **PARTS,
        "site": (OWN, *OTHERS, "nowhere"),
        "note": (*notes.values(), "nothing"),
        "upload": (upload,),
    }
    names = PART.findall(page.path)
    unknown = set(names) - set(parts)
    if unknown:
        pytest.fail(
            f"{page.path} has parts that this test cannot fill: {', '.join(unknown)}; add them to PARTS"
        )
    found = []
    for values in itertools.product(*(parts[name] for name in names)):
        filled = dict(zip(names, values, strict=True))
        found.append((PART.sub(lambda match, to=filled: to[match[1]], page.path), filled))  # type: ignore[misc]
    return found


def query_of(page: Page, role: str | None) -> dict[str, str]:
    """What a page is asked with; clients ask for a note in a form that has their part alone."""
    operation = OPERATION.get(page.path)
    if operation is None:
        return QUERY
    known = {one.name for one in operation.parameters}
    query = {name: value for name, value in QUERY.items() if name in known}
    return query | ({"as": "text"} if role == "client" and "text" in operation.forms else {})


def answer_of(browser: TestClient, page: Page, method: str, address: str, role: str | None) -> Any:
    """The answer, once it is there."""
    if method == "GET":
        query = query_of(page, role)
        for _ in range(ANSWER_WITHIN):
            answer = browser.get(address, params=query)
            if answer.status_code != 202:
                return answer
        return answer
    if page.api:
        until = (datetime.now(UTC) + timedelta(days=1)).isoformat()
        silencing = {"kind": "muted", "until": until, "reason": "known"}  # what changes something at present
        return browser.request(method, address, params=silencing, json={**QUERY, "site": OTHERS[0]})
    data = {"form_token": form_token(browser), **QUERY}
    return browser.request(method, address, data=data, headers={"Origin": BASE})


def is_of_others(filled: dict[str, str], notes: dict[str, str]) -> bool:
    """Whether an address is of a site or a note that the people here may not see."""
    own = {"site": {OWN}, "note": {notes[OWN]}, "client": {"kowhai-group"}, "upload": set(),
           "incident": {OWN_INCIDENT}}  # fmt: skip
    return any(filled[name] not in allowed for name, allowed in own.items() if name in filled)


def check(walk: Walk, page: Page, role: str | None, method: str) -> None:
    browser = walk.browser(role, page)
    seen: list[int] = []
    for address, filled in addresses(page, walk.notes, walk.upload):
        answer = answer_of(browser, page, method, address, role)
        status, what = answer.status_code, f"{method} {address} as {role}: {answer.status_code}"
        shown = answer.text + str(answer.headers)
        assert not [text for text in FOREIGN if text in shown], what
        if not any(other in address for other in ("rata", "corner")):
            assert "rata-group" not in shown, what
        assert status < 500, what
        if page.roles is None:
            continue
        if role is None:
            assert status == 401 or (status == 303 and answer.headers["location"].startswith("/sign-in")), (
                what
            )
        elif role not in page.roles:
            assert status == 403, what
        elif is_of_others(filled, walk.notes):
            assert status == 404, what
        else:
            assert status not in (401, 403), what
            seen.append(status)
    assert not seen or page.methods != ("GET",) or page.path in EMPTY or {200, 303} & set(seen), page.path


@pytest.mark.slow
@pytest.mark.parametrize("role", [*ROLES, None])
def test_nobody_sees_what_is_anothers(walk: Walk, role: str | None) -> None:
    for page in PAGES:
        for method in page.methods:
            check(walk, page, role, method)


def test_a_search_finds_ones_own_sites_alone(walk: Walk) -> None:
    for role in ROLES:
        browser = walk.browser(role, next(page for page in PAGES if page.path == "/"))
        for words in ("r", "Rata", "corner", "192.168.77", "10.200.0.16", "saw shed"):
            for path in ("/", "/sites/suggest"):
                text = browser.get(path, params={"find": words}).text
                assert not [foreign for foreign in FOREIGN if foreign in text and foreign not in words]


def test_a_program_mutes_an_incident_of_its_own_sites(walk: Walk, own_store: StoreAndSites) -> None:
    page = next(page for page in PAGES if page.path == "/api/incidents/{incident}/silence")
    answer = answer_of(
        walk.browser("engineer", page), page, "POST", f"/api/incidents/{OWN_INCIDENT}/silence", None
    )
    assert answer.status_code == 200
    assert (answer.json()["kind"], answer.json()["by"]) == ("muted", "token:engineer")
    assert [one.key for one in read_silences(open_ledger(own_store.store)) if one.by == "token:engineer"][
        -1
    ] == OWN_INCIDENT


def test_the_walk_meets_what_it_is_to_look_for(walk: Walk) -> None:
    """The test itself: whoever may see the others' sites does see those bytes."""
    walk_all = Person("all", frozenset({"engineer"}), ("*",))
    browser = walk.browser(None, PAGES[0])
    browser.cookies.set(COOKIE, walk.desk.sessions.begin(walk_all).key, domain="127.0.0.1")
    seen = browser.get("/").text + browser.get("/events").text + browser.get("/all-sites").text
    assert {"Leak of Rata Mill", "Summary of Corner Bakery"} <= set(
        re.findall(r"(?:Leak|Summary) of [\w ]+", seen)
    )
    for key in OTHERS:
        seen += browser.get(f"/sites/{key}/notes/{walk.notes[key]}/json").text
        seen += browser.get(f"/sites/{key}/notes/{walk.notes[key]}").text
    assert [text for text in FOREIGN if text in seen and not text.startswith("10.")]
    assert {"Rata Mill", "Corner Bakery", "192.168.77.", "192.168.93."} <= {
        text for text in FOREIGN if text in seen
    }


def test_a_page_with_parts_that_nobody_knows_fails_the_walk() -> None:
    with pytest.raises(pytest.fail.Exception, match="add them to PARTS"):
        addresses(Page("/{new}", PAGES[0].handler, None), {}, "")


class Clients(Struct, frozen=True):
    """Browsers of a client of the site whose clients see pseudonyms: with its own part alone, and with whole notes."""

    part: TestClient
    whole: TestClient
    staffs: str
    clients: str


@pytest.fixture(scope="module")
def clients(walk: Walk, own_store: StoreAndSites) -> Clients:
    def browser(whole_notes: bool) -> TestClient:
        made = walk.browser(None, PAGES[0])
        person = Person("client", frozenset({"client"}), ("rata-group/*",), whole_notes)
        made.cookies.set(COOKIE, walk.desk.sessions.begin(person).key, domain="127.0.0.1")
        return made

    key = OTHERS[0]
    return Clients(
        browser(False),
        browser(True),
        walk.notes[key],
        asked_note(own_store, walk.desk, key, pseudonyms=True),
    )


def test_a_client_reads_the_clients_part_alone(walk: Walk, clients: Clients) -> None:
    address = f"/sites/{OTHERS[0]}/notes/{clients.clients}"
    whole = clients.whole.get(address).text
    part = clients.part.get(address).text
    text = clients.part.get(f"{address}/text").text
    assert "Rata Mill Road" in part
    assert "not in flow records" in whole  # what the engineer's part says of its limits
    assert "not in flow records" not in part
    assert len(text) < len(clients.whole.get(f"{address}/text").text) / 2
    for form in ("json", "page", "brief"):
        assert clients.part.get(f"{address}/{form}").status_code == 404
        assert clients.whole.get(f"{address}/{form}").status_code == 200
    assert clients.part.get(f"/api{address}").status_code == 403
    assert clients.part.get(f"/api{address}", params={"as": "text"}).text == text


def test_a_client_sees_pseudonyms_where_the_profile_asks(clients: Clients) -> None:
    """The addresses inside, in no form of the note, whoever asked for it."""
    address = f"/sites/{OTHERS[0]}/notes"
    for browser in (clients.part, clients.whole):
        for form in ("", "/text", "/markdown", "/json", "/page", "/brief"):
            assert "192.168.77." not in browser.get(f"{address}/{clients.clients}{form}").text
            assert browser.get(f"{address}/{clients.staffs}{form}").status_code == 404


def test_a_clients_own_question_is_answered_with_pseudonyms(clients: Clients) -> None:
    path = f"/sites/{OTHERS[0]}/note"
    while (answer := clients.whole.get(path, params=QUERY)).status_code == 202:
        pass
    assert answer.status_code == 303
    assert answer.headers["location"] != f"/sites/{OTHERS[0]}/notes/{clients.staffs}"
    assert "192.168.77." not in clients.whole.get(answer.headers["location"]).text


def test_files_of_the_state_are_for_their_owner(walk: Walk) -> None:
    folder = Path(walk.desk.settings.state)
    assert all(file.stat().st_mode & 0o007 == 0 for file in folder.iterdir())
