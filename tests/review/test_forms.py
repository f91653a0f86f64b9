"""CSV, JSON, XLSX, text and HTML of a review: complete, neutral, and the same each time."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import html5lib
import pytest
from msgspec.structs import replace
from openpyxl import load_workbook

from flowdiag.review import as_csv, as_json, as_text, as_xlsx, reference
from flowdiag.review.advice import Judgement
from flowdiag.review.pages import client_page, page_names, portfolio_page
from flowdiag.review.period import month_period
from flowdiag.review.portfolio_review import PortfolioReview, review
from flowdiag.review.sites import ReviewSite, read_sites
from flowdiag.review.table import LINK_COLUMNS, SITE_COLUMNS
from flowdiag.scenario.portfolio import Kind
from flowdiag.text.wording.review import FLOWS_AROUND, too_little
from tests.review.portfolios import of_kinds

HOSTILE = '=HYPERLINK("http://192.0.2.1/","x")<script>alert(1)</script>'
KINDS: tuple[Kind, ...] = ("outgrown", "runaway", "rising", "failover", "leak", "new")


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> PortfolioReview:
    """Sites of several kinds over a month; the first has a name that attacks, two others are one client's."""
    folder = tmp_path_factory.mktemp("portfolio")
    done = of_kinds(folder, KINDS, days=31)
    first = done.sites / "site-00000.toml"
    name = next(line for line in first.read_text().splitlines() if line.startswith("name = "))
    first.write_text(first.read_text().replace(name, f"name = '{HOSTILE}'", 1))
    (done.sites / "Two Sites Ltd").mkdir()
    for file in ("site-00001.toml", "site-00002.toml"):
        (done.sites / file).rename(done.sites / "Two Sites Ltd" / file)
    sites, _ = read_sites(done.sites)
    return review(str(done.store), sites, month_period("2026-03"))


def test_json_has_the_keys_that_are_documented(reviewed: PortfolioReview) -> None:
    content = json.loads(as_json.render(reviewed))
    assert content["schema"] == "flowdiag.review/1"
    assert (content["from"], content["to"]) == ("2026-03-01T00:00", "2026-04-01T00:00")
    site = content["sites"][0]
    assert {"site", "advice", "plan", "reasons", "links", "backup"} <= set(site)
    assert {
        "name", "direction", "capacity_mbps", "p95_mbps", "busy_hour_p95_mbps", "busy_hours", "full_hours",
        "trend_percent_month", "trend_low", "trend_high", "months_to_busy", "top_talker_share", "coverage",
    } <= set(site["links"][0])  # fmt: skip
    assert {
        "hours_on_backup", "failovers", "leaked_octets", "allowance_used", "fit_down", "fit_up",
    } <= set(site["backup"])  # fmt: skip
    assert [(link["name"], link["direction"]) for link in site["links"]][2:] == [
        ("cellular", "down"), ("cellular", "up"),
    ]  # fmt: skip


def test_sites_are_ranked_by_urgency(reviewed: PortfolioReview) -> None:
    advice = [site.judgement.advice for site in reviewed.sites]
    assert advice == ["upgrade", "tune-first", "tune-first", "watch", "not-enough-data", "fine"]


def test_failovers_and_leaks_are_those_that_were_drawn(reviewed: PortfolioReview) -> None:
    kinds = {site.file.rpartition("/")[2]: site.backup for site in reviewed.sites}
    failover, leak, quiet = (
        kinds[f"site-0000{KINDS.index(kind)}.toml"] for kind in ("failover", "leak", "rising")
    )
    assert failover is not None
    assert leak is not None
    assert quiet is not None
    assert (failover.failovers, quiet.failovers) == (1, 0)
    assert 1.0 <= failover.hours_on_backup <= 2.1
    assert leak.leaked_octets > 0.95 * leak.month_octets
    assert quiet.leaked_octets == 0


def test_csv_has_a_row_a_site_and_no_formula(reviewed: PortfolioReview) -> None:
    rows = list(csv.DictReader(io.StringIO(as_csv.render(reviewed))))
    assert [int(row["rank"]) for row in rows] == list(range(1, 7))
    assert not [cell for row in rows for cell in row.values() if cell.startswith(("=", "+", "@"))]
    assert {row["site"] for row in rows} >= {f"'{HOSTILE}"}
    assert rows[0]["advice"] == "upgrade"


def test_the_spreadsheet_holds_text_where_text_was_and_no_formula(reviewed: PortfolioReview) -> None:
    book = load_workbook(io.BytesIO(as_xlsx.render(reviewed)))
    assert book.sheetnames == ["Sites", "Links"]
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f" or cell.hyperlink is not None]
    assert f"'{HOSTILE}" in {cell.value for cell in cells}
    head = [cell.value for cell in book["Sites"][1]]
    first = dict(zip(head, (cell.value for cell in book["Sites"][2]), strict=True))
    figures = reviewed.sites[0].tightest
    assert first["p95_mbps"] == pytest.approx(figures.p95_mbps, abs=1e-6)
    assert book["Links"].max_row == 1 + 4 * 6


def test_text_ranks_and_gives_reasons_in_a_line(reviewed: PortfolioReview) -> None:
    text = as_text.render(reviewed, limit=2, on_terminal=False)
    assert "6 sites: 1 upgrade, 2 tune first, 1 watch, 1 not enough data, 1 fine" in text
    assert "4 more: -n 0 shows all" in text
    assert ": The download is busy much of the time, the upload too." in " ".join(text.split())
    assert re.search(r"(?m)^   download of Line 100: p95 ", text)
    assert "\x1b" not in text


def test_pages_are_html_without_scripts_and_with_escaped_names(reviewed: PortfolioReview) -> None:
    pages = [client_page(sites, "March") for sites in reviewed.clients().values()]
    for page in [*pages, portfolio_page(reviewed, page_names(reviewed))]:
        html5lib.HTMLParser(strict=True).parse(page)
        assert "<script" not in page
        assert "default-src &#39;none&#39;" in page


def test_a_clients_page_names_no_other_client(reviewed: PortfolioReview) -> None:
    clients = reviewed.clients()
    words = {
        client: {client, *(site.site for site in sites), *(site.file for site in sites)}
        for client, sites in clients.items()
    }
    assert len(clients) == 5
    assert len(clients["Two Sites Ltd"]) == 2
    for client, sites in clients.items():
        text = re.sub(r"\s+", " ", client_page(sites, "March").replace("&lt;", "<").replace("&#34;", '"'))
        foreign = set.union(*(names for other, names in words.items() if other != client))
        assert not [name for name in foreign if name in text]


def test_names_of_pages_are_safe_and_different() -> None:
    class Named:
        def __init__(self, client: str) -> None:
            self.client = client

    clients = ["../../etc/passwd", "A B", "a-b", "株式会社", "x" * 300]
    names = page_names(PortfolioReview(month_period("2026-03"), tuple(map(Named, clients))))  # type: ignore[arg-type]
    assert len(set(names.values())) == 5
    assert all(re.fullmatch(r"[a-z0-9-]{1,60}\.html", name) for name in names.values())


@pytest.mark.parametrize(
    "form",
    [
        as_json.render,
        as_csv.render,
        as_xlsx.render,
        portfolio_page,
        lambda found: as_text.render(found, limit=0, on_terminal=False),
        lambda found: [client_page(sites, found.period.words) for sites in found.clients().values()],
    ],
)
def test_the_same_review_is_written_the_same(
    reviewed: PortfolioReview, form: Callable[[PortfolioReview], object]
) -> None:
    assert form(reviewed) == form(reviewed)


def test_reviewing_again_in_two_processes_gives_the_same(reviewed: PortfolioReview, tmp_path: Path) -> None:
    done = of_kinds(tmp_path, KINDS[:2], days=15)
    sites: list[ReviewSite] = read_sites(done.sites)[0]
    made = [
        as_json.render(review(str(done.store), sites, month_period("2026-03"), jobs=jobs, keep=keep))
        for jobs, keep in ((1, False), (2, True), (2, True), (1, True))
    ]
    assert len(set(made)) == 1


def test_every_column_and_key_is_documented_and_nothing_else(reviewed: PortfolioReview) -> None:
    sites = json.loads(as_json.render(reviewed))["sites"]
    written = {*SITE_COLUMNS, *LINK_COLUMNS}
    written |= {key for site in sites for key in site} - {"backup"}
    written |= {key for site in sites for link in site["links"] for key in link}
    written |= {key for site in sites for key in site["backup"] or {}}
    assert written == {*reference.SITE, *reference.LINK, *reference.BACKUP}


def test_where_no_time_counts_no_figure_is_said(reviewed: PortfolioReview) -> None:
    """A site whose flows are all of another month: a dash in place of zeros, in each form that people read."""
    site = reviewed.sites[0]
    silent = replace(
        site,
        judgement=Judgement("not-enough-data", (FLOWS_AROUND,)),
        links=tuple(
            replace(link, coverage=0.0, p95_mbps=0.0, busy_hours=0.0, trend=None) for link in site.links
        ),
    )
    only = PortfolioReview(reviewed.period, (silent,))
    text, page, client = (
        as_text.render(only, limit=0, on_terminal=False),
        portfolio_page(only),
        client_page([silent], only.period.words),
    )
    assert "There are no flows of this site in this period, only before or after it." in " ".join(
        text.split()
    )
    for form in (text, page, client):
        assert not re.search(r"\b0(\.0+)?( Mbit/s|%| h)", form)
    assert "of the time" not in client


def test_some_hours_of_a_day_are_no_day() -> None:
    said = too_little(0.01, 0, 14)
    assert said.text == "flows cover 1% of the period, no day well enough; half of it and 14 days are needed"
    assert said.short == "No whole day of flows is in this period."
    assert "0 days" not in said.client
