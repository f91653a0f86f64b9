"""Looking closer: the figures of exactly a span, rankings that lead on, every table as CSV, every state at an address."""

from __future__ import annotations

import csv
import io
import json
import re
import time
from collections.abc import Callable
from html import unescape
from typing import Any, Final

import pytest
from msgspec.structs import replace
from starlette.testclient import TestClient

from flowdiag.aggregator.top_ranking import Request, Top
from flowdiag.desk.asking.rankings_question import Rankings, RankingsQuestion, Row, Table
from flowdiag.desk.desk import Desk
from flowdiag.desk.looking import Look, read_look
from flowdiag.desk.people import EVERY_SITE, Person, Role
from flowdiag.desk.tables_as_csv import ranking_csv
from flowdiag.errors import UsageError
from flowdiag.export_ranking import rank_export
from flowdiag.export_usage import report_usage
from flowdiag.forms.usage import as_json
from flowdiag.site.profile import Profile

SITE: Final = "kowhai-group.harbour"
FROM, TO = "2026-03-02T22:00:00+00:00", "2026-03-03T01:30:00+00:00"
KINDS: Final = ("talkers", "applications", "destinations", "conversations")


def looked(client: TestClient, **asked: str) -> Any:
    """The page of a time, once its tables are there."""
    return followed(client, f"/sites/{SITE}/closer", {"from": FROM, "to": TO, **asked})


def followed(client: TestClient, link: str, query: dict[str, str] | None = None) -> Any:
    """Where a link leads, once the tables are there."""
    for _ in range(100):
        answer = client.get(link, params=query)
        if answer.status_code != 202 and "data-work" not in answer.text:
            return answer
        time.sleep(0.1)
    raise AssertionError("the tables never came")


def rows_of(answer: Any) -> list[dict[str, str]]:
    assert answer.headers["content-type"].startswith("text/csv")
    assert answer.headers["content-disposition"].startswith("attachment; filename=")
    return list(csv.DictReader(io.StringIO(answer.text)))


@pytest.fixture(scope="module")
def profile(desk: Desk) -> Profile:
    site = desk.catalogue.get(SITE)
    assert site is not None
    return site.profile


def ranked(desk: Desk, profile: Profile, kind: Any, **more: Any) -> Top:
    request = Request(kind=kind, limit=None, window_from=FROM, window_to=TO, peaks=False, **more)
    return rank_export([desk.settings.store], profile, request)


def test_figures_are_those_of_usage(desk_client: TestClient, desk: Desk, profile: Profile) -> None:
    report = report_usage([desk.settings.store], profile, window_from=FROM, window_to=TO)
    told = json.loads(as_json(report))["links"]
    shown = rows_of(looked(desk_client, table="links", **{"as": "csv"}))
    assert [(row["link"], row["direction"]) for row in shown] == [
        (link["name"], link["direction"]) for link in told
    ]
    for row, link in zip(shown, told, strict=True):
        for name in (*("capacity_mbps", "mean_mbps", "p95_mbps", "peak_mbps"),
                     *("octets", "busy_minutes", "full_minutes")):  # fmt: skip
            assert float(row[name]) == pytest.approx(link[name], abs=1e-6), (row, name)
    assert sum(int(row["octets"]) for row in shown) > 0


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("by", ["octets", "flows"])
def test_rankings_are_those_of_top(
    kind: str, by: str, desk_client: TestClient, desk: Desk, profile: Profile
) -> None:
    top = ranked(desk, profile, kind, by=by)
    *shown, rest = rows_of(looked(desk_client, table=kind, by=by, **{"as": "csv"}))
    assert len(shown) == len(top.whole.rows) > 0
    assert (rest["key" if kind != "conversations" else "inside"], rest["octets"]) == ("everything else", "0")
    keys = ("inside", "outside", "application") if kind == "conversations" else ("key",)
    for row, one in zip(shown, top.whole.rows, strict=True):
        named = (one.key,) if isinstance(one.key, str) else tuple(getattr(one.key, key) for key in keys)
        assert tuple(row[key] for key in keys) == named
        assert (row["packets"], row["flows"], row["label"]) == (
            str(one.packets),
            str(one.flows),
            one.label or "",
        )
        assert int(row["octets"]) == pytest.approx(one.octets, abs=0.5 * one.flows + 1)
        assert float(row["mean_mbps"]) == pytest.approx(one.mean_mbps, abs=2e-6)
        assert float(row["share"]) == pytest.approx(one.share, abs=2e-6)
        assert row["first"] == as_iso(one.first_ms, top.timezone)


def as_iso(ms: int, zone: str) -> str:
    from zoneinfo import ZoneInfo

    from flowdiag.text.table_figures import iso

    return iso(ms, ZoneInfo(zone))


def test_a_choice_is_what_its_conversations_had(
    desk_client: TestClient, desk: Desk, profile: Profile
) -> None:
    link = profile.link[0].name
    top = ranked(desk, profile, "conversations", link=0)
    host = top.whole.rows[0].key.inside  # type: ignore[union-attr]
    mine = [row for row in top.whole.rows if row.key.inside == host]  # type: ignore[union-attr]
    *shown, rest = rows_of(looked(desk_client, table="conversations", host=host, link=link, **{"as": "csv"}))
    assert [(row["outside"], row["application"], row["octets"]) for row in shown] == [
        (row.key.outside, row.key.application, str(row.octets))  # type: ignore[union-attr]
        for row in mine
    ]
    assert sum(float(row["share"]) for row in shown) == pytest.approx(1.0, abs=1e-4)
    assert rest["octets"] == "0"
    applications: dict[str, int] = {}
    for row in mine:
        name = row.key.application  # type: ignore[union-attr]
        applications[name] = applications.get(name, 0) + row.octets
    *shown, _ = rows_of(looked(desk_client, table="applications", host=host, link=link, **{"as": "csv"}))
    assert {row["key"]: int(row["octets"]) for row in shown} == applications
    gone = looked(desk_client, table="talkers", host=host, link=link, **{"as": "csv"})
    assert gone.status_code == 404  # a host has no table of hosts


def links_of(answer: Any) -> list[str]:
    return [unescape(link) for link in re.findall(r'href="([^"]+)"', answer.text)]


def test_each_row_leads_on_and_each_choice_can_be_taken_back(desk_client: TestClient) -> None:
    first = looked(desk_client)
    to_host = next(link for link in links_of(first) if "&host=" in link)
    second = followed(desk_client, to_host)
    to_application = next(link for link in links_of(second) if "&host=" in link and "&application=" in link)
    third = followed(desk_client, to_application)
    assert third.status_code == 200
    assert third.text.count(">remove</a>") == 2
    back = [link for link in links_of(third) if link == to_host]
    assert back  # without the application it is the page before
    assert not any("destination=" in link and "host=" not in link for link in links_of(third))


def test_times_beside_it_and_the_note_are_a_link_away(desk_client: TestClient) -> None:
    links = links_of(looked(desk_client))
    offered = [link for link in links if "/closer?" in link and "table=" not in link]
    assert any(f"/sites/{SITE}/note?" in link for link in links)
    for link in dict.fromkeys(offered[:5]):
        assert desk_client.get(link).status_code in (200, 202)


def test_typed_times_become_an_address_that_stays(desk_client: TestClient) -> None:
    asked = {"when": "yesterday 14:00 to 14:30", "host": "192.168.41.20"}
    to = desk_client.get(f"/sites/{SITE}/closer", params=asked, follow_redirects=False)
    assert to.status_code == 303
    address = unescape(to.headers["location"])
    assert re.search(r"from=2026-03-0\dT14%3A00%3A00", address)
    assert address.endswith("host=192.168.41.20")


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"when": "no time at all"}, "is not a time"),
        ({"from": "then", "to": "now"}, "is no time"),
        ({"from": TO, "to": FROM}, "ends before it begins"),
        ({"from": "2020-01-01", "to": "2026-01-01"}, "too long"),
        ({"from": "0001-01-01", "to": "0001-01-02"}, "No export can have"),
        ({"from": FROM, "to": TO, "host": "harbour"}, "is no address"),
        ({"from": FROM, "to": TO, "link": "tin can"}, "there is no"),
        ({"from": FROM, "to": TO, "direction": "left"}, "down or up"),
        ({"from": FROM, "to": TO, "by": "beauty"}, "octets or packets or flows"),
    ],
)
def test_what_cannot_be_looked_at_is_said_and_nothing_typed_is_lost(
    asked: dict[str, str], said: str, desk_client: TestClient
) -> None:
    answer = desk_client.get(f"/sites/{SITE}/closer", params=asked)
    assert answer.status_code == 400
    assert said in unescape(answer.text)
    assert "--from" not in answer.text
    if "when" in asked:
        assert f'value="{asked["when"]}"' in answer.text


def test_a_name_that_nobody_has_gives_empty_tables(desk_client: TestClient) -> None:
    answer = looked(desk_client, application="<script>alert(1)</script>")
    assert answer.status_code == 200
    assert "<script>alert" not in answer.text
    assert "Nothing of this time fits." in answer.text


@pytest.mark.parametrize(
    ("role", "status"), [("helpdesk", 200), ("engineer", 200), ("accounts", 403), ("client", 403)]
)
def test_it_is_for_those_who_take_calls_and_for_engineers(
    role: Role, status: int, browser_of: Callable[[Person | None], TestClient]
) -> None:
    client = browser_of(Person("kim", frozenset({role}), (EVERY_SITE,)))
    assert looked(client).status_code == status


def test_a_site_of_somebody_else_is_none(browser_of: Callable[[Person | None], TestClient]) -> None:
    client = browser_of(Person("kim", frozenset({"engineer"}), ("rata-group/*",)))
    assert looked(client).status_code == 404


def test_pictures_do_not_wait_for_the_tables(
    desk_client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("flowdiag.desk.pages.closer.PATIENCE_S", 0.0)
    asked = {"from": "2026-03-02T05:00:00Z", "to": "2026-03-02T05:47:00Z"}
    while (first := desk_client.get(f"/sites/{SITE}/closer", params=asked)).status_code == 202:
        pass
    if "data-work" in first.text:  # the rankings may be there as soon
        assert "<svg" in first.text
        assert 'name="form_token"' in first.text  # with which a script says that somebody left
        assert "<table class=" not in first.text
    assert "<table class=" in looked(desk_client, **asked).text


def test_cells_of_csv_are_no_formulas() -> None:
    row = Row(("=cmd()",), "@label", 1, 1, 1, 1.0, 0.1, 0, 1000, 0)
    text = ranking_csv(Table("applications", (row,), (0, 0, 0), 0.0), (0, 60_000), "Pacific/Auckland")
    assert ",'=cmd(),'@label,1,1,1," in text
    assert text.splitlines()[1].startswith("1970-01-01T12:00:00+12:00,1970-01-01T12:01:00+12:00,")


def test_the_whole_day_is_the_sites_also_where_it_has_25_hours() -> None:
    look = Look(
        "a", "Europe/Berlin", (1_792_918_800_000, 1_792_922_400_000)
    )  # 25 October 2026, 03:00 to 04:00
    begin, end = dict(look.times())["Whole day"].span_ms
    assert end - begin == 25 * 3_600_000
    assert dict(look.times())["Wider"].span_ms == (1_792_917_000_000, 1_792_924_200_000)
    assert dict(look.times())["Narrower"].span_ms == (1_792_919_700_000, 1_792_921_500_000)


def test_addresses_have_one_form(desk: Desk) -> None:
    site = desk.catalogue.get(SITE)
    assert site is not None
    look = read_look(site, {"host": "2001:DB8::0001", "destination": "::ffff:192.0.2.1"}, (0, 1000))
    assert (look.host, look.destination) == ("2001:db8::1", "192.0.2.1")
    with pytest.raises(UsageError):
        read_look(site, {"host": "1.2.3"}, (0, 1000))


def test_of_a_long_time_it_is_said_what_a_choice_may_lack(
    desk: Desk, profile: Profile, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Roll-ups name the largest conversations alone: what one host had in all its own ranking knows better."""
    site = desk.catalogue.get(SITE)
    assert site is not None
    whole = {kind: ranked(desk, profile, kind) for kind in KINDS}
    host = whole["talkers"].whole.rows[0]
    named = [row for row in whole["conversations"].whole.rows if row.key.inside == host.key][:1]  # type: ignore[union-attr]

    def rank(paths: Any, profile: Any, request: Request, progress: Any) -> Top:
        top = whole[request.kind]
        if request.kind != "conversations":
            rows = tuple(replace(row, bound_octets=1000) for row in top.whole.rows)
            return replace(top, folded_keys=1, whole=replace(top.whole, rows=rows))
        rest = top.whole.total_octets - named[0].octets
        return replace(top, folded_keys=9, whole=replace(top.whole, rows=tuple(named), rest_octets=rest))

    monkeypatch.setattr("flowdiag.export_ranking.rank_export", rank)

    def asked(**chosen: str) -> Rankings:
        question = RankingsQuestion(desk.settings.store, site.file, site.digest, FROM, TO, **chosen)  # type: ignore[arg-type]
        return question.answer(lambda done, whole: None)

    one = asked(host=str(host.key))
    assert (one.chosen, one.lacking) == (host.octets, 1000)
    table = next(table for table in one.tables if table.kind == "conversations")
    assert [row.octets for row in table.rows] == [named[0].octets]
    assert table.rest[0] == host.octets - named[0].octets
    assert table.rows[0].share + table.rest_share == pytest.approx(1.0)
    two = asked(host=str(host.key), application=named[0].key.application)  # type: ignore[union-attr]
    assert two.chosen == named[0].octets
    assert 0 <= two.lacking <= host.octets + 1000 - named[0].octets
    everything = asked()
    assert (everything.chosen, everything.lacking) == (everything.all, 0)
    assert [row.bound_octets for row in everything.tables[0].rows[:1]] == [1000]


def test_a_choice_of_all_days_is_what_the_stores_files_have(desk_client: TestClient, desk: Desk) -> None:
    """Counted by another program, by the records alone: every flow lies wholly in so long a time."""
    import duckdb

    everything = {"from": "2026-03-01T00:00+00:00", "to": "2026-03-06T00:00+00:00", "as": "csv"}
    *shown, _ = rows_of(looked(desk_client, table="talkers", **everything))
    host = shown[0]["key"]
    files = f"{desk.settings.store}/**/*.parquet"
    mapped = "00000000000000000000FFFF" + "".join(f"{int(part):02X}" for part in host.split("."))
    octets, flows = duckdb.execute(
        "SELECT sum(octets), count(*) FROM read_parquet(?, union_by_name = true) "
        "WHERE hex(src_address) = ? OR hex(dst_address) = ?",
        [files, mapped, mapped],
    ).fetchone()  # type: ignore[misc]
    assert (int(shown[0]["octets"]), int(shown[0]["flows"])) == (octets, flows)
    *told, _ = rows_of(looked(desk_client, table="destinations", host=host, **everything))
    assert sum(int(row["octets"]) for row in told) == octets


@pytest.mark.parametrize(
    ("begin", "end"),
    [("2026-03-11T10:00Z", "2026-03-11T11:00Z"), ("2025-01-01T10:00Z", "2025-01-01T11:00Z")],
)
def test_a_time_without_records_has_dashes_and_no_zeros(
    begin: str, end: str, desk_client: TestClient
) -> None:
    page = looked(desk_client, **{"from": begin, "to": end})
    figures = page.text.partition(">Figures of the links</h3>")[2].partition("</table>")[0]
    assert "There are no records of this time" in figures
    cells = re.findall(r'<td class="figure">([^<]*)</td>', figures)
    assert cells.count("\N{EN DASH}") == 4 * 6
    assert not [cell for cell in cells if cell.startswith("0")]
    rows = rows_of(looked(desk_client, table="links", **{"from": begin, "to": end, "as": "csv"}))
    assert [row["capacity_mbps"] != "" for row in rows] == [True] * 4
    assert {row[name] for row in rows for name in ("mean_mbps", "octets", "full_minutes")} == {""}


def test_a_time_that_is_half_heard_says_so(desk_client: TestClient) -> None:
    page = looked(desk_client, **{"from": "2026-03-04T12:00Z", "to": "2026-03-05T12:00Z"})
    assert "of this time is covered by records: volumes and minutes are lower bounds" in page.text
    whole = looked(desk_client)
    assert "is covered by records" not in whole.text


@pytest.mark.parametrize(
    ("begin", "end"),
    [
        ("2026-03-03T02:00:00Z", "2026-03-03T03:00:00Z"),
        ("2026-03-02T21:00", "2026-03-02T22:00"),
        ("2026-03-03T03:00:00+01:00", "2026-03-03T03:00:00.400Z"),
    ],
)
def test_a_state_has_one_address_however_its_time_is_written(
    begin: str, end: str, desk_client: TestClient
) -> None:
    asked = {"from": begin, "to": end, "by": "flows"}
    answer = desk_client.get(f"/sites/{SITE}/closer", params=asked, follow_redirects=False)
    assert answer.status_code == 303
    written = "from=2026-03-02T21%3A00%3A00-05%3A00&to=2026-03-02T22%3A00%3A00-05%3A00&by=flows"
    assert unescape(answer.headers["location"]) == f"/sites/{SITE}/closer?{written}"


def test_the_head_tells_the_seconds_that_were_asked_for(desk_client: TestClient) -> None:
    asked = {"from": "2026-03-03T02:26:30Z", "to": "2026-03-03T02:43:30Z"}
    assert "21:26:30 to 21:43:30" in looked(desk_client, **asked).text
    assert "17:00 to 20:30" in looked(desk_client).text


def test_both_ends_of_a_conversation_have_their_names(desk_client: TestClient) -> None:
    text = looked(desk_client).text.partition(">Conversations</h3>")[2]
    first = text.partition("<tbody>")[2].partition("</th>")[0]
    assert '<span class="soft"><bdi>Kowhai cold store</bdi></span>' in first
