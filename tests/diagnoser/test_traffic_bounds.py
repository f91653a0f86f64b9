"""Keepalives, calls, scans and services by their own functions, on the smallest cases that tell them apart."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import (
    keepalive_excess,
    keepalive_irregular,
    keepalive_missing,
    keepalive_unanswered,
    link_busy,
    link_full,
    not_the_link,
    on_backup,
    outbound_scan,
    realtime_contention,
    single_host,
    unanswered_connections,
)
from flowdiag.diagnoser.signals import keepalives
from flowdiag.diagnoser.signals.at_limit import AtLimit
from flowdiag.diagnoser.signals.attempts import REQUEST_PORTS, begins_attempt, is_request
from flowdiag.diagnoser.signals.episodes import Episode
from flowdiag.diagnoser.signals.failovers import Failover
from flowdiag.diagnoser.signals.keepalives import Account, Beats, Gap
from flowdiag.diagnoser.signals.room import Room
from flowdiag.site.profile import Keepalive, Profile
from tests.diagnoser.building import ICMP, MINUTE, PING, SYN, TCP, UDP, Book, ms, profile
from tests.diagnoser.test_client_part import finding

HOUR = 3600
SITE = profile(backup=False)
MBPS_MINUTE = 7_500_000


def bare(site: Profile | None = None, **more: Any) -> Case:
    """An hour with one record that says next to nothing."""
    book = Book()
    book.row(0, 1, way=DOWN, octets=1000)
    return book.case(site or profile(keepalives=[PING]), span=(0, HOUR), **more)


def beats(*records: tuple[float, float], count: float = 1, octets: float = 84) -> Beats:
    """Records of a keepalive from and to in seconds, each of so many keepalives."""
    start, end = (np.array([ms(record[side]) for record in records], np.int64) for side in (0, 1))
    counts = np.full(len(records), float(count))
    return Beats(start, end, counts, counts, counts * octets)


NONE = beats()


def account(
    requests: Beats = NONE, replies: Beats = NONE, keepalive: Keepalive = PING, **more: Any
) -> Account:
    how: dict[str, Any] = {"elsewhere": NONE, "replies_elsewhere": NONE, "elsewhere_links": (), **more}
    return Account(1, keepalive, np.zeros(0, np.intp), requests, replies, **how)


# Keepalives ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("packets", "sampling", "judged"), [(30, 1, True), (29, 1, False), (300, 10, True), (299, 10, False)]
)
def test_thirty_packets_seen_are_enough_to_judge_an_excess(
    packets: float, sampling: float, judged: bool
) -> None:
    """All of them within three minutes, for a keepalive due once in ten minutes."""
    seldom = Keepalive(destination="198.51.100.1", protocol="icmp", interval_s=600)
    case = bare()
    case = replace(case, coverage=replace(case.coverage, sampling=sampling))
    sent = beats((600, 900), count=packets)
    assert (keepalive_excess.excess_of(case, account(sent, keepalive=seldom)) is not None) == judged


def test_the_worse_direction_is_told_whichever_it_is() -> None:
    more, less = beats((600, 899.999), count=600), beats((600, 899.999), count=400)
    for requests, replies in ((more, less), (less, more)):
        excess = keepalive_excess.excess_of(bare(), account(requests, replies))
        assert excess is not None
        # 120 a minute where six are due.
        assert excess.packets_times == pytest.approx(20.0, rel=1e-3)
        assert (excess.start_ms, excess.end_ms) == (ms(600), ms(899.999))


def test_the_octets_of_a_keepalive_have_a_budget_of_their_own() -> None:
    """Six a minute are due and come, of 840 octets where 84 are due."""
    large = beats((600, 899.999), count=30, octets=840)
    excess = keepalive_excess.excess_of(bare(), account(large))
    assert excess is not None
    assert (excess.packets_times, excess.octets_times) == (
        pytest.approx(1, rel=1e-3),
        pytest.approx(10, rel=1e-3),
    )
    unknown = Keepalive(destination="198.51.100.1", protocol="icmp", interval_s=10)
    assert keepalive_excess.excess_of(bare(), account(large, keepalive=unknown)) is None
    many = keepalive_excess.excess_of(bare(), account(beats((600, 899.999), count=600), keepalive=unknown))
    assert many is not None
    assert many.octets_times is None


@pytest.mark.parametrize(
    ("interval_s", "block"),
    [(10, 1), (12, 1), (12.1, 2), (24, 2), (60, 5)],
)
def test_an_excess_is_looked_for_over_five_intervals_a_minute_at_least(interval_s: float, block: int) -> None:
    """Three minutes at eleven times the budget are three windows over it, where single windows are looked at."""
    slow = Keepalive(destination="198.51.100.1", protocol="icmp", interval_s=interval_s)
    a_minute = 60 / interval_s
    excess = keepalive_excess.excess_of(
        bare(), account(beats((600, 899.999), count=100 * a_minute), keepalive=slow)
    )
    assert excess is not None
    # Of a longer block a part of what is looked at lies before and after the five minutes of it.
    assert (excess.packets_times == pytest.approx(20.0, rel=1e-3)) == (block == 1)


def test_two_times_of_excess_are_told_from_the_first_to_the_last_and_the_mean_is_of_their_own() -> None:
    sent = beats((600, 779.999), (1200, 1379.999), count=360)
    excess = keepalive_excess.excess_of(bare(), account(sent))
    assert excess is not None
    assert (excess.start_ms, excess.end_ms, excess.packets_times) == (
        ms(600),
        ms(1379.999),
        pytest.approx(20, rel=1e-3),
    )


def test_the_evidence_of_an_excess() -> None:
    sent, back = beats((600, 899.999), count=600), beats((600, 899.999), count=10)
    excess = keepalive_excess._Excess(ms(600), ms(900), 20.04, 19.96)
    found = keepalive_excess._finding(bare(), account(sent, back), excess)
    shown = ("packets_times_budget", "octets_times_budget", "octets", "minutes", "packet_bytes", "interval_s")
    assert [found.evidence[key] for key in shown] == [20.0, 20.0, 610 * 84, 5.0, 84, 10]
    assert (found.confidence, found.link) == ("high", "lte")
    case = bare()
    sampled = replace(case, coverage=replace(case.coverage, sampling=2.0))
    assert keepalive_excess._finding(sampled, account(sent), excess).confidence == "medium"
    moment = keepalive_excess._Excess(ms(600), ms(600), 20.0, None)
    assert "octets_times_budget" not in keepalive_excess._finding(case, account(sent), moment).evidence


def test_a_cadence_is_told_of_the_requests_and_of_replies_where_none_are_seen(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    slow, due = beats((0, 300), count=11), beats((0, 300), count=31)
    case = bare()
    for requests, replies, cadences in (
        (slow, due, [30.0]),
        (due, slow, []),
        (NONE, slow, [30.0]),
        (NONE, NONE, []),
    ):
        mine = account(requests, replies)
        monkeypatch.setattr(keepalive_irregular, "accounts", lambda case, mine=mine: (mine,))
        found = keepalive_irregular.find(case)
        assert [one.evidence["cadence_s"] for one in found] == cadences
        for one in found:
            assert (one.start_ms, one.end_ms, one.evidence["keepalives"]) == (ms(0), ms(300), 11)
    for worse in ({"sampling": 2.0}, {"links_apart": False}):
        monkeypatch.setattr(keepalive_irregular, "accounts", lambda case: (account(slow),))
        assert keepalive_irregular.find(replace(case, coverage=replace(case.coverage, **worse))) == []


@pytest.mark.parametrize(
    ("mine", "gap", "told"),
    [
        (account(), (0, 605), ("medium", False, 605.0, 60, 0, [], 1)),
        (account(beats((700, 710))), (0, 605), ("high", True, 605.0, 60, 0, [], 0)),
        (account(NONE, beats((700, 710))), (0, 605), ("high", True, 605.0, 60, 0, [], 0)),
        (
            account(elsewhere=beats((0, 600), count=30), elsewhere_links=(0,)), (0, 300.04),
            ("high", False, 300.0, 30, 15, ["fibre"], 0),
        ),
        (
            account(elsewhere=beats((700, 800), count=30), elsewhere_links=(0,)), (0, 300),
            ("medium", False, 300.0, 30, 0, [], 1),
        ),
    ],
)  # fmt: skip
def test_the_evidence_of_missing_keepalives(
    mine: Account, gap: tuple[float, float], told: tuple[Any, ...]
) -> None:
    found = keepalive_missing._finding(bare(), mine, Gap(ms(gap[0]), ms(gap[1])))
    keys = ("seen_at_all", "missing_s", "intervals_missed", "packets_by_other_links", "other_links")
    assert (found.confidence, *(found.evidence[key] for key in keys), len(found.doubts)) == told
    case = bare()
    sampled = replace(case, coverage=replace(case.coverage, sampling=2.0))
    assert keepalive_missing._finding(sampled, mine, Gap(0, 1)).confidence == "low"


def unanswered(
    monkeypatch: pytest.MonkeyPatch, mine: Account, *silent: tuple[float, float], sampling: float = 1.0
) -> list[tuple[float, float]]:
    """Times without an answer, in seconds, where replies were silent so."""
    gaps = [Gap(ms(begin), ms(end)) for begin, end in silent]
    monkeypatch.setattr(keepalive_unanswered, "silences", lambda case, account, beats: gaps)
    case = bare()
    case = replace(case, coverage=replace(case.coverage, sampling=sampling))
    return [
        ((gap.start_ms - ms(0)) / 1000, (gap.end_ms - ms(0)) / 1000)
        for gap in keepalive_unanswered._unanswered(case, mine)
    ]


@pytest.mark.parametrize(
    ("sent", "silent", "found"),
    [
        ([(0, 600)], (100, 400), [(100, 400)]),
        ([(150, 350)], (100, 400), [(150, 360)]),  # and what was due after the last of them
        ([(150, 190)], (100, 400), []),  # fifty seconds
        ([(150, 200)], (100, 400), [(150, 210)]),  # a minute
        ([(0, 600)], (100, 159), []),
        ([(0, 100)], (100, 400), []),  # one at the begin
        ([(400, 600)], (100, 400), []),
    ],
)
def test_requests_without_an_answer_for_a_minute(
    monkeypatch: pytest.MonkeyPatch,
    sent: list[tuple[float, float]],
    silent: tuple[float, float],
    found: list[Any],
) -> None:
    mine = account(beats(*sent, count=31))
    # All are few enough to tell nothing by their share.
    mine = replace(mine, requests=replace(mine.requests, count=mine.requests.count / 2))
    assert unanswered(monkeypatch, mine, silent) == found


@pytest.mark.parametrize(("count", "sampling", "found"), [(3, 1, 1), (2.9, 1, 0), (30, 10, 0), (36, 10, 0)])
def test_three_requests_without_an_answer_are_the_least(
    monkeypatch: pytest.MonkeyPatch, count: float, sampling: float, found: int
) -> None:
    mine = account(beats((100, 200), count=count))
    assert len(unanswered(monkeypatch, mine, (50, 300), sampling=sampling)) == found


@pytest.mark.parametrize(
    ("sent", "back", "elsewhere", "sampling", "found"),
    [
        (20, 9.9, 0, 1, [(0, 600)]),
        (20, 10, 0, 1, []),
        (19.9, 9, 0, 1, []),
        (20, 5, 5, 1, []),
        (20, 5, 4.9, 1, [(0, 600)]),
        (200, 99, 0, 10, [(0, 600)]),
        (199, 99, 0, 10, []),
    ],
)
def test_less_than_half_of_twenty_answered_is_too_little(
    monkeypatch: pytest.MonkeyPatch,
    sent: float,
    back: float,
    elsewhere: float,
    sampling: float,
    found: list[Any],
) -> None:
    whole = (0, 600)
    mine = account(
        beats(whole, count=sent), beats(whole, count=back), replies_elsewhere=beats(whole, count=elsewhere)
    )
    assert unanswered(monkeypatch, mine, sampling=sampling) == found


@pytest.mark.parametrize(
    ("missed", "sent", "back", "chance"),
    [
        # Of forty others half come back: 40 x 0.5^15 = 0.0012, 40 x 0.5^16 = 0.0006.
        (15, 40, 20, True),
        (16, 40, 20, False),
        # Of twenty that all came back one lost is assumed: 20 x 0.05^3 = 0.0025.
        (3, 20, 20, True),
        (4, 20, 20, False),
        (3, 19.9, 19.9, False),  # too few others to say
        (3, 40, 0, False),  # nothing ever came
        (15, 400, 200, True),
    ],
)
def test_a_run_of_losses_may_come_by_chance(missed: float, sent: float, back: float, chance: bool) -> None:
    mine = account(
        replace(beats((0, 100), (200, 300)), count=np.array([sent, missed], float)),
        beats((0, 100), count=back),
    )
    assert keepalive_unanswered._may_be_chance(bare(), mine, Gap(ms(200), ms(300))) == chance
    # Of a sampled export the packets that were seen count.
    case = bare()
    sampled = replace(case, coverage=replace(case.coverage, sampling=10.0))
    tenfold = account(
        replace(beats((0, 100), (200, 300)), count=np.array([10 * sent, 10 * missed], float)),
        beats((0, 100), count=5 * back),
        replies_elsewhere=beats((0, 100), count=5 * back),
    )
    assert keepalive_unanswered._may_be_chance(sampled, tenfold, Gap(ms(200), ms(300))) == chance


def test_the_evidence_of_unanswered_keepalives() -> None:
    mine = account(beats((0, 600), count=60), beats((0, 600), count=6))
    book = Book()
    book.row(0, 1, way=DOWN, octets=84, link="lte")
    shown = book.case(profile(keepalives=[PING]), span=(0, HOUR))
    for case, confidence, doubts in ((shown, "high", 0), (bare(), "medium", 1)):
        found = keepalive_unanswered._finding(case, mine, Gap(ms(100), ms(400)))
        assert (found.evidence["requests"], found.evidence["replies"], found.evidence["unanswered_s"]) == (
            30,
            3,
            300.0,
        )
        assert (found.confidence, len(found.doubts)) == (confidence, doubts)
    sampled = replace(shown, coverage=replace(shown.coverage, sampling=2.0))
    assert keepalive_unanswered._finding(sampled, mine, Gap(0, 1)).confidence == "low"


def test_gaps_with_less_than_a_silence_between_them_are_one() -> None:
    found = [Gap(0, 10), Gap(69, 80), Gap(140, 150)]
    assert keepalives._joined(found, 60) == [Gap(0, 80), Gap(140, 150)]
    assert keepalives._joined(found, 61) == [Gap(0, 150)]


@pytest.mark.parametrize(
    ("at", "within"), [(99.999, False), (100, True), (200, True), (210, True), (210.001, False)]
)
def test_a_loss_in_a_gap_or_while_its_records_were_open(at: float, within: bool) -> None:
    case = bare(losses=[at])
    assert keepalives._loss_within(case, Gap(ms(100), ms(200)), 10_000) == within


@pytest.mark.parametrize(
    ("restart", "held"),
    [((0, 100), 0), ((0, 150), 50), ((150, 160), 10), ((150, 300), 50), ((200, 300), 0), ((0, 300), 100)],
)
def test_a_restart_explains_the_part_of_a_gap_that_it_held(restart: tuple[float, float], held: float) -> None:
    case = bare()
    spans = ((ms(restart[0]), ms(restart[1])),)
    case = replace(case, coverage=replace(case.coverage, restarts=spans))
    assert keepalives._restarted_within(case, Gap(ms(100), ms(200))) == held * 1000


@pytest.mark.parametrize(
    ("heard", "gap", "seconds", "unheard"),
    [
        ([(0, HOUR)], (100, 400), 300, False),
        (
            [(0, 200), (300, HOUR)],
            (0, 600),
            420,
            True,
        ),  # of minutes 0 to 9 the fifth is silent, and so may be those beside it
        ([(0, HOUR)], (3700, 3900), 0, False),
        ([(300, HOUR)], (0, 600), 240, True),
    ],
)
def test_what_was_heard_of_a_gap(
    heard: list[tuple[float, float]], gap: tuple[float, float], seconds: float, unheard: bool
) -> None:
    case = bare(heard=heard)
    mine = Gap(ms(gap[0]), ms(gap[1]))
    assert keepalives._heard_ms(case, mine) == pytest.approx(seconds * 1000)
    assert keepalives._unheard_touching(case, mine) == unheard


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
        found = on_backup._finding(bare(), failover(600, 660))
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
    assert on_backup._finding(bare(), failover(600, 660, gap_ms=None)).evidence["gap_s"] is None


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


# Calls --------------------------------------------------------------------------------------------------------------


def of_calls(*rows: dict[str, Any]) -> Case:
    book = Book()
    for row in rows:
        how: dict[str, Any] = {
            "way": UP,
            "protocol": UDP,
            "octets": 20_000,
            "packets": 100,
            "port": 20_000,
            **row,
        }
        book.row(how.pop("start", 0), how.pop("end", 60), **how)
    return book.case(SITE, span=(0, HOUR))


def test_ports_of_other_services_are_never_calls() -> None:
    """Ports as IANA has them: names, leases, files, web, time, management, keys, tunnels, file systems, flows."""
    never = [
        53, 67, 68, 69, 80, 123, 137, 138, 161, 162, 443, 500, 514, 1194, 1701, 1812, 1813, 2049, 2055, 4500, 4739,
        4789, 5353, 6343, 9995, 9996, 51820,
    ]  # fmt: skip
    others = sorted({port + step for port in never for step in (-1, 1)} - set(never))
    case = of_calls(*({"port": port} for port in (*never, *others, -1, 65_535)))
    found = realtime_contention._candidates(case, 0, UP, (ms(0), ms(60)))
    assert sorted(case.flows.outside_port[found].tolist()) == [-1, *others, 65_535]
    inside = of_calls({"inside_port": 443}, {"inside_port": 444})
    assert realtime_contention._candidates(inside, 0, UP, (ms(0), ms(60))).tolist() == [1]


@pytest.mark.parametrize(
    ("row", "candidate"),
    [
        ({}, True),
        ({"octets": 6000}, True),  # 60 octets a packet
        ({"octets": 5999}, False),
        ({"octets": 130_000}, True),  # 1,300
        ({"octets": 130_001}, False),
        ({"protocol": TCP}, False),
        ({"way": DOWN}, False),
        ({"link": None}, False),
        ({"start": 100, "end": 120}, False),
        ({"start": 99.999, "end": 120}, True),
        ({"start": 10, "end": 20}, False),
        ({"start": 10, "end": 20.001}, True),
    ],
)
def test_a_call_is_looked_for_among_small_datagrams_of_the_time(row: dict[str, Any], candidate: bool) -> None:
    found = realtime_contention._candidates(of_calls(row), 0, UP, (ms(20), ms(100)))
    assert found.tolist() == ([0] if candidate else [])


@pytest.mark.parametrize(
    ("packets", "lasts", "port", "steady"),
    [
        (900, 60, 20_000, True),  # fifteen a second
        (899, 60, 20_000, False),
        (60_000, 60, 20_000, True),
        (60_001, 60, 20_000, False),
        (300, 60, 5060, True),  # five, where the port is one of calls
        (299, 60, 5060, False),
        (899, 60, 5062, False),
        (900, 45, 20_000, True),
        (900, 44.999, 20_000, False),
    ],
)
def test_a_call_is_steady_for_three_quarters_of_a_minute(
    packets: float, lasts: float, port: int, steady: bool
) -> None:
    case = of_calls({"packets": packets, "end": lasts, "port": port})
    keys = np.array([7], np.uint64)
    named = np.zeros(1, np.bool_)
    found = realtime_contention._realtime(case, np.array([0]), keys, (ms(0), ms(600)), named)
    assert found.tolist() == ([7] if steady else [])
    none = realtime_contention._realtime(case, np.zeros(0, np.intp), keys[:0], (ms(0), ms(600)), named)
    assert len(none) == 0


def test_the_evidence_of_calls() -> None:
    case = of_calls({"start": 100, "end": 200}, {"start": 150, "end": 400, "port": 20_001})
    calls = realtime_contention._Calls(np.arange(2), np.array([500_000.0, 250_000.0]), 2, True, 0.25)
    whole, part = Episode(0, UP, ((0, 10),)), Episode(0, UP, ((2, 5),))
    found = realtime_contention._finding(case, whole, calls)
    assert (found.start_ms, found.end_ms, found.confidence) == (ms(100), ms(400), "high")
    # 750,000 octets in 300 s.
    assert [found.evidence[key] for key in ("calls", "mean_mbps", "marked_share", "capacity_mbps")] == [
        2,
        0.02,
        0.25,
        20.0,
    ]
    found = realtime_contention._finding(case, part, calls)
    assert (found.start_ms, found.end_ms) == (ms(120), ms(300))
    for worse, confidence in ((replace(calls, named=False), "medium"), (replace(calls, marked=None), "low")):
        assert realtime_contention._finding(case, whole, worse).confidence == confidence


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


# Scans --------------------------------------------------------------------------------------------------------------


def tries(*rows: dict[str, Any], answered: bool = True) -> Case:
    """SYNs to places of their own; something else is answered, so that the export shows answers."""
    book = Book()
    for number, row in enumerate(rows):
        how: dict[str, Any] = {
            "way": UP, "octets": 60, "packets": 1, "flags": SYN, "port": 8291, "inside_port": 9000 + number,
            "outside": f"198.18.{number // 250}.{1 + number % 250}", "inside": "192.168.40.66", **row,
        }  # fmt: skip
        start = how.pop("start", number)
        book.row(start, how.pop("end", start), **how)
    if answered:
        book.row(0, 1, way=DOWN, octets=1000, inside="192.168.40.99")
    return book.case(SITE, span=(0, 2 * HOUR))


def host(case: Case, count: int, least: int = 10) -> Any:
    rows = np.arange(count)
    return outbound_scan._host(case, rows, int(case.flows.inside[0]), least)


@pytest.mark.parametrize(
    ("times", "reached"),
    [
        (list(range(10)), True),
        (list(range(9)), False),
        ([60 * n for n in range(10)], True),
        ([144 * n for n in range(25)], True),  # 25 in an hour
        ([150 * n for n in range(24)], False),
        ([], False),
    ],
)
def test_a_scan_reaches_ten_in_ten_minutes_or_twenty_five_in_an_hour(
    times: list[float], reached: bool
) -> None:
    case = tries(*({"start": at} for at in times))
    assert outbound_scan._reaches_many(case.flows, np.arange(len(times)), 10) == reached


def test_twice_the_most_rows_of_a_slot_are_no_fewer_than_its_addresses() -> None:
    case = tries(*({"start": at} for at in (0, 599.999, 600, 700, 1200)))
    assert outbound_scan._most_rows(case.flows, np.arange(5), 600_000) == 4
    assert outbound_scan._most_rows(case.flows, np.arange(0), 600_000) == 0


def test_a_scanning_host_is_told_with_its_ports() -> None:
    rows = [{}] * 20 + [{"port": 23, "outside": f"198.18.9.{n}"} for n in range(2)] + [{"port": 24}]
    found = host(tries(*rows), len(rows))
    # 24 has less than a tenth of the foremost.
    assert (found.attempts, found.addresses, found.ports, found.unanswered) == (
        22,
        22,
        ((TCP, 23), (TCP, 8291)),
        1.0,
    )
    assert found.most_in_ten_minutes == 22
    assert found.rows.tolist() == list(range(22))
    pings = host(tries(*[{"protocol": ICMP, "port": 2048, "flags": 0}] * 12), 12)
    assert pings.ports == ((ICMP, 0),)


@pytest.mark.parametrize(("ports", "found"), [(32, True), (33, False)])
def test_sixteen_ports_have_half_of_what_a_scan_tries(ports: int, found: bool) -> None:
    case = tries(*({"port": 2000 + number} for number in range(ports)))
    assert (host(case, ports) is not None) == found


@pytest.mark.parametrize(("each", "found"), [(3, True), (4, False)])
def test_a_scan_tries_an_address_three_times_at_most(each: int, found: bool) -> None:
    rows = [
        {"outside": f"198.18.0.{1 + number // each}", "start": number / each} for number in range(12 * each)
    ]
    assert (host(tries(*rows), len(rows)) is not None) == found


@pytest.mark.parametrize(("others", "found", "share"), [(12, True, 0.5), (13, False, 0.0)])
def test_half_of_what_a_scan_sends_to_its_ports_is_in_vain(others: int, found: bool, share: float) -> None:
    rows: list[dict[str, Any]] = [{} for _ in range(12)]
    rows += [{"outside": f"203.0.113.{n}", "flags": 0x1B, "start": 5} for n in range(others)]
    # Of other ports, before and after, and of other hosts nothing counts.
    rows += [
        {"outside": "203.0.113.201", "port": 80},
        {"outside": "203.0.113.202", "inside": "192.168.40.67", "start": 5},
    ]
    rows += [{"outside": "203.0.113.203", "start": -1}, {"outside": "203.0.113.204", "start": 11.001}]
    rows += [
        {"outside": "203.0.113.205", "start": 5, "link": None},
        {"outside": "203.0.113.206", "start": 5, "way": DOWN},
    ]
    scan = host(tries(*rows), 12)
    assert (scan is not None) == found
    assert scan is None or scan.unanswered == share


def test_in_a_one_way_export_only_flags_tell_what_was_in_vain() -> None:
    rows: list[dict[str, Any]] = [{}, {"flags": -1}, {"protocol": UDP, "flags": 0}, {"flags": 0}]
    one_way = tries(*rows, answered=False)
    assert outbound_scan._in_vain(one_way, np.arange(4)).tolist() == [0, 3]
    answer = {**rows[0], "way": DOWN, "outside": "198.18.0.1", "inside_port": 9000, "flags": 0x12}
    both = tries(*rows, answer)
    assert outbound_scan._in_vain(both, np.arange(4)).tolist() == [1, 2, 3]
    refusal = tries(*rows, {**answer, "flags": 0x14})
    assert outbound_scan._in_vain(refusal, np.arange(4)).tolist() == [0, 1, 2, 3]


# Services -----------------------------------------------------------------------------------------------------------


def test_everyday_services() -> None:
    """Well-known ports (RFC 6335) and those of tunnels, databases, desktops, calls, chat and web proxies."""
    daily = [
        1194, 1433, 1645, 1812, 1813, 3306, 3389, 3478, 4500, 5060, 5061, 5222, 5432, 8080, 8443, 51820,
    ]  # fmt: skip
    near = {port + step for port in daily for step in (-1, 0, 1)} | {1023, 1024, 0, -1, 65_535}
    assert sorted(port for port in near if unanswered_connections.is_everyday(port)) == sorted(
        [*daily, 0, 1023]
    )


def test_requests_that_want_an_answer() -> None:
    """Names, Kerberos, time, SNMP, CLDAP, QUIC, IKE, OpenVPN, RADIUS, STUN, SIP, WireGuard."""
    wanted = [53, 88, 123, 161, 389, 443, 500, 1194, 1645, 1812, 1813, 3478, 4500, 5060, 51820]
    assert sorted(REQUEST_PORTS) == wanted
    near = sorted({port + step for port in wanted for step in (-1, 0, 1)} | {-1, 0, 65_535})
    case = tries(*({"port": port, "protocol": UDP} for port in near), {"port": 53, "protocol": TCP})
    asked = is_request(case.flows)[: len(near) + 1]
    assert [port for port, one in zip([*near, 53], asked.tolist(), strict=True) if one] == wanted


@pytest.mark.parametrize(
    ("protocol", "times", "begins"),
    [
        (TCP, [0, 179.999, 180], [True, False, True]),  # three minutes
        (UDP, [0, 59.999, 60], [True, False, True]),
        (TCP, [0, 100, 200, 300], [True, False, True, False]),
        (TCP, [300, 0, 100], [True, True, False]),
    ],
)
def test_an_attempt_is_one_as_long_as_it_is_sent_again(
    protocol: int, times: list[float], begins: list[bool]
) -> None:
    case = tries(
        *({"start": at, "protocol": protocol, "inside_port": 9000, "outside": "198.18.0.1"} for at in times)
    )
    assert begins_attempt(case.flows, np.arange(len(times))).tolist() == begins


def spells(fails: list[int], sound: list[int]) -> list[tuple[int, int]]:
    """[first, past) minutes of the spells, where so many failed and so many succeeded in each minute."""
    rows = [{"start": 60 * m + n / 100} for m, many in enumerate(fails) for n in range(many)]
    rows += [{"start": 60 * m + 30 + n / 100} for m, many in enumerate(sound) for n in range(many)]
    case, failed = tries(*rows), sum(fails)
    found = unanswered_connections._spells(case, np.arange(failed), np.arange(len(rows)))
    return [((begin - ms(0)) // 60_000, (end - ms(0)) // 60_000) for begin, end in found]


@pytest.mark.parametrize(
    ("fails", "sound", "found"),
    [
        ([10, 10, 10], [], [(0, 3)]),
        ([10, 10, 9], [], []),  # thirty in vain
        ([15, 15], [], []),  # three minutes
        ([10, 0, 0, 0, 0, 10, 10], [], [(0, 7)]),
        ([10, 10, 0, 0, 0, 0, 0, 10], [], [(0, 8)]),  # five minutes without are bridged
        ([10, 10, 0, 0, 0, 0, 0, 0, 10], [], []),
        ([10, 10, 10], [10, 10, 10], [(0, 3)]),  # half of them
        ([10, 10, 10], [11, 10, 10], []),
        ([10, 10, 10, 0], [0, 0, 0, 40], [(0, 3)]),
        ([10, 10, 0, 10], [0, 0, 31, 0], []),
        ([10, 10, 0, 10], [0, 0, 30, 0], [(0, 4)]),
    ],
)
def test_a_service_fails_for_three_minutes_and_half_of_the_time(
    fails: list[int], sound: list[int], found: list[tuple[int, int]]
) -> None:
    assert spells(fails, sound) == found


@pytest.mark.parametrize(
    ("hosts", "failed", "others", "start", "by_place", "matters"),
    [
        (2, 5, 95, 0, False, True),  # a twentieth of all, by two hosts
        (2, 5, 96, 0, False, False),
        (1, 20, 80, 300, True, True),  # a fifth, of one host, from five minutes after the begin on
        (1, 20, 81, 300, True, False),
        (1, 20, 20, 299.999, True, True),  # else half
        (1, 20, 21, 299.999, True, False),
        (1, 20, 0, 300, False, False),
    ],
)
def test_what_fails_matters_by_its_part_of_all_attempts(
    hosts: int, failed: int, others: int, start: float, by_place: bool, matters: bool
) -> None:
    rows = [{"inside": f"192.168.40.{66 + n % hosts}"} for n in range(failed)] + [{} for _ in range(others)]
    case = tries(*rows)
    told = unanswered_connections._matters(case, np.arange(failed), np.arange(len(rows)), ms(start), by_place)
    assert told == matters


def test_rows_that_carry_an_attempt_on_are_none_of_their_own() -> None:
    rows = [{} for _ in range(5)] + [
        {"outside": "203.0.113.1", "inside_port": 1, "start": n} for n in range(40)
    ]
    case = tries(*rows)
    assert unanswered_connections._make(case, np.arange(5), 5 / 6, np.arange(45))
    assert not unanswered_connections._make(case, np.arange(5), 0.84, np.arange(45))
    assert unanswered_connections._make(case, np.arange(0), 0.0, np.arange(0))


def test_the_evidence_of_a_service_that_fails() -> None:
    rows = [
        {"inside": f"192.168.40.{66 + n % 2}", "outside": f"198.18.0.{1 + n % 4}", "end": n + 3}
        for n in range(8)
    ]
    case = tries(*rows, {})
    for of, share, confidence in ((10, 0.8, "high"), (11, 0.7273, "medium")):
        group = unanswered_connections._Group(8291, TCP, None, np.arange(8), np.arange(of), ms(0), ms(60))
        found = unanswered_connections._finding(case, group)
        shown = (
            "attempts",
            "unanswered",
            "unanswered_share",
            "hosts_affected",
            "places",
            "port",
            "protocol",
            "link",
        )
        assert [found.evidence[key] for key in shown] == [of, 8, share, 2, 4, 8291, TCP, "fibre"]
        assert (found.confidence, found.start_ms, found.end_ms) == (confidence, ms(0), ms(10))
