"""Rankings from roll-ups are those of the flows: to the octet where nothing was folded, within the bound where it was."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import duckdb
import pytest
from msgspec.structs import replace

from flowdiag.addresses import V4_PREFIX
from flowdiag.aggregator.top_keys import KINDS, Kind
from flowdiag.aggregator.top_ranking import Ranking, Request, Top, TopRow
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.opening import open_backend
from flowdiag.durations import HOUR_MS
from flowdiag.export_ranking import rank_export
from flowdiag.rollup import asking
from flowdiag.rollup.shape import CLOCK
from flowdiag.site.profile import Link, Profile, Site
from flowdiag.site.reading import read_profile
from flowdiag.text.wording.coverage import told
from tests.collector.store.building import START, add_stretch, batch, content, flow, report
from tests.rollup.sites import KINDS_OF_SITE, Maker, add_rollups, exact, folded, ingested, lay, made

NO_PEAKS = "Of so long a time the store's sums are ranked, which have no peaks: a shorter one has."


class Asked:
    """Counts the questions that were answered from summaries."""

    def __init__(self) -> None:
        self.answers: list[bool] = []

    def sums(self, store: Path, profile: Profile | None, request: Request) -> Top:
        """From the roll-ups, which have to be used."""
        before = len(self.answers)
        of_sums = rank_export([store], profile, request, cheap_rows=0)
        assert self.answers[before:] == [True]
        return of_sums

    def flows(self, store: Path, profile: Profile | None, request: Request) -> Top:
        """By the flows: of so few nobody asks roll-ups."""
        before = len(self.answers)
        of_flows = rank_export([store], profile, request)
        assert len(self.answers) == before
        return of_flows


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    found = Asked()
    rank_store = asking.rank_store

    def counted(*words: Any) -> Top | None:
        top = rank_store(*words)
        found.answers.append(top is not None)
        return top

    monkeypatch.setattr(asking, "rank_store", counted)
    return found


def without_peaks(ranking: Ranking) -> Ranking:
    return replace(ranking, rows=tuple(replace(row, peak_mbps=None) for row in ranking.rows))


def assert_same(of_sums: Top, of_flows: Top) -> None:
    """All figures of both, and what bounds them."""
    assert told(of_sums.remarks) == (*told(of_flows.remarks), NO_PEAKS)
    assert rounded(of_sums.whole) == rounded(without_peaks(of_flows.whole))
    assert [rounded(step) for step in of_sums.steps] == [rounded(step) for step in of_flows.steps]
    assert (of_sums.folded_keys, of_sums.error) == (0, 0)


def rounded(ranking: Ranking) -> Ranking:
    """Rates of sums that were added up in another order."""
    rows = tuple(replace(row, mean_mbps=float(f"{row.mean_mbps:.9g}")) for row in ranking.rows)
    return replace(ranking, rows=rows)


def by_key(top: Top) -> dict[Any, TopRow]:
    return {row.key: row for row in top.whole.rows}


def assert_within_bounds(of_sums: Top, of_flows: Top) -> None:
    """Totals to the octet; each row lacks no more than it says, and a missing one has no more than any may lack."""
    for amount in ("total_octets", "total_packets", "total_flows"):
        assert getattr(of_sums.whole, amount) == getattr(of_flows.whole, amount)
    assert told(of_sums.remarks) == (*told(of_flows.remarks), NO_PEAKS)
    rows, true = by_key(of_sums), by_key(of_flows)
    assert rows.keys() <= true.keys()
    for key, row in true.items():
        if key not in rows:
            assert row.octets <= of_sums.error
            continue
        assert 0 <= row.octets - rows[key].octets <= rows[key].bound_octets
        assert rows[key].bound_octets == of_sums.error
        assert row.first_ms <= rows[key].first_ms
        assert row.last_ms >= rows[key].last_ms


@pytest.fixture(scope="module")
def demo_store(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    store = ingested(demo / "export.ipfix", tmp_path_factory.mktemp("exact") / "flows")
    add_rollups(store, exact)
    return store


@pytest.mark.parametrize("times", [(None, None), ("13:17", "16:43"), ("12:50", None), (None, "15:10")])
@pytest.mark.parametrize("kind", KINDS)
def test_all_figures_of_a_site_are_those_of_its_flows(
    asked: Asked, demo: Path, demo_store: Path, kind: Kind, times: tuple[str | None, str | None]
) -> None:
    profile = read_profile(demo / "site.toml")
    request = Request(kind, limit=None, window_from=times[0], window_to=times[1])
    assert_same(asked.sums(demo_store, profile, request), asked.flows(demo_store, profile, request))


@pytest.mark.parametrize("by", ["packets", "flows"])
@pytest.mark.parametrize("kind", KINDS)
def test_rankings_by_other_measures_too(
    asked: Asked, demo: Path, demo_store: Path, kind: Kind, by: Any
) -> None:
    words = demo_store, read_profile(demo / "site.toml"), Request(kind, by, limit=None)
    assert_same(asked.sums(*words), asked.flows(*words))


@pytest.mark.parametrize("kind", KINDS)
def test_windows_within_a_ranking_are_exact(asked: Asked, demo: Path, demo_store: Path, kind: Kind) -> None:
    """Of three hours and a half each, so that hours lie wholly in them."""
    request = Request(kind, limit=None, window_from="12:40", window_to="15:50", step_ms=95 * 60_000)
    words = demo_store, read_profile(demo / "site.toml"), request
    of_sums = asked.sums(*words)
    assert_same(of_sums, asked.flows(*words))
    assert len(of_sums.steps) == 2


@pytest.mark.parametrize("name", KINDS_OF_SITE)
def test_sites_of_all_sorts_have_the_figures_of_their_flows(asked: Asked, name: str, tmp_path: Path) -> None:
    """With a profile and without, of links and directions apart, in an odd window; from roll-ups without folding, with much
    of it, and as a store makes them."""
    store, profile, (begin, end) = lay(name, tmp_path)
    questions = []
    for number, kind in enumerate(KINDS):
        whole = Request(kind, limit=None, window_from=begin, window_to=end)
        part = replace(whole, link=0, direction=number % 2)
        questions += [(profile, whole), (profile, part), (None, whole)]
    answers = [asked.flows(store, *question) for question in questions]
    assert_made(asked, store, exact, questions, answers)
    for making in (folded, made):
        shutil.rmtree(store / "_flowdiag" / "rollups")
        assert_made(asked, store, making, questions, answers)


def assert_made(
    asked: Asked,
    store: Path,
    making: Maker,
    questions: list[tuple[Profile | None, Request]],
    answers: list[Top],
) -> None:
    add_rollups(store, making)
    errors = []
    for (profile, request), of_flows in zip(questions, answers, strict=True):
        of_sums = asked.sums(store, profile, request)
        errors.append(of_sums.error)
        if making is exact:
            assert_same(of_sums, of_flows)
        else:
            assert_within_bounds(of_sums, of_flows)
    # Without interfaces both ends have to be known, so that hours in which any was folded are read as flows.
    by_networks = any(remark.code == "by-networks" for remark in answers[0].remarks)
    assert making is not folded or any(errors) or by_networks
    assert any(answer.whole.total_flows for answer in answers)


def test_totals_are_those_that_another_engine_finds_in_the_flows(
    asked: Asked, demo: Path, demo_store: Path
) -> None:
    """DuckDB over the Parquet files of the store: octets on the primary link's interface, whole hours of flows."""
    profile = read_profile(demo / "site.toml")
    (wan,) = profile.link[0].interfaces
    files = str(demo_store / "exporter=*" / "*" / "*.parquet")
    octets, packets, flows = duckdb.execute(
        "select sum(octets), sum(packets), count(*) from read_parquet(?) where ingress_interface = ?",
        [files, wan],
    ).fetchall()[0]
    top = asked.sums(demo_store, profile, Request("applications", link=0, direction=0))
    whole = top.whole
    assert (whole.total_octets, whole.total_packets, whole.total_flows) == (octets, packets, flows)


def test_a_damaged_roll_up_is_not_believed_and_is_said(demo: Path, demo_store: Path, tmp_path: Path) -> None:
    store = tmp_path / "flows"
    shutil.copytree(demo_store, store)
    (rollup,) = (store / "_flowdiag" / "rollups").rglob("*.rollup")
    octets = bytearray(rollup.read_bytes())
    octets[len(octets) // 2] ^= 0xFF
    rollup.write_bytes(octets)
    profile = read_profile(demo / "site.toml")
    whole = rank_export([demo_store], profile, Request("talkers"), cheap_rows=0)
    of_rest = rank_export([store], profile, Request("talkers"), cheap_rows=0)
    assert (
        told(of_rest.remarks)[-1]
        == f"{store}/{rollup.relative_to(store)}: a damaged roll-up was not used; run ingest --rebuild."
    )
    assert rounded(without_peaks(of_rest.whole)) == rounded(whole.whole)


@pytest.mark.parametrize("reason", [{"needs_flows": (CLOCK,)}, {"longest_ms": 4 * 3_600_000}])
def test_flows_are_read_where_sums_cannot_stand_for_them(
    asked: Asked, demo: Path, demo_store: Path, tmp_path: Path, reason: dict[str, Any]
) -> None:
    """A clock that is off; records so long that no hour lies wholly in the window."""
    store = tmp_path / "flows"
    shutil.copytree(demo_store, store)
    add_rollups(store, exact, **reason)
    profile = read_profile(demo / "site.toml")
    top = rank_export([store], profile, Request("talkers"), cheap_rows=0)
    assert asked.answers == [False]
    assert top == asked.flows(store, profile, Request("talkers"))


def test_by_packets_nothing_folded_is_ranked(
    asked: Asked, demo: Path, demo_store: Path, tmp_path: Path
) -> None:
    store = tmp_path / "flows"
    shutil.copytree(demo_store, store)
    add_rollups(store, folded)
    profile = read_profile(demo / "site.toml")
    request = Request("talkers", "packets", limit=None)
    of_sums = rank_export([store], profile, request, cheap_rows=0)
    of_flows = asked.flows(store, profile, request)
    assert rounded(without_peaks(of_sums.whole)) == rounded(without_peaks(of_flows.whole))
    assert not any(row.bound_octets for row in of_sums.whole.rows)


def test_what_two_domains_report_is_compared_flow_by_flow(asked: Asked, tmp_path: Path) -> None:
    """Two observation domains see the packets of one link: one of them counts, and its flows tell which."""
    backend = open_backend(tmp_path / "flows")
    make_store(backend)
    ends = range(START, START + 4 * HOUR_MS, 5 * 60_000)
    flows = [flow(1000 + n, end, domain=domain) for n, end in enumerate(ends) for domain in (1, 2)]
    assert add_stretch(backend, content("both"), [batch(*flows)], report(1))
    add_rollups(tmp_path / "flows", exact)
    link = Link(name="fibre", role="primary", interfaces=[2], down_mbps=100, up_mbps=20)
    profile = Profile(site=Site(name="site", lan=["192.168.40.0/24"]), link=[link])
    top = rank_export([tmp_path / "flows"], profile, Request("talkers"), cheap_rows=0)
    assert asked.answers == [False]
    assert top.whole.total_octets == sum(1000 + n for n in range(len(ends)))


def test_hosts_behind_translated_addresses_are_found_among_flows(asked: Asked, tmp_path: Path) -> None:
    """The router sends for a host that its inner side, which counts on no link, has with the same remote end."""
    backend = open_backend(tmp_path / "flows")
    make_store(backend)
    router = V4_PREFIX + bytes([198, 51, 100, 7])
    flows = []
    for n, end in enumerate(range(START, START + 4 * HOUR_MS, 5 * 60_000)):
        copy = {"packets": 40, "src_port": 40_000 + n}
        flows.append(flow(10_000 + n, end, src_address=router, ingress_interface=0, **copy))
        flows.append(flow(10_000 + n, end, egress_interface=0, **copy))
    assert add_stretch(backend, content("both"), [batch(*flows)], report(1))
    add_rollups(tmp_path / "flows", exact)
    link = Link(name="fibre", role="primary", interfaces=[2], down_mbps=100, up_mbps=20)
    profile = Profile(site=Site(name="site", lan=["192.168.40.0/24"]), link=[link])
    top = rank_export([tmp_path / "flows"], profile, Request("talkers"), cheap_rows=0)
    assert asked.answers == [False]
    assert [row.key for row in top.whole.rows] == ["192.168.40.20"]
