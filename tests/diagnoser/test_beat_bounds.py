"""Findings of keepalives by their own functions, on the smallest cases that tell them apart."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.findings import (
    keepalive_excess,
    keepalive_irregular,
    keepalive_missing,
    keepalive_unanswered,
)
from flowdiag.diagnoser.signals import keepalives
from flowdiag.diagnoser.signals.keepalives import Account, Beats, Gap
from flowdiag.site.profile import Keepalive
from tests.diagnoser.building import PING, Book, bare, ms, profile

HOUR = 3600


# Keepalives ---------------------------------------------------------------------------------------------------------


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
