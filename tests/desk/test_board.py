"""The board: what it says of sites, in which order, and what it costs to be kept up to date."""

from __future__ import annotations

import html
import re
import time
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import pytest
from msgspec.structs import replace
from starlette.testclient import TestClient

from flowdiag.desk.asking.look_question import Seen
from flowdiag.desk.board import Board, Standings
from flowdiag.desk.desk import Desk
from flowdiag.desk.pages import board_rows
from flowdiag.site.catalogue import Catalogue, KnownSite
from flowdiag.watch.state import DayState, Mark, SiteState, Spell
from tests.desk.conftest import StoreAndSites

WAITED_S = 60.0
HOUR_MS = 3_600_000
NOW_MS = 1_772_497_800_000


@pytest.fixture(scope="module")
def looked_at(desk: Desk, served: TestClient) -> Desk:
    """The desk, once it has looked at all sites."""
    until = time.monotonic() + WAITED_S
    while any(
        (known := desk.board.of(site)).looked_ms is None or known.day_looked_ms is None
        for site in desk.catalogue.all()
    ):
        assert time.monotonic() < until
        time.sleep(0.1)
    return desk


def names(page: str) -> list[str]:
    return re.findall(r'id="site-[^"]*"><bdi>([^<]*)', page)


def test_every_site_is_listed_with_its_state(looked_at: Desk, desk_client: TestClient) -> None:
    page = desk_client.get("/all-sites").text
    assert sorted(names(page)) == sorted(site.name for site in looked_at.catalogue.all())
    assert "not heard" in page  # the store's last flow is of March
    assert "Every site was looked at within the last" in page


def test_the_list_is_of_one_client(looked_at: Desk, desk_client: TestClient) -> None:
    assert names(desk_client.get("/all-sites?client=rata-group").text) == ["Rata Mill Road"]


def test_the_list_is_of_one_state(looked_at: Desk, desk_client: TestClient) -> None:
    assert len(names(desk_client.get("/all-sites?state=unheard").text)) == len(looked_at.catalogue.all())
    assert "No site is in this state." in desk_client.get("/all-sites?state=down").text


@pytest.mark.parametrize(
    "address",
    ["/all-sites?page=0", "/all-sites?page=99999999", "/all-sites?page=x&by=nothing&state=no&when=never"],
)
def test_an_address_that_asks_for_nothing_known_shows_a_list(
    looked_at: Desk, desk_client: TestClient, address: str
) -> None:
    assert desk_client.get(address).status_code == 200


def test_nothing_is_sent_where_nothing_changed(looked_at: Desk, desk_client: TestClient) -> None:
    first = desk_client.get("/all-sites/changes?since=0").json()
    assert "Corner Bakery" in first["rows"]
    again = desk_client.get(f"/all-sites/changes?since={first['version']}").json()
    assert again.keys() == {"version", "status"}


def test_a_sites_own_page_says_how_it_stands(
    looked_at: Desk, desk_client: TestClient, browser_of: Any
) -> None:
    from flowdiag.desk.people import EVERY_SITE, Person

    assert "not heard" in desk_client.get("/sites/corner").text
    client = browser_of(Person("somebody", frozenset({"client"}), (EVERY_SITE,)))
    page = client.get("/sites/corner")
    assert page.status_code == 200
    assert "not heard" not in page.text


def test_programs_get_the_same_as_json(looked_at: Desk, desk_client: TestClient) -> None:
    answer = desk_client.get("/api/states").json()
    assert answer["schema"] == "flowdiag.states/1"
    assert {site["name"]: site["states"] for site in answer["sites"]} == {
        site.name: ["unheard"] for site in looked_at.catalogue.all()
    }


def test_the_board_is_for_staff(looked_at: Desk, browser_of: Any) -> None:
    from flowdiag.desk.people import EVERY_SITE, Person

    client = browser_of(Person("somebody", frozenset({"client"}), (EVERY_SITE,)))
    assert client.get("/all-sites").status_code == 403
    assert client.get("/api/states").status_code == 403


def test_who_reads_no_notes_is_led_to_none(looked_at: Desk, browser_of: Any) -> None:
    from flowdiag.desk.people import EVERY_SITE, Person

    accounts = browser_of(Person("somebody", frozenset({"accounts"}), (EVERY_SITE,)))
    engineer = browser_of(Person("other", frozenset({"engineer"}), (EVERY_SITE,)))
    for page in ("/all-sites", "/all-sites/changes", "/sites/corner"):
        assert "/note?" not in accounts.get(page).text
        assert "/note?" in engineer.get(page).text


def mark(code: str, began_ms: int, ended_ms: int | None = None) -> Mark:
    return Mark(code, "critical", "high", "fibre", "up", began_ms, ended_ms, False, "It was full.", "Full.")


@pytest.fixture
def own_board(store_and_sites: StoreAndSites, tmp_path: Path) -> Board:
    return Board(str(store_and_sites.store), Catalogue(store_and_sites.sites), tmp_path)


def see(board: Board, key: str, state: SiteState, day: DayState | None = None) -> None:
    board._take(Seen(key, "digest", now=state), False, NOW_MS)
    if day is not None:
        board._take(Seen(key, "digest", day=day), True, NOW_MS)


def test_what_a_page_does_not_show_is_no_change(own_board: Board) -> None:
    see(own_board, "corner", SiteState("main", judged_ms=NOW_MS, heard_ms=NOW_MS))
    version = own_board.version
    see(own_board, "corner", SiteState("main", judged_ms=NOW_MS + 1, heard_ms=NOW_MS + 1))
    assert own_board.version == version
    see(own_board, "corner", SiteState("backup", since_ms=NOW_MS))
    assert own_board.version == version + 1


def test_what_was_known_outlives_a_restart(
    own_board: Board, store_and_sites: StoreAndSites, tmp_path: Path
) -> None:
    day = DayState(NOW_MS - 24 * HOUR_MS, NOW_MS, (Spell("main", NOW_MS - HOUR_MS, NOW_MS),), ())
    see(own_board, "corner", SiteState("backup", NOW_MS, marks=(mark("on-backup", NOW_MS),)), day)
    own_board.end()
    catalogue = Catalogue(store_and_sites.sites)
    again = Board(str(store_and_sites.store), catalogue, tmp_path)
    site = catalogue.get("corner")
    assert site is not None
    assert again.of(site) == own_board.of(site)


def test_a_kept_file_that_is_damaged_is_left_out(tmp_path: Path, store_and_sites: StoreAndSites) -> None:
    (tmp_path / "states.json").write_text("{not json", encoding="utf-8")
    catalogue = Catalogue(store_and_sites.sites)
    board = Board(str(store_and_sites.store), catalogue, tmp_path)
    assert board.of(catalogue.all()[0]) == Standings()


def test_an_exporter_that_says_nothing_is_not_heard_from_its_time_on(own_board: Board) -> None:
    see(own_board, "corner", SiteState("main", judged_ms=NOW_MS, heard_ms=NOW_MS, unheard_ms=NOW_MS + 1000))
    version = own_board.version
    own_board._grow_older(NOW_MS + 999)
    assert own_board.version == version
    own_board._grow_older(NOW_MS + 1000)
    assert own_board._known["corner"].now.standings == ("unheard",)
    assert own_board.version == version + 1


def test_the_day_of_a_site_that_is_not_heard_ends_now() -> None:
    heard = NOW_MS - HOUR_MS
    day = DayState(heard - 24 * HOUR_MS, heard, (Spell("main", heard - 24 * HOUR_MS, heard),), ())
    shown = board_rows.until_now(Standings(SiteState("unheard", heard, heard, heard, heard), day), NOW_MS)
    assert shown is not None
    assert shown.spells == (
        Spell("main", NOW_MS - 24 * HOUR_MS, heard),
        Spell("unheard", heard, NOW_MS),
    )
    assert shown.standings == ("unheard",)


@pytest.fixture
def corner(store_and_sites: StoreAndSites) -> KnownSite:
    site = Catalogue(store_and_sites.sites).get("corner")
    assert site is not None
    return site


def test_what_nobody_can_see_any_more_does_not_go_on(corner: KnownSite) -> None:
    heard = NOW_MS - HOUR_MS
    full = mark("link-full", heard - HOUR_MS)
    day = DayState(heard - 24 * HOUR_MS, heard, (Spell("main", heard - 24 * HOUR_MS, heard),), (full,))
    known = Standings(SiteState("unheard", heard, heard, heard, heard), day)
    told = {one.standing: one for one in board_rows.day(corner, board_rows.until_now(known, NOW_MS), NOW_MS)}
    assert (told["full"].words, told["full"].since) == ("line full 11:30 to 12:30 NZDT", "")
    assert (told["unheard"].words, told["unheard"].since) == ("not heard 12:30 to 13:30 NZDT", "still")


def test_the_note_of_a_silence_is_from_before_it_until_now(looked_at: Desk, desk_client: TestClient) -> None:
    page = desk_client.get("/all-sites").text
    address = html.unescape(re.findall(r'href="(/sites/corner/note[^"]*)"', page)[0])
    heard = looked_at.board.of(next(site for site in looked_at.catalogue.all() if site.key == "corner")).now
    answer = desk_client.get(address, follow_redirects=False)
    assert answer.status_code == 303
    asks = {
        name: datetime.fromisoformat(time)
        for name, time in parse_qsl(urlsplit(answer.headers["location"]).query)
    }
    assert heard.heard_ms is not None
    assert asks["from"].timestamp() * 1000 == pytest.approx(heard.heard_ms - HOUR_MS / 4, abs=60_000)
    assert 0 <= time.time() - asks["to"].timestamp() < 120


def test_no_note_reaches_beyond_now(corner: KnownSite) -> None:
    state = SiteState("main", judged_ms=NOW_MS, heard_ms=NOW_MS, marks=(mark("link-full", NOW_MS - HOUR_MS),))
    day = DayState(NOW_MS - 24 * HOUR_MS, NOW_MS, (), state.marks)
    told = [*board_rows.now(corner, Standings(state, day), NOW_MS), *board_rows.day(corner, day, NOW_MS)]
    for one in told:
        end = dict(parse_qsl(urlsplit(one.address).query))["to"]
        assert datetime.fromisoformat(end).timestamp() * 1000 <= NOW_MS


def said(told: list[board_rows.Told]) -> list[tuple[str, str]]:
    return [(one.words, one.since) for one in told]


def test_what_began_before_the_look_is_told_since_the_day_knows_it(corner: KnownSite) -> None:
    leak = replace(mark("backup-leak", NOW_MS - HOUR_MS), before=True)
    earlier = mark("backup-leak", NOW_MS - 3 * HOUR_MS)
    over = mark("backup-leak", NOW_MS - 9 * HOUR_MS, NOW_MS - 8 * HOUR_MS)
    day = DayState(NOW_MS - 24 * HOUR_MS, NOW_MS, (), (earlier, over))
    known = Standings(SiteState("main", judged_ms=NOW_MS, heard_ms=NOW_MS, marks=(leak,)), day)
    assert said(board_rows.now(corner, known, NOW_MS)) == [("backup leaking", "since 10:30 NZDT")]
    assert said(board_rows.day(corner, day, NOW_MS)) == [
        ("backup leaking 2 times, longest 10:30 to 13:30 NZDT", "still")
    ]


def test_a_stay_that_is_older_than_the_look_is_told_since_the_day_knows_it(corner: KnownSite) -> None:
    stay = Spell("backup", NOW_MS - 9 * HOUR_MS, NOW_MS)
    day = DayState(NOW_MS - 24 * HOUR_MS, NOW_MS, (stay,))
    known = Standings(SiteState("backup", judged_ms=NOW_MS, heard_ms=NOW_MS), day)
    assert said(board_rows.now(corner, known, NOW_MS)) == [("on its backup", "since 04:30 NZDT")]


def test_findings_without_a_state_of_their_own_are_told_by_name(corner: KnownSite) -> None:
    marks = (mark("realtime-contention", NOW_MS - HOUR_MS), mark("export-gap", NOW_MS - 2 * HOUR_MS))
    known = Standings(SiteState("main", judged_ms=NOW_MS, heard_ms=NOW_MS, marks=marks), None)
    assert said(board_rows.now(corner, known, NOW_MS)) == [
        ("calls on a full line", "since 12:30 NZDT"),
        ("records missing", "since 11:30 NZDT"),
    ]


def test_a_line_that_came_and_went_is_told_so(corner: KnownSite) -> None:
    stays = (Spell("backup", NOW_MS - 2 * HOUR_MS, NOW_MS - HOUR_MS), Spell("main", NOW_MS - HOUR_MS, NOW_MS))
    marks = (mark("flapping", NOW_MS - 2 * HOUR_MS, NOW_MS - HOUR_MS),)
    day = DayState(NOW_MS - 24 * HOUR_MS, NOW_MS, stays, marks)
    assert said(board_rows.day(corner, day, NOW_MS)) == [
        ("main line coming and going 11:30 to 12:30 NZDT", "")
    ]


def test_every_finding_that_may_be_told_has_words() -> None:
    from flowdiag.diagnoser.kinds import KINDS
    from flowdiag.text.wording.desk.board import FINDINGS

    for kind in KINDS:
        if kind.find is not None and mark(kind.code, 0).standing == "other":
            assert kind.code in FINDINGS


def test_the_picture_of_a_day_has_a_legend(looked_at: Desk, desk_client: TestClient) -> None:
    from flowdiag.text.wording.desk.board import DRAWN

    page = desk_client.get("/all-sites").text
    legend = page[page.index("The picture of the last day") :]
    for on, words in DRAWN.items():
        assert words in legend
        assert on == "unknown" or f'<rect class="{on}"' in legend
