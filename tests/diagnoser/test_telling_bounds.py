"""What is told beside a verdict, of a comparison and of a ceiling: each bound at it and beside it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser import client_part, comparison
from flowdiag.diagnoser.attacked import left_to_security
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.cautions import cautions
from flowdiag.diagnoser.compared import BUSY, CALM, Load, Side
from flowdiag.diagnoser.confidence import LOSS_MINOR
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.finding import Finding, Verdict
from flowdiag.diagnoser.findings import backup_leak, below_plan
from flowdiag.diagnoser.findings.below_plan import Ceiling, Proof
from flowdiag.diagnoser.sentences import verdict as words
from flowdiag.diagnoser.signals.at_limit import AtLimit
from flowdiag.diagnoser.signals.episodes import Episode
from flowdiag.diagnoser.signals.fair_shares import FairShares
from flowdiag.diagnoser.signals.flat_top import Level, Yielding
from flowdiag.diagnoser.signals.moving_ceiling import Together
from flowdiag.diagnoser.signals.wandering import Wandering
from tests.diagnoser.building import MINUTE, Book, ms, profile
from tests.diagnoser.test_client_part import finding, full, hour

SITE = profile(backup=False)
MBPS_MINUTE = 7_500_000
HOUR = 3600


# Attacks and cautions -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("begin", "end", "left"), [(0, 10, False), (0, 10.001, True), (20, 30, False), (19.999, 30, True)]
)
def test_load_that_only_touches_an_attack_is_not_explained_by_it(
    begin: float, end: float, left: bool
) -> None:
    flood = finding("inbound-flood", 10, 20, direction="down", evidence={"fills_link": True})
    load = full(begin, end, "down")
    assert bool(left_to_security([flood, load])[1].actions) == left


@pytest.mark.parametrize(("sampling", "said"), [(1.0, False), (2.0, True), (1000.0, True)])
def test_sampling_is_a_caution(sampling: float, said: bool) -> None:
    case = hour()
    case = replace(case, coverage=replace(case.coverage, sampling=sampling))
    assert (words.sampled(sampling) in cautions(case, [])) == said


@pytest.mark.parametrize(
    ("end", "said"),
    # The export ends at 3600 s; records of a minute that ended after 3540 s may be missing.
    [(3540, False), (3540.001, True), (3600, True)],
)
def test_a_window_that_reaches_into_the_last_records_is_told_to_lack_some(end: float, said: bool) -> None:
    book = Book()
    book.row(0, HOUR, way=DOWN, octets=1000)
    case = book.case(SITE, window=(0, end))
    assert (words.OPEN_RECORDS in cautions(case, [])) == said


@pytest.mark.parametrize(
    ("found", "lost", "said"),
    [
        ([finding("export-gap", 0, 5, severity="warning")], 0, True),
        ([finding("export-gap", 0, 5, severity="info")], 0, False),
        ([finding("link-full", 0, 5)], 0, False),
        ([], 10_000, True),
    ],
)
def test_what_is_missing_makes_figures_lower_bounds(found: list[Finding], lost: int, said: bool) -> None:
    case = hour()
    case = replace(case, coverage=replace(case.coverage, lost_records=lost))
    assert (words.LOWER_BOUNDS in cautions(case, found)) == said


# The client's part --------------------------------------------------------------------------------------------------


def test_two_other_troubles_are_told_and_no_third() -> None:
    first = finding("outage", 0, 5, link=None)
    others = [
        finding("below-plan", 30, 35), finding("link-full", 20, 25), finding("inbound-flood", 10, 15),
    ]  # fmt: skip
    sentence, also = client_part.told(hour(), first, [first], [first, *others])
    assert sentence == (
        "outage from 0 to 5. Besides, inbound-flood from 10 to 15. Besides, link-full from 20 to 25."
    )
    assert [one.code for one in also] == ["inbound-flood", "link-full"]


@pytest.mark.parametrize(
    ("share", "together"), [(0.45, True), (0.449, False), (0.5, True), (0.549, True), (0.551, False)]
)
def test_ceilings_a_twentieth_of_the_plan_apart_are_one(share: float, together: bool) -> None:
    first = finding("below-plan", 0, 5, evidence={"share_of_plan": 0.5})
    other = finding("below-plan", 10, 15, evidence={"share_of_plan": share})
    assert (client_part._group(first, [other, first]) == [first, other]) == together


@pytest.mark.parametrize(
    ("code", "end", "explained"),
    [
        ("on-backup", 5.001, True),  # more than half of the ten minutes
        ("on-backup", 5.0, False),
        ("outbound-scan", 10, True),
        ("below-plan", 10, False),  # brings no full line with it
        ("link-full", 10, False),
    ],
)
def test_a_trouble_explains_what_lies_mostly_in_its_time(code: str, end: float, explained: bool) -> None:
    assert client_part._is_explained(full(0, 10), [finding(code, 0, end)]) == explained


def test_no_trouble_explains_another_of_its_kind() -> None:
    assert not client_part._is_explained(finding("outage", 1, 2), [finding("outage", 0, 10)])


def test_a_span_is_a_millisecond_at_least_and_begins_at_zero_where_no_time_is_known() -> None:
    bare = Finding("outage", "critical", "high", "", "")
    spans = [(None, None), (None, 500), (1000, 1000), (1000, 1001), (1000, 2000)]
    assert [client_part._span(replace(bare, start_ms=a, end_ms=b)) for a, b in spans] == [
        (0, 1), (0, 500), (1000, 1001), (1000, 1001), (1000, 2000),
    ]  # fmt: skip


def test_the_last_of_several_stays_says_whether_the_site_is_still_on_its_backup() -> None:
    still, over = {"still_on_backup": True}, {"still_on_backup": False}
    for first, last, said in ((over, still, True), (still, over, False)):
        stays = [
            finding("on-backup", 5, 15, link="lte", evidence=first),
            finding("on-backup", 30, 50, link="lte", evidence=last),
        ]
        sentence = client_part._sentence(hour(), stays[0], stays)
        assert ("it has been on it since 10:30" in sentence) == said


def test_the_hosts_of_several_spells_are_those_of_the_first_where_all_say_the_same_of_them() -> None:
    def one(*hosts: tuple[str, float]) -> Finding:
        return full(0, 1, evidence={"hosts": [{"address": name, "share": share} for name, share in hosts]})

    first = one(("a", 0.9), ("b", 0.1))
    assert client_part._hosts([first, one(("a", 0.8), ("c", 0.2))]) == first.evidence["hosts"]
    assert client_part._hosts([first, one(("b", 0.9), ("a", 0.1))]) == []
    assert client_part._hosts([first, full(2, 3, evidence={"hosts": []})]) == []


def limit(link: int, direction: int, seconds: int, of: int = 1000) -> AtLimit:
    return AtLimit(link, direction, ((ms(0), ms(seconds)),), of * 1000, ((95.0, 99.0),))


def test_a_tenth_of_the_window_at_a_limit_is_worth_telling(monkeypatch: pytest.MonkeyPatch) -> None:
    limits = [limit(0, DOWN, 100), limit(1, UP, 99)]
    monkeypatch.setattr(client_part, "at_limit", lambda case: limits)
    case = hour()
    assert len(client_part._full_for_moments(case, finding("on-backup", 0, 5, link="lte"))) == 1
    limits[:] = [limit(0, DOWN, 300), limit(0, UP, 200), limit(1, DOWN, 150)]
    told = client_part._full_for_moments(case, finding("on-backup", 0, 5, link="lte"))
    assert [("download" in one, "upload" in one) for one in told] == [(True, False), (False, True)]


def test_beside_a_leak_the_primarys_longest_spell_and_its_fullest_time_are_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    limits = [limit(1, DOWN, 400), limit(0, DOWN, 300), limit(0, UP, 60)]
    rooms = [SimpleNamespace(link=link, share=share) for link, share in ((1, 0.9), (0, 0.70), (0, 0.1))]
    monkeypatch.setattr(client_part, "at_limit", lambda case: limits)
    monkeypatch.setattr(client_part, "room", lambda case: rooms)
    case, leak = hour(), finding("backup-leak", 0, 60, link="lte")
    assert "5 minutes" in client_part._main_line(case, leak)
    limits.clear()
    busy = client_part._main_line(case, leak)  # busy from seven tenths on
    assert "70%" in busy
    rooms[1].share = 0.69
    assert client_part._main_line(case, leak) != busy.replace("70%", "69%")
    rooms[1:] = []
    assert client_part._main_line(case, leak) == ""


# Comparisons --------------------------------------------------------------------------------------------------------


def test_of_two_thin_times_the_first_is_said() -> None:
    case = hour()
    place: Any = object()
    assert comparison._missing(case, case, (0.1, 0.2), [place]) == (
        "Only 10% of the time asked about is covered by records, which is too little to compare."
    )
    assert comparison._missing(case, case, (0.5, 0.5), [place]) is None
    assert comparison._missing(case, case, (0.499, 0.5), [place]) is not None


@pytest.mark.parametrize(
    ("first", "past", "inside"),
    [
        (20, 29, ()),
        (20, 30, ()),
        (20, 31, ((30, 31),)),
        (59, 70, ((59, 60),)),
        (60, 70, ()),
        (0, 90, ((30, 60),)),
    ],
)
def test_an_episode_counts_as_far_as_it_lies_in_the_window(
    first: int, past: int, inside: tuple[tuple[int, int], ...]
) -> None:
    book = Book()
    book.row(0, 2 * HOUR, way=DOWN, octets=1000)
    case = book.case(SITE, window=(30 * MINUTE, 60 * MINUTE))
    spans = comparison._inside(case, (Episode(0, DOWN, ((first, past),)),), 0, DOWN)
    assert spans == tuple((ms(a * MINUTE), ms(b * MINUTE)) for a, b in inside)


def pair(ours: tuple[float, float], theirs: tuple[float, float]) -> Any:
    asked, other = (
        SimpleNamespace(peak_mbps=peak, mean_mbps=mean, capacity_mbps=20.0) for peak, mean in (ours, theirs)
    )
    return comparison.Pair("fibre", "primary", "up", asked, other)  # type: ignore[arg-type]


def test_the_fullest_and_what_moved_most_are_parts_of_the_plan() -> None:
    assert comparison._highest(pair((10, 1), (5, 1))) == 0.5
    assert comparison._highest(pair((5, 1), (10, 1))) == 0.5
    assert comparison._moved(pair((10, 1), (5, 4))) == 0.25
    assert comparison._moved(pair((5, 9), (4, 1))) == 0.4
    assert comparison._moved(replace(pair((5, 9), (4, 1)), other=None)) == 0.0


@pytest.mark.parametrize(
    ("theirs", "differs"),
    [
        ((CALM, 0.10, 0.0), True),
        ((CALM, 0.0999, 0.0), False),
        ((CALM, 0.0, 0.10), True),
        ((CALM, 0.0, 0.0999), False),
        ((BUSY, 0.0, 0.0), True),
    ],
)
def test_a_tenth_of_the_plan_or_another_level_is_a_difference(
    theirs: tuple[int, float, float], differs: bool
) -> None:
    verdict, case = Verdict("not-the-link", "", "high"), hour()
    sides = [
        Side(case, verdict, Load(level, (), peak, mean)) for level, peak, mean in ((CALM, 0.0, 0.0), theirs)
    ]
    assert comparison._differs(sides[0], sides[1]) == differs
    assert comparison._differs(sides[1], sides[0]) == differs


@pytest.mark.parametrize(
    ("ours", "theirs", "differ"),
    [(0, 0, False), (100, 80, True), (100, 81, False), (80, 100, True), (0, 1, True)],
)
def test_volumes_a_fifth_apart_differ(ours: int, theirs: int, differ: bool) -> None:
    case = hour()
    moved: Any = SimpleNamespace(asked_octets=ours * 1e6, other_octets=theirs * 1e6)
    assert comparison._volumes_differ(moved, case, case) == differ


@pytest.mark.parametrize(
    ("seconds", "lost", "parts", "doubts"),
    [
        (3600, 0.0, (1.0, 1.0), 0),
        (3636, 0.0, (1.0, 1.0), 0),  # a hundredth longer
        (3637, 0.0, (1.0, 1.0), 1),
        (3563, 0.0, (1.0, 1.0), 1),
        (3600, LOSS_MINOR, (1.0, 1.0), 2),
        (3600, LOSS_MINOR * 0.999, (1.0, 1.0), 0),
        (3600, 0.0, (0.95, 0.95), 0),
        (3600, 0.0, (0.949, 0.95), 1),
    ],
)
def test_two_times_are_doubted_for_their_length_losses_and_cover(
    monkeypatch: pytest.MonkeyPatch, seconds: int, lost: float, parts: tuple[float, float], doubts: int
) -> None:
    monkeypatch.setattr(comparison, "lost_between", lambda case, begin, end: lost)
    case = hour()
    asked: Any = SimpleNamespace(case=case)
    other: Any = SimpleNamespace(case=replace(case, window_ms=(ms(0), ms(seconds))))
    about: Any = SimpleNamespace(asked=None, other=None)
    assert len(comparison._doubts(asked, other, parts, about)) == doubts


# Rankings -----------------------------------------------------------------------------------------------------------


def test_a_diagnosis_carries_twenty_rows_of_a_ranking() -> None:
    book = Book()
    for number in range(22):
        book.row(0, 60, way=DOWN, octets=1000 + number, inside=f"192.168.40.{20 + number}")
    assert len(diagnose(book.case(SITE)).talkers) == 20


# Leaks --------------------------------------------------------------------------------------------------------------


def leak_case(window: tuple[float, float] | None = None) -> tuple[Case, Any]:
    """Of the backup 18 MB in an hour, half an hour after as much on the primary began."""
    book = Book()
    book.row(0, HOUR, way=DOWN, octets=54_000_000)
    book.row(HOUR / 2, 1.5 * HOUR, way=DOWN, octets=18_000_000, link="lte", outside="203.0.113.77")
    case = book.case(profile(), span=(0, 2 * HOUR), window=window)
    return case, np.array([1])


@pytest.mark.parametrize(
    ("window", "share"),
    [
        ((0, 2 * HOUR), 0.25),
        ((0, HOUR), 0.1429),  # 9 of 9 + 54
        ((HOUR, 2 * HOUR), 1.0),
        ((0, HOUR / 2), 0.25),  # the leak is not in it: of all the export
    ],
)
def test_a_leak_has_its_share_of_the_window_or_of_the_export(
    window: tuple[float, float], share: float
) -> None:
    case, rows = leak_case(window)
    assert backup_leak._share(case, rows) == pytest.approx(share, abs=1e-4)


@pytest.mark.parametrize(("allowance", "passes"), [(12.96, False), (12.95, True)])
def test_a_leak_passes_an_allowance_that_is_less_than_its_month(allowance: float, passes: bool) -> None:
    """18 MB an hour are 432 MB a day and 12.96 GB in thirty days."""
    book = Book()
    book.row(0, HOUR - 1, way=DOWN, octets=18_000_000, link="lte")
    case = book.case(profile(allowance_gb=allowance), span=(0, HOUR - 1))
    found = backup_leak._finding(case, 1, np.array([0]))
    assert found.evidence["month_gb"] == 12.96
    assert found.evidence["passes_allowance"] == passes


# Ceilings -----------------------------------------------------------------------------------------------------------

SURE = Yielding(0.0, 0.5, 9.0, 9.0)
MOVING = Together(common=0.9, moved=0.3, uneven=0.1, transfers=5, hosts=3, places=4)
SHARES = FairShares(
    ceiling=1.0, uneven=0.12345, own_pace=1.0, crowding=1.0, transfers=99, hosts=7, places=9, largest=0.1,
    start_ms=0, end_ms=1,
)  # fmt: skip


@pytest.mark.parametrize(
    ("first", "past", "apart"),
    [(0, 10, True), (0, 11, False), (20, 30, True), (19, 30, False), (12, 14, False), (0, 60, False)],
)
def test_a_wandering_ceiling_is_added_where_no_level_is(
    monkeypatch: pytest.MonkeyPatch, first: int, past: int, apart: bool
) -> None:
    case = Book().case(SITE, span=(0, HOUR))
    time = Wandering(0, DOWN, ms(first * MINUTE), ms(past * MINUTE), 30.0, MOVING)
    monkeypatch.setattr(below_plan, "wandering", lambda case: (time,))
    monkeypatch.setattr(below_plan, "lasts", lambda case, time: True)
    monkeypatch.setattr(below_plan, "_level_of", lambda case, time: Level(first, past, 30.0, 0.1))
    proven = [(Level(10, 20, 30.0, 0.0), Proof(SURE, SURE))]
    found = below_plan._with_moving(case, 0, DOWN, proven)
    assert len(found) == 1 + apart
    assert sorted(level.first for level, _ in found) == [level.first for level, _ in found]
    assert below_plan._with_moving(case, 0, UP, proven) == proven


def test_five_records_are_asked_for_to_the_millisecond() -> None:
    case = Book().case(SITE, span=(0, HOUR), resolution_s=120)
    lasts = [
        below_plan.lasts(case, Wandering(0, DOWN, ms(0), ms(seconds), 30.0, MOVING))
        for seconds in (600, 599.9)
    ]
    assert lasts == [True, False]


def rising(minutes: int = 60) -> Case:
    """Downloads of 1, 2, 3 ... Mbit/s, a minute each."""
    book = Book()
    for minute in range(minutes):
        book.row(minute * MINUTE, (minute + 1) * MINUTE - 0.001, way=DOWN, octets=(minute + 1) * MBPS_MINUTE)
    return book.case(SITE)


@pytest.mark.parametrize(
    ("begin", "end", "expected"),
    [
        (600, 780, (10, 13, 12.0)),  # 11, 12, 13
        (571, 809, (10, 13, 12.0)),  # to the nearest minute
        (-600, 180, (0, 3, 2.0)),  # from the first minute of the export
        (3480, 9000, (58, 60, 59.5)),  # to its last one
    ],
)
def test_the_level_of_a_wandering_ceiling_is_the_median_of_its_minutes(
    begin: float, end: float, expected: tuple[int, int, float]
) -> None:
    level = below_plan._level_of(rising(), Wandering(0, DOWN, ms(begin), ms(end), 30.0, MOVING))
    assert (level.first, level.past, round(level.rate, 3)) == expected


def test_the_flatness_of_a_wandering_ceiling_is_its_deviation_over_its_mean() -> None:
    level = below_plan._level_of(rising(), Wandering(0, DOWN, ms(600), ms(780), 30.0, MOVING))
    assert level.flatness == pytest.approx((2 / 3) ** 0.5 / 12, rel=1e-3)


@pytest.mark.parametrize(
    ("rate", "episode", "held"),
    [
        (69.9, Episode(0, DOWN, ((15, 25),)), True),
        (70.0, Episode(0, DOWN, ((15, 25),)), False),  # busy itself
        (69.9, Episode(0, UP, ((15, 25),)), False),
        (69.9, Episode(0, DOWN, ((20, 25),)), False),
    ],
)
def test_an_episode_in_a_ceiling_under_the_busy_threshold_is_held_down(
    monkeypatch: pytest.MonkeyPatch, rate: float, episode: Episode, held: bool
) -> None:
    ceiling = Ceiling(0, DOWN, ((Level(10, 20, rate, 0.0), Proof(SURE, SURE)),))
    monkeypatch.setattr(below_plan, "ceilings", lambda case: (ceiling,))
    assert below_plan.held_down(Book().case(SITE, span=(0, HOUR)), episode) == held


@pytest.mark.parametrize(("change", "proven"), [(0.03, True), (0.0299, False)])
def test_conversations_that_keep_their_pace_prove_nothing(
    monkeypatch: pytest.MonkeyPatch, change: float, proven: bool
) -> None:
    monkeypatch.setattr(below_plan, "pace", lambda flows, rows: change)
    monkeypatch.setattr(below_plan, "_yielding", lambda *of: (SURE, SURE))
    found = below_plan._proof(rising(), 0, DOWN, Level(10, 50, 30.0, 0.04))
    assert (found is not None) == proven


@pytest.mark.parametrize(
    ("own_pace", "flatness", "minutes", "proven"),
    [(0.25, 0.03, 15, True), (0.249, 0.03, 15, False), (0.25, 0.031, 15, False), (0.25, 0.03, 14, False)],
)
def test_transfers_of_one_record_prove_an_unmistakable_level_by_the_pace_of_all(
    monkeypatch: pytest.MonkeyPatch, own_pace: float, flatness: float, minutes: int, proven: bool
) -> None:
    monkeypatch.setattr(below_plan, "pace", lambda flows, rows: None)
    monkeypatch.setattr(below_plan, "_yielding", lambda *of: (SURE, SURE))
    monkeypatch.setattr(
        below_plan, "fair_shares", lambda flows, rows: replace(SHARES, own_pace=own_pace, transfers=2)
    )
    found = below_plan._proof(rising(), 0, DOWN, Level(10, 10 + minutes, 30.0, flatness))
    assert (found is not None) == proven


def test_the_inner_minutes_of_a_level_leave_out_the_first_and_the_last() -> None:
    case = rising()
    inner = below_plan._inner(case, Level(10, 20, 30.0, 0.0))
    assert (inner.start_ms, inner.step_ms, inner.bins) == (ms(11 * MINUTE), 60_000, 8)
    # Of windows of ten seconds six are a minute.
    short = replace(case, usage=replace(case.usage, window_ms=10_000))
    inner = below_plan._inner(short, Level(60, 120, 30.0, 0.0))
    assert (inner.start_ms, inner.step_ms, inner.bins) == (ms(11 * MINUTE), 60_000, 8)


def test_levels_of_short_windows_are_grouped_by_minutes_with_the_last_before_them() -> None:
    case = rising()
    short = replace(case, usage=replace(case.usage, window_ms=10_000))
    proof = Proof(SURE, SURE)
    levels = [
        (Level(0, 60, 50.0, 0.0), proof),
        (Level(150, 200, 53.0, 0.0), proof),
        (Level(290, 350, 56.0, 0.0), proof),
    ]
    assert [len(group) for group in below_plan._grouped(short, levels)] == [3]
    # 54.1 is more than eight hundredths over 50.
    levels[2] = (Level(291, 350, 50.0, 0.0), proof)
    assert [len(group) for group in below_plan._grouped(short, levels)] == [2, 1]
    assert [len(group) for group in below_plan._grouped(short, levels[:1])] == [1]


def test_the_evidence_of_a_ceiling_of_two_levels() -> None:
    """Minutes at 11, 12, 13 and at 21, 22 Mbit/s of 100."""
    other = Yielding(0.12345, 0.5, 9.0, 3.0)
    levels = (
        (Level(10, 13, 12.0, 0.01234), Proof(SURE, other)),
        (Level(20, 22, 21.5, 0.02345), Proof(replace(other, ratio=0.2), SURE, shares=SHARES)),
    )
    found = below_plan._finding(rising(), Ceiling(0, DOWN, levels))
    evidence = {
        key: found.evidence[key]
        for key in found.evidence
        if key not in ("hosts", "applications", "destinations")
    }
    assert evidence == {
        "capacity_mbps": 100.0,
        "ceiling_mbps": 13.0,
        "share_of_plan": 0.13,
        "mean_mbps": 15.8,
        "peak_mbps": 22.0,
        "minutes_at_ceiling": 5,
        "flatness": 0.0234,
        "variance_ratio_hosts": 0.2,
        "variance_ratio_destinations": 0.1235,
        "unevenness": 0.1235,
        "moved_together": None,
        "hosts_active": 9,
        "spells": [
            {"from": "2026-03-02T10:10:00+00:00", "to": "2026-03-02T10:13:00+00:00"},
            {"from": "2026-03-02T10:20:00+00:00", "to": "2026-03-02T10:22:00+00:00"},
        ],
    }
    assert (found.start_ms, found.end_ms) == (ms(600), ms(1320))
    assert found.doubts == (below_plan.words.FEW_WINDOWS,)


@pytest.mark.parametrize(
    ("first", "past", "flatness", "moving", "resolution_s", "doubts"),
    [
        (10, 25, 0.03, None, 60, 0),
        (10, 24, 0.03, None, 60, 1),
        (10, 25, 0.031, None, 60, 1),
        (10, 25, 0.031, MOVING, 60, 0),
        (10, 25, 0.03, None, 900, 0),  # a record as long as the level
        (10, 25, 0.03, None, 901, 1),
    ],
)
def test_a_ceiling_is_sure_from_a_quarter_of_an_hour_on_if_it_is_very_flat(
    first: int, past: int, flatness: float, moving: Together | None, resolution_s: int, doubts: int
) -> None:
    case = rising()
    case = replace(case, coverage=replace(case.coverage, resolution_s=resolution_s))
    ceiling = Ceiling(0, DOWN, ((Level(first, past, 30.0, flatness), Proof(SURE, SURE, moving=moving)),))
    found = below_plan._finding(case, ceiling)
    assert len(found.doubts) == doubts
    assert "spells" not in found.evidence
    assert found.evidence["moved_together"] == (0.9 if moving else None)
    assert found.evidence["hosts_active"] == (3 if moving else 9)
