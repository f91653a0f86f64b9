"""What roll-ups tell of a site's days is what its flows tell, and flows are read where sums cannot tell."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from flowdiag.collector.store.folder import Folder
from flowdiag.collector.store.layout import ROLLUPS
from flowdiag.collector.store.retention import retain
from flowdiag.review import as_json, site_partials
from flowdiag.review.flow_days import FlowDays
from flowdiag.review.partial import SitePartial
from flowdiag.review.period import month_period
from flowdiag.review.portfolio_review import review
from flowdiag.review.site_partials import SiteHistory, site_history
from flowdiag.review.sites import read_sites
from flowdiag.review.talkers import told
from flowdiag.rollup import ROLLER
from flowdiag.scenario.stored_days import Written
from flowdiag.site.profile import Profile
from flowdiag.site.reading import read_profile
from tests.review.portfolios import DAY_MS, FIRST, FIRST_MS, of_kinds

DAYS = 8
# A packet's framing behind RFC 2516, and one octet: what roundings of packets and octets make of a minute.
FRAMED = 47


@pytest.fixture(scope="module")
def portfolio(tmp_path_factory: pytest.TempPathFactory) -> Written:
    """A quiet site, one with a runaway host, one with failovers and one whose backup leaks."""
    folder = tmp_path_factory.mktemp("portfolio")
    return of_kinds(folder, ("quiet", "runaway", "failover", "leak"), DAYS, roller=ROLLER)


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The days whose flows are read from here on."""
    days: list[int] = []
    by_flows = site_partials._by_flows

    def reading(*words: object) -> object:
        days.append(words[2].day)  # type: ignore[attr-defined]
        return by_flows(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(site_partials, "_by_flows", reading)
    return days


def history(store: Path, profile: Profile, days: int = DAYS) -> SiteHistory:
    return site_history(FlowDays(str(store)), profile, FIRST_MS, FIRST_MS + days * DAY_MS, keep=False)


def without_rollups(done: Written, folder: Path) -> Path:
    shutil.copytree(done.store, folder / "bare")
    shutil.rmtree(folder / "bare" / ROLLUPS)
    return folder / "bare"


def need_same(sums: SitePartial, flows: SitePartial) -> None:
    assert (sums.start_ms, sums.minutes) == (flows.start_ms, flows.minutes)
    wire = sums.wire_octets.astype(np.float64) - flows.wire_octets
    assert np.abs(wire).max() <= FRAMED
    assert np.abs(sums.ip_octets.astype(np.float64) - flows.ip_octets).max() <= 1
    assert np.array_equal(sums.covered, flows.covered)
    assert np.array_equal(sums.leaked, flows.leaked)
    assert (sums.stays, sums.missing) == (flows.stays, flows.missing)
    assert (sums.records, sums.lost_records) == (flows.records, flows.lost_records)
    assert sums.talkers.total.tolist() == flows.talkers.total.tolist()
    known = {row[:3]: row[3] for row in told(flows.talkers)}
    assert all(known.get(row[:3], row[3]) == row[3] for row in told(sums.talkers))


def test_sums_tell_what_flows_tell(portfolio: Written, tmp_path: Path) -> None:
    bare = without_rollups(portfolio, tmp_path)
    for site in sorted(portfolio.sites.glob("*.toml")):
        profile = read_profile(site)
        need_same(history(portfolio.store, profile).partial, history(bare, profile).partial)


def test_flows_are_read_only_where_the_backup_was_in_use(portfolio: Written, read: list[int]) -> None:
    """Nothing of the quiet and the runaway site; of the others the days on which the backup carried more."""
    for number, name in enumerate(("site-00000.toml", "site-00001.toml")):
        assert history(portfolio.store, read_profile(portfolio.sites / name)).partial.records > 0, number
    assert not read
    failover = history(portfolio.store, read_profile(portfolio.sites / "site-00002.toml")).partial
    stays = {
        day for stay in failover.stays for day in range(stay.start_ms // DAY_MS, stay.end_ms // DAY_MS + 1)
    }
    assert set(read) <= {day + beside for day in stays for beside in (-1, 0, 1)}
    read.clear()
    leak = history(portfolio.store, read_profile(portfolio.sites / "site-00003.toml")).partial
    assert leak.leaked.any()
    assert read


def test_a_damaged_roll_up_is_named_and_its_flows_are_read(
    portfolio: Written, tmp_path: Path, read: list[int]
) -> None:
    store = tmp_path / "flows"
    shutil.copytree(portfolio.store, store)
    profile = read_profile(portfolio.sites / "site-00000.toml")
    file = sorted((store / ROLLUPS / f"exporter={profile.site.exporters[0]}").rglob("*.rollup"))[2]
    octets = bytearray(file.read_bytes())
    octets[len(octets) // 2] ^= 1
    file.write_bytes(octets)
    found = history(store, profile)
    assert len(read) == 1
    assert ["damaged roll-up" in problem for problem in found.problems] == [True]
    need_same(found.partial, history(portfolio.store, profile).partial)


def test_a_day_with_a_file_that_has_none_is_read_as_flows(
    portfolio: Written, tmp_path: Path, read: list[int]
) -> None:
    store = tmp_path / "flows"
    shutil.copytree(portfolio.store, store)
    profile = read_profile(portfolio.sites / "site-00001.toml")
    sorted((store / ROLLUPS / f"exporter={profile.site.exporters[0]}").rglob("*.rollup"))[3].unlink()
    need_same(history(store, profile).partial, history(portfolio.store, profile).partial)
    assert read == [FIRST_MS // DAY_MS + 3]


def test_the_review_says_the_same_with_and_without(portfolio: Written, tmp_path: Path) -> None:
    """Down to three figures of each rate: minutes are rounded by the packet."""
    sites, _ = read_sites(portfolio.sites)
    march = month_period(f"{FIRST:%Y-%m}")
    sums, flows = (
        review(str(store), sites, march, keep=False)
        for store in (portfolio.store, without_rollups(portfolio, tmp_path))
    )
    for here, there in zip(sums.sites, flows.sites, strict=True):
        assert here.judgement == there.judgement
        assert here.backup == there.backup
        assert [one.p95_mbps for one in here.links] == pytest.approx(
            [one.p95_mbps for one in there.links], rel=1e-6
        )
        assert (here.days, here.coverage, here.records) == (there.days, there.coverage, there.records)
        for ours, theirs in zip(here.links, there.links, strict=True):
            if theirs.talker is not None and ours.talker is not None and theirs.role == "primary":
                assert ours.talker.share <= theirs.talker.share + 1e-9
                assert theirs.talker.share <= ours.talker.share + ours.talker.error + 1e-9


def test_kept_days_are_those_that_were_made(portfolio: Written, tmp_path: Path) -> None:
    store = tmp_path / "flows"
    shutil.copytree(portfolio.store, store)
    sites, _ = read_sites(portfolio.sites)
    march = month_period(f"{FIRST:%Y-%m}")
    made, kept = (as_json.render(review(str(store), sites, march)) for _ in range(2))
    assert made == kept


def test_days_whose_flows_are_gone_are_told_by_their_roll_ups(portfolio: Written, tmp_path: Path) -> None:
    store = tmp_path / "flows"
    shutil.copytree(portfolio.store, store)
    quiet, leaking = (read_profile(portfolio.sites / f"site-0000{number}.toml") for number in (0, 3))
    before = history(store, quiet).partial
    last = FIRST_MS // DAY_MS + DAYS - 1
    assert retain(Folder(store), 2, last, rollup_days=100, roller=ROLLER)
    found = history(store, quiet)
    need_same(found.partial, before)
    assert [problem.startswith("the flows of 6 days") for problem in found.problems] == [True]
    assert any("only its flows, which are gone" in problem for problem in history(store, leaking).problems)


def test_what_flows_told_is_kept_when_they_are_gone(portfolio: Written, tmp_path: Path) -> None:
    store = tmp_path / "flows"
    shutil.copytree(portfolio.store, store)
    leaking = read_profile(portfolio.sites / "site-00003.toml")
    end = FIRST_MS + DAYS * DAY_MS
    before = site_history(FlowDays(str(store)), leaking, FIRST_MS, end)
    retain(Folder(store), 2, FIRST_MS // DAY_MS + DAYS - 1, rollup_days=100, roller=ROLLER)
    after = site_history(FlowDays(str(store)), leaking, FIRST_MS, end)
    assert (after.made, after.kept) == (0, before.made)
    assert np.array_equal(after.partial.leaked, before.partial.leaked)
