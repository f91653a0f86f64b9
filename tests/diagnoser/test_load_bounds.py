"""Full and busy lines, the all-clear, stays and one host: their own functions at their bounds."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import (
    link_busy,
    link_full,
    not_the_link,
    on_backup,
    single_host,
)
from flowdiag.diagnoser.signals.at_limit import AtLimit
from flowdiag.diagnoser.signals.episodes import Episode
from flowdiag.diagnoser.signals.failovers import Failover
from flowdiag.diagnoser.signals.room import Room
from tests.diagnoser.building import MINUTE, Book, bare, ms, profile
from tests.diagnoser.test_client_part import finding

HOUR = 3600
SITE = profile(backup=False)
MBPS_MINUTE = 7_500_000


# Full and busy ------------------------------------------------------------------------------------------------------


def busy_case(mbps: float = 85.0, resolution_s: int = 60) -> tuple[Case, Episode]:
    book = Book()
    for minute in range(10):
        book.row(minute * MINUTE, (minute + 1) * MINUTE - 0.001, way=DOWN, octets=mbps * MBPS_MINUTE)
    return book.case(SITE, resolution_s=resolution_s), Episode(0, DOWN, ((2, 6),))


@pytest.mark.parametrize(
    ("mbps", "lost", "resolution_s", "spell", "short"),
    [
        (85, 0.0, 60, None, True),
        (89.9, 0.0, 60, None, True),
        (90.1, 0.0, 60, None, False),
        (81, 0.09, 60, None, True),
        (81, 0.11, 60, None, False),  # with what was lost it may have been full
        (85, 0.0, 61, None, False),
        (85, 0.0, 60, (200, 230), False),
        (85, 0.0, 60, (500, 530), True),  # at the limit at another time
    ],
)
def test_a_busy_line_was_short_of_full(
    monkeypatch: pytest.MonkeyPatch, mbps: float, lost: float, resolution_s: int, spell: Any, short: bool
) -> None:
    limits = [AtLimit(0, DOWN, ((ms(spell[0]), ms(spell[1])),), 600_000, ((95.0, 99.0),))] if spell else []
    monkeypatch.setattr(link_busy, "at_limit", lambda case: limits)
    monkeypatch.setattr(link_busy, "lost_between", lambda case, begin, end, errors: lost)
    case, episode = busy_case(mbps, resolution_s)
    assert link_busy._short_of_full(case, episode) == short


def test_spells_of_another_direction_do_not_touch_a_busy_line(monkeypatch: pytest.MonkeyPatch) -> None:
    case, episode = busy_case()
    for link, direction, short in ((0, UP, True), (1, DOWN, True), (0, DOWN, False)):
        limit = AtLimit(link, direction, ((ms(200), ms(230)),), 600_000, ((95.0, 99.0),))
        monkeypatch.setattr(link_busy, "at_limit", lambda case, limit=limit: [limit])
        assert link_busy._short_of_full(case, episode) == short


def test_the_evidence_of_short_spells() -> None:
    case, _ = busy_case()
    spells = tuple((ms(60 * n), ms(60 * n + 20 + n)) for n in range(9))
    rates = tuple((90.0 + n, 95.0 + n) for n in range(9))
    found = link_full._short(case, AtLimit(0, DOWN, spells, 600_000, rates), spells[:2])
    # 20 s at 90 and 21 s at 91.
    assert found.evidence["mean_mbps"] == round((20 * 90 + 21 * 91) / 41, 3)
    assert found.evidence["peak_mbps"] == 96.0
    assert (found.evidence["full_seconds"], found.evidence["longest_seconds"]) == (41, 21)
    assert len(found.evidence["spells"]) == 2
    assert (found.start_ms, found.end_ms, found.direction) == (ms(0), ms(81), "down")
    long = ((ms(0), ms(600)), (ms(600), ms(1200)))
    told = link_full._short(case, AtLimit(0, DOWN, long, 600_000, rates[:2]), long).evidence
    assert (told["full_seconds"], told["longest_seconds"]) == (1200, 600)
    limit = AtLimit(0, DOWN, spells, 600_000, rates)
    assert len(link_full._short(case, limit, spells).evidence["spells"]) == 8
    assert "spells" not in link_full._short(case, limit, spells[:1]).evidence
    assert [len(link_full._short_ones(case, replace(limit, spells=spells[:n], step_rates=rates[:n]))) for n in (1, 6, 7)] == [
        1, 6, 1,
    ]  # fmt: skip


# The all-clear ------------------------------------------------------------------------------------------------------


def place(share: float, upper: float | None = None) -> Room:
    return Room(0, DOWN, share, share if upper is None else upper, 100 * share, 100.0, ms(0), 60.0)


@pytest.mark.parametrize(
    ("found", "moments", "doubts"),
    [
        ([], False, 0),
        ([place(0.5)], False, 0),
        ([place(0.69, 0.70)], False, 1),  # with what was lost it may have been busy
        ([place(0.629)], False, 0),
        ([place(0.63)], False, 1),  # nine tenths of busy
        ([place(0.63)], True, 0),
        ([place(0.70, 0.75)], False, 1),
        ([place(0.5), place(0.4, 0.71)], False, 1),
    ],
)
def test_what_is_nearly_busy_is_a_doubt(found: list[Room], moments: bool, doubts: int) -> None:
    said = list(not_the_link._of_room(bare(SITE), found, moments=moments))
    assert len(said) == doubts


@pytest.mark.parametrize(("share", "weight"), [(0.84, 0), (0.86, 1)])
def test_a_sampling_error_counts_where_it_reaches_the_full_threshold(
    monkeypatch: pytest.MonkeyPatch, share: float, weight: int
) -> None:
    """1.96 x 0.025 = 0.049: from 0.851 on."""
    monkeypatch.setattr(not_the_link, "sampling_error", lambda case, link, direction: 0.025)
    *_, last = not_the_link._of_room(bare(SITE), [place(share)], moments=True)
    assert last is not None
    assert last.weight == weight


@pytest.mark.parametrize(
    ("last", "known", "end", "open_"),
    [
        (3600, False, 1801, True),
        (3600, False, 1800, False),  # half an hour later nothing is open
        (3600, True, 1801, False),
        (3600, False, 9999, True),
    ],
)
def test_a_flow_may_be_open_for_half_an_hour(last: float, known: bool, end: float, open_: bool) -> None:
    case = bare(SITE, window=(0, end))
    case = replace(case, coverage=replace(case.coverage, resolution_known=known, last_ms=ms(last)))
    assert not_the_link._may_be_open(case) == open_
    assert not not_the_link._may_be_open(replace(case, coverage=replace(case.coverage, last_ms=None)))


@pytest.mark.parametrize(("share", "weight"), [(0.25, 3), (0.249, 1)])
def test_a_quarter_of_the_time_at_a_limit_is_a_major_doubt(share: float, weight: int) -> None:
    limit = AtLimit(0, DOWN, ((ms(0), ms(1000 * share)),), 1_000_000, ((95.0, 99.0),))
    (doubt,) = not_the_link._of_moments(bare(SITE), (limit,), ())
    assert doubt is not None
    assert doubt.weight == weight


# Backups ------------------------------------------------------------------------------------------------------------


def failover(begin: float, end: float, **more: Any) -> Failover:
    how: dict[str, Any] = {
        "link": 1, "gap_ms": 12_340, "octets_down": 3_000_000.5, "octets_up": 750_000.5, "began_before": False,
        "still": False, **more,
    }  # fmt: skip
    return Failover(start_ms=ms(begin), end_ms=ms(end), **how)


def test_the_evidence_of_a_stay_on_the_backup(monkeypatch: pytest.MonkeyPatch) -> None:
    ends = [ms(480.001), ms(719.999)]
    for end in [*ends, ms(480), ms(720)]:
        outages = [SimpleNamespace(end_ms=end)]
        monkeypatch.setattr(on_backup, "outages", lambda case, outages=outages: outages)
        found = on_backup.finding_of(bare(), failover(600, 660))
        assert found.evidence["followed_an_outage"] == (end in ends)
    shown = (
        "minutes",
        "gap_s",
        "octets_down",
        "octets_up",
        "mean_down_mbps",
        "mean_up_mbps",
        "backup_was_full",
    )
    # 3 MB in a minute are 0.4 Mbit/s.
    assert [found.evidence[key] for key in shown] == [1.0, 12.3, 3_000_000, 750_000, 0.4, 0.1, False]
    assert on_backup._mbps(1000, 0) == 8.0
    assert on_backup.finding_of(bare(), failover(600, 660, gap_ms=None)).evidence["gap_s"] is None


@pytest.mark.parametrize(
    ("stay", "heard", "confidence"),
    [
        (failover(600, 900, began_before=True, still=True), (0, HOUR), "medium"),
        (failover(600, 900, began_before=True), (0, HOUR), "high"),
        (failover(600, 900, still=True), (0, HOUR), "high"),
        (failover(600, 900), (600, 899), "high"),
        (failover(600, 900), (660, HOUR), "medium"),
        (failover(600, 901), (0, 899), "medium"),
        (failover(-60, 900), (0, HOUR), "high"),
    ],
)
def test_a_stay_is_sure_where_the_exporter_was_heard_all_along(
    stay: Failover, heard: tuple[float, float], confidence: str
) -> None:
    assert on_backup._doubts(bare(heard=[heard]), stay)[1] == confidence


def full_windows(case: Case, episode: Episode, begin: float, end: float) -> int:
    return int(on_backup._full_windows(case, episode, ms(begin), ms(end))[1].sum())


def test_a_minute_at_the_threshold_is_full() -> None:
    case, episode = busy_case(90)
    assert full_windows(case, episode, 0, 600) == 4
    short = replace(case.usage, window_ms=10_000)  # six times the rate, in windows of ten seconds
    assert full_windows(case, replace(episode, usage=short), 0, 600) == 4


@pytest.mark.parametrize(
    ("begin", "end", "full"),
    [(0, 600, 4), (180, 240, 1), (179.999, 240.001, 3), (150, 200, 2), (360, 600, 0)],
)
def test_full_minutes_are_those_that_touch_the_time(begin: float, end: float, full: int) -> None:
    """Minutes 2 to 5 are full."""
    case, episode = busy_case(95)
    assert full_windows(case, episode, begin, end) == full


def test_in_a_flapping_spell_only_stays_of_ten_minutes_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    stays = (failover(0, 599.999), failover(700, 1300), failover(2000, 2001))
    monkeypatch.setattr(on_backup, "failovers", lambda case: SimpleNamespace(episodes=stays))
    monkeypatch.setattr(on_backup, "flapping_groups", lambda case: [stays[:2]])
    monkeypatch.setattr(on_backup, "outages", lambda case: [])
    assert [one.start_ms for one in on_backup.find(bare())] == [ms(700), ms(2000)]


# One host -----------------------------------------------------------------------------------------------------------


def shared(*octets: float, **more: Any) -> Case:
    book = Book()
    for number, many in enumerate(octets):
        book.row(0, 100, way=DOWN, octets=many, inside=f"192.168.40.{20 + number}", **more)
    return book.case(SITE, span=(0, 200), window=(0, 100))


@pytest.mark.parametrize(
    ("octets", "share"),
    [
        ((501, 499), 0.501),
        ((500, 500), None),
        ((300, 350, 350), None),
        ((0, 0), None),
        ((100, 600, 300), 0.6),
    ],
)
def test_one_host_has_more_than_half(octets: tuple[float, ...], share: float | None) -> None:
    found = single_host.find(shared(*octets))
    assert [one.evidence["share"] for one in found] == ([] if share is None else [share])
    if found:
        assert found[0].evidence["octets"] == max(octets)
        assert len(found[0].evidence["hosts"]) == len(octets)
    assert single_host.find(shared(*octets, link=None)) == []


def test_what_lies_outside_the_window_does_not_count_for_one_host() -> None:
    book = Book()
    book.row(0, 200, way=DOWN, octets=1000)
    book.row(0, 100, way=DOWN, octets=400, inside="192.168.40.21")
    case = book.case(SITE, span=(0, 200), window=(0, 100))
    (found,) = single_host.find(case)
    assert (found.evidence["octets"], found.evidence["share"]) == (500, 0.5556)
    # Nor does what used no link, or another time.
    for way_out in ({"link": None}, {"start": -50, "end": -1}, {"start": 101, "end": 150}):
        other: dict[str, Any] = {"start": 10, "end": 90, "link": "fibre", **way_out}
        more = Book()
        more.rows, more.places = list(book.rows), dict(book.places)
        more.row(other.pop("start"), other.pop("end"), way=DOWN, octets=900, inside="192.168.40.22", **other)
        (again,) = single_host.find(more.case(SITE, span=(-50, 200), window=(0, 100)))
        assert again.evidence == found.evidence


@pytest.mark.parametrize(
    ("begin", "end", "hosts", "advised"),
    [
        (0, 10, ["192.168.40.20"], True),
        (59.99, 90, ["192.168.40.20"], True),
        (60, 90, ["192.168.40.20"], False),
        (-10, 0, ["192.168.40.20"], False),
        (0, 10, ["192.168.40.21"], False),
        (0, 10, ["192.168.40.21", "192.168.40.20"], True),
        (0, 10, [], False),
    ],
)
def test_one_host_matters_where_it_is_named_by_a_load_of_its_time(
    begin: float, end: float, hosts: list[str], advised: bool
) -> None:
    single = finding(
        "single-host", 0, 60, evidence={"hosts": [{"address": "192.168.40.20"}, {"address": "192.168.40.21"}]}
    )
    load = finding("link-full", begin, end, evidence={"hosts": [{"address": host} for host in hosts]})
    told = single_host.with_advice([load, single])
    assert bool(told[1].actions) == advised
    assert not single_host.with_advice([replace(load, code="outage"), single])[1].actions
    assert not single_host.with_advice([replace(load, start_ms=None), single])[1].actions
