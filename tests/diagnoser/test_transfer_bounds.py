"""Stays on a backup, levels of transfers and attempts by their own functions, on the smallest cases that tell them apart."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals import (
    attempts,
    even_transfers,
    failovers,
    held_levels,
    low_levels,
    moving_ceiling,
)
from flowdiag.diagnoser.signals.at_limit import AtLimit
from flowdiag.diagnoser.signals.episodes import Episode, Episodes
from flowdiag.diagnoser.signals.failovers import Failover
from flowdiag.diagnoser.signals.fair_shares import FairShares, _deviation, _smallest_of_most, fair_shares
from flowdiag.diagnoser.signals.flat_top import Level, pace, yielding
from flowdiag.diagnoser.signals.held_levels import HeldLevel
from flowdiag.diagnoser.signals.shares import _top
from flowdiag.diagnoser.signals.timeline import Grid
from tests.diagnoser.building import SYN, UDP, Book, ms, profile

HOUR = 3600
SITE = profile(backup=False)
NONE = np.zeros(0, np.intp)


def rows_of(
    *rows: dict[str, Any], span: tuple[float, float] = (0, HOUR), site: Any = None, **more: Any
) -> Case:
    book = Book()
    for row in rows:
        how: dict[str, Any] = {"way": DOWN, "octets": 1000, **row}
        book.row(how.pop("start", 0), how.pop("end", 1), **how)
    return book.case(site or profile(), span=span, **more)


# Stays on a backup --------------------------------------------------------------------------------------------------


def scene(
    label: str,
    *,
    backup: list[float] | None = None,
    primary: list[float] | None = None,
    case: Case | None = None,
    **more: Any,
) -> Any:
    """A scene by its bins of ten seconds: p where the primary is in use, b where the backup alone is, . where none is."""
    size = len(label)
    flows: Any = None if case is None else case.flows
    how: dict[str, Any] = {
        "backup": NONE, "primary": NONE,
        "backup_octets": np.array(backup if backup is not None else [1e6 * (sign == "b") for sign in label], float),
        "primary_octets": np.array(primary if primary is not None else [1e6 * (sign == "p") for sign in label], float),
        "primary_used": np.array([sign == "p" for sign in label]), "alone": np.array([sign == "b" for sign in label]),
        "recorded": np.ones(size, np.bool_), "primary_first": NONE, "primary_last": NONE, **more,
    }  # fmt: skip
    return failovers._Scene(flows, Grid(ms(0), 10_000, size), **how)


@pytest.mark.parametrize(
    ("label", "stays"),
    [
        ("ppbbpp", [(2, 4)]),
        ("pp.b.b.pp", [(3, 6)]),  # nothing between two uses of the backup parts them
        ("bbpp", [(0, 2)]),
        ("ppbb", [(2, 4)]),
        ("ppbpbp", [(2, 3), (4, 5)]),
        ("pppp", []),
        ("....", []),
        ("b", [(0, 1)]),
    ],
)
def test_a_stay_is_from_one_use_of_the_primary_to_the_next(label: str, stays: list[tuple[int, int]]) -> None:
    assert failovers._stays(scene(label)) == stays


@pytest.mark.parametrize(("back", "joined"), [(99.9, True), (100.0, False)])
def test_a_return_under_a_fifth_of_what_the_backup_carried_at_its_least_is_a_trickle(
    back: float, joined: bool
) -> None:
    """600 and 500 a bin on average; a fifth of 500 is 100."""
    told = scene(
        "pbbppbp", backup=[0, 400, 800, 0, 0, 500, 0], primary=[9e9, 0, 0, 0, 2 * back, 0, 9e9],
    )  # fmt: skip
    assert failovers._stays(told) == ([(1, 6)] if joined else [(1, 3), (5, 6)])


def credible(
    monkeypatch: pytest.MonkeyPatch, told: Any, stays: list[tuple[int, int]]
) -> list[tuple[int, int]]:
    """Those stays that are, where the backup talks to nine places meanwhile and the primary to none."""
    monkeypatch.setattr(failovers, "_places", lambda scene, stay: (9, 0))
    return failovers._credible(told, stays)


@pytest.mark.parametrize(
    ("label", "octets", "kept"),
    [
        # Half of 10,000 octets moved, and a silence of the primary that chance brings once in ten thousand.
        ("p" * 30 + "bbbb" + "p" * 30, 1250, True),
        ("p" * 30 + "bbbb" + "p" * 30, 1249.9, False),
        ("pppppppppp." * 3 + "bbbb" + "pppppppppp." * 3, 1250, True),  # 60 of 66: 0.0909^4 = 0.00007
        ("pppppppppp." * 3 + "bbb" + "pppppppppp." * 3, 2000, False),
    ],
)
def test_a_stay_moves_a_page_and_the_primarys_silence_is_no_accident(
    monkeypatch: pytest.MonkeyPatch, label: str, octets: float, kept: bool
) -> None:
    told = scene(label, backup=[octets * (sign == "b") for sign in label])
    stay = (label.index("b"), label.rindex("b") + 1)
    assert credible(monkeypatch, told, [stay]) == ([stay] if kept else [])


@pytest.mark.parametrize(
    ("stray", "kept"),
    [
        # Two silences of three bins each are too short by themselves, and together long enough.
        (0.0, 2),
        (1333.0, 2),  # a tenth of all that the backup carried: 12,000 and 1,333
        (1334.0, 0),
    ],
)
def test_short_stays_prove_each_other_where_the_backup_is_used_at_no_other_time(
    monkeypatch: pytest.MonkeyPatch, stray: float, kept: int
) -> None:
    label = "pppppppppp." * 3 + "bbb" + "pppppppppp." * 3 + "bbb" + "pppppppppp." * 3
    backup = [2000.0 * (sign == "b") for sign in label]
    backup[5] = stray
    stays = [(33, 36), (69, 72)]
    assert len(credible(monkeypatch, scene(label, backup=backup), stays)) == kept


@pytest.mark.parametrize(("at", "kept"), [(31, 0), (32, 2), (38, 2), (39, 0)])
def test_what_runs_right_before_or_up_to_half_a_minute_after_a_stay_is_of_it(
    monkeypatch: pytest.MonkeyPatch, at: int, kept: int
) -> None:
    label = "pppppppppp." * 3 + "bbb" + "pppppppppp." * 3 + "bbb" + "pppppppppp." * 3
    backup = [2000.0 * (sign == "b") for sign in label]
    backup[at] = 9000.0
    assert len(credible(monkeypatch, scene(label, backup=backup), [(33, 36), (69, 72)])) == kept


def test_what_the_primary_talks_to_in_a_stay_are_records_within_it() -> None:
    rows: list[dict[str, Any]] = [
        {"start": 100, "end": 129, "outside": "203.0.113.1"},
        {"start": 99, "end": 110, "outside": "203.0.113.2"},  # from before
        {"start": 110, "end": 130, "outside": "203.0.113.3"},  # to after
        {"start": 100, "end": 101, "link": "lte", "outside": "203.0.113.4"},
        {"start": 90, "end": 100, "link": "lte", "outside": "203.0.113.5"},
        {"start": 129.999, "end": 200, "link": "lte", "outside": "203.0.113.5"},
        {"start": 130, "end": 200, "link": "lte", "outside": "203.0.113.6"},
        {"start": 90, "end": 99.999, "link": "lte", "outside": "203.0.113.7"},
    ]
    case = rows_of(*rows)
    primary, backup = np.arange(3), np.arange(3, 8)
    grid = Grid(ms(0), 10_000, 30)
    told = scene(
        "." * 30, case=case, primary=[0.0] * 30, backup=[0.0] * 30,
    )  # fmt: skip
    told = replace(
        told, primary=primary, backup=backup, primary_first=grid.bin_of(case.flows.start_ms[primary]),
        primary_last=grid.bin_of(case.flows.end_ms[primary]),
    )  # fmt: skip
    assert failovers._places(told, (10, 13)) == (2, 1)


def failover(begin: float, end: float) -> Failover:
    return Failover(1, ms(begin), ms(end), 0, 0.0, 0.0, False, False)


@pytest.mark.parametrize(
    ("starts", "episodes", "explained"),
    [
        ([589.999, 590, 600, 1000, 1119.999, 1120], [(600, 1000)], [False, True, True, True, True, False]),
        # Half an hour between two of them belongs to them, and no more.
        ([2000], [(600, 1000), (2800, 3000)], [True]),
        ([2000], [(600, 1000), (2800.001, 3000)], [False]),
        ([2789], [(600, 1000), (2800.001, 3000)], [False]),
        ([2791], [(600, 1000), (2800.001, 3000)], [True]),
        ([5], [], [False]),
    ],
)
def test_what_begins_in_a_stay_or_shortly_after_is_explained_by_it(
    starts: list[float], episodes: list[tuple[float, float]], explained: list[bool]
) -> None:
    case = rows_of(
        *({"start": at, "end": at, "link": "lte", "inside_port": n} for n, at in enumerate(starts))
    )
    found = failovers._explained(
        case.flows, np.arange(len(starts)), tuple(failover(*one) for one in episodes)
    )
    assert found.tolist() == explained


def test_a_conversation_that_ran_in_a_stay_goes_on_from_it_but_does_not_begin_before() -> None:
    same: dict[str, Any] = {"link": "lte", "inside_port": 7}
    case = rows_of(
        *({"start": at, "end": at, **same} for at in (100, 700, 3000)),
        {"start": 3000, "end": 3000, "link": "lte"},
    )
    found = failovers._explained(case.flows, np.arange(4), (failover(600, 1000),))
    assert found.tolist() == [False, True, True, False]


# Attempts -----------------------------------------------------------------------------------------------------------


def attempted(monkeypatch: pytest.MonkeyPatch, *starts: float, stays: Any = (), dead: Any = ()) -> list[int]:
    case = rows_of(
        *({"start": at, "end": at, "way": UP, "flags": SYN, "inside_port": n} for n, at in enumerate(starts))
    )
    ordinary = np.ones(len(starts), np.bool_)
    monkeypatch.setattr(attempts, "link_states", lambda case: SimpleNamespace(ordinary=ordinary))
    monkeypatch.setattr(attempts, "outages", lambda case: dead)
    monkeypatch.setattr(attempts, "failovers", lambda case: SimpleNamespace(episodes=stays))
    found: list[int] = attempts.connection_attempts(case).tolist()
    return found


def test_what_is_tried_within_a_minute_of_an_outage_or_a_switch_says_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    dead = [SimpleNamespace(start_ms=ms(600), end_ms=ms(900))]
    assert attempted(monkeypatch, 539.999, 540, 700, 960, 960.001, dead=dead) == [0, 4]
    stay = replace(failover(600, 900), gap_ms=30_000)
    assert attempted(monkeypatch, 509.999, 510, 600, 660, 660.001, 900, stays=[stay]) == [0, 4, 5]
    assert attempted(monkeypatch, 539.999, 540, stays=[replace(stay, gap_ms=None)]) == [0]


@pytest.mark.parametrize(
    ("row", "tried"),
    [
        ({}, True),
        ({"protocol": UDP, "port": 53}, True),
        ({"protocol": UDP, "port": 54}, False),
        ({"way": DOWN}, False),
        ({"opened_inside": 0}, False),
        ({"opened_inside": -1}, True),
    ],
)
def test_what_inside_hosts_open_is_an_attempt(
    monkeypatch: pytest.MonkeyPatch, row: dict[str, Any], tried: bool
) -> None:
    case = rows_of({"way": UP, **row})
    monkeypatch.setattr(attempts, "link_states", lambda case: SimpleNamespace(ordinary=np.ones(1, np.bool_)))
    monkeypatch.setattr(attempts, "outages", lambda case: ())
    monkeypatch.setattr(attempts, "failovers", lambda case: SimpleNamespace(episodes=()))
    assert len(attempts.connection_attempts(case)) == tried


@pytest.mark.parametrize(
    ("flags", "packets", "octets", "sampling", "bare"),
    [
        (0x02, 99, 9900, 1, True),
        (0x12, 1, 60, 1, False),
        (0x10, 1, 60, 1, False),
        (0, 1, 60, 1, False),
        (-1, 12, 960, 1, True),
        (-1, 13, 960, 1, False),
        (-1, 12, 961, 1, False),
        (-1, 24, 960, 2, True),
        (-1, 25, 960, 2, False),
    ],
)
def test_a_syn_is_told_by_its_flags_or_by_few_and_small_packets(
    flags: int, packets: float, octets: float, sampling: int, bare: bool
) -> None:
    case = rows_of({"flags": flags, "packets": packets, "octets": octets, "sampling": sampling})
    assert attempts.bare_syn(case.flows).tolist() == [bare]
    other = rows_of({"flags": flags, "packets": packets, "octets": octets, "protocol": UDP})
    assert attempts.bare_syn(other.flows).tolist() == [False]


@pytest.mark.parametrize(("replies", "poorly"), [(4, False), (3, True)])
def test_an_address_that_leaves_a_fifth_without_an_answer_is_looked_at(replies: int, poorly: bool) -> None:
    rows = [{"way": UP, "protocol": UDP, "port": 53} for _ in range(5)]
    rows += [{"protocol": UDP, "port": 53} for _ in range(replies)] + [
        {"port": 53},
        {"protocol": UDP, "port": 54},
    ]
    case = rows_of(*rows)
    assert attempts._poorly_answered(case.flows, case.flows.outside[:5]).tolist() == [poorly] * 5


@pytest.mark.parametrize(
    ("row", "answers"),
    [
        ({"flags": 0x12}, True),
        ({"flags": 0x14}, True),
        ({"flags": 0x04}, False),
        ({"flags": -1}, True),
        ({"flags": 0}, False),
        ({"flags": 0x12, "way": UP}, False),
        ({"flags": 0x12, "port": 80}, False),
        ({"flags": 0x12, "protocol": UDP}, False),
    ],
)
def test_who_answers_over_tcp(row: dict[str, Any], answers: bool) -> None:
    case = rows_of({"port": 443, **row}, {"outside": "203.0.113.77"})
    assert attempts._answers_by_tcp(case.flows)[case.flows.outside[0]] == answers


@pytest.mark.parametrize(
    ("row", "probes"),
    [
        ({"protocol": 1, "port": 2048, "packets": 12}, True),
        ({"protocol": 1, "port": 2048, "packets": 13}, False),
        ({"protocol": 1, "port": 0, "packets": 1}, False),
        ({"protocol": 58, "port": 128 << 8, "packets": 12}, True),
        ({"protocol": 58, "port": 129 << 8, "packets": 1}, False),
        ({"protocol": 58, "port": 2048, "packets": 1}, False),
        ({"protocol": 1, "port": 2048, "packets": 1, "opened_inside": 0}, True),
        ({"protocol": UDP, "packets": 12}, True),
        ({"protocol": UDP, "packets": 12, "opened_inside": 0}, False),
        ({"protocol": UDP, "packets": 12, "way": DOWN}, False),
        ({"flags": SYN, "packets": 99}, True),
    ],
)
def test_a_probe_only_touches(row: dict[str, Any], probes: bool) -> None:
    case = rows_of({"way": UP, "flags": 0, **row})
    assert attempts.probing(case.flows, np.ones(1, np.bool_)).tolist() == ([0] if probes else [])
    assert len(attempts.probing(case.flows, np.zeros(1, np.bool_))) == 0


# Equal and fair shares ----------------------------------------------------------------------------------------------


def test_the_smallest_of_the_fewest_that_have_three_quarters() -> None:
    assert _smallest_of_most(np.array([10.0, 50.0, 25.0, 15.0])) == 25.0
    assert _smallest_of_most(np.array([10.0, 50.0, 24.0, 16.0])) == 16.0
    assert _smallest_of_most(np.array([1.0])) == 1.0
    assert _smallest_of_most(np.zeros(0)) == 0.0


def test_deviations_are_weighted_and_relative() -> None:
    assert _deviation(np.array([1.0, 3.0]), np.array([1.0, 1.0])) == 0.5
    assert _deviation(np.array([1.0, 5.0]), np.array([3.0, 1.0])) == pytest.approx(3**0.5 / 2)


def test_who_has_a_two_hundredth_competes_unless_smaller_ones_make_most_of_it() -> None:
    def transfers(*octets: float) -> int:
        case = rows_of(*({"octets": many, "end": 60, "inside_port": n} for n, many in enumerate(octets)))
        found = fair_shares(case.flows, np.arange(len(octets)))
        return 0 if found is None else found.transfers

    assert transfers(9900, 9900, 100, 100) == 4  # of 20,000
    assert transfers(9900, 9902, 99, 99) == 2
    assert transfers(*[10] * 1000) == 1000
    assert transfers(1000) == 0
    assert transfers() == 0


EQUAL = FairShares(
    ceiling=1.0, uneven=0.0, own_pace=0.0, crowding=0.0, transfers=9, hosts=9, places=9, largest=0.1,
    start_ms=ms(1200), end_ms=ms(2400),
)  # fmt: skip


@pytest.mark.parametrize(
    ("minutes", "flatness", "begin", "end", "even"),
    [
        (20, 0.03, 1200, 2400, True),
        (20, 0.031, 1200, 2400, False),
        (14, 0.03, 1200, 2040, False),
        (15, 0.03, 1200, 2100, True),
        (20, 0.03, 1080, 2400, True),  # two minutes are its begin
        (20, 0.03, 1079.999, 2400, False),
        (20, 0.03, 1200, 2520, True),
        (20, 0.03, 1200, 2520.001, False),
        (20, 0.03, 1320.001, 2400, False),
    ],
)
def test_equal_transfers_begin_and_end_with_their_level(
    monkeypatch: pytest.MonkeyPatch, minutes: int, flatness: float, begin: float, end: float, even: bool
) -> None:
    shares = replace(EQUAL, start_ms=ms(begin), end_ms=ms(end))
    monkeypatch.setattr(even_transfers, "fair_shares", lambda flows, rows: shares)
    case = rows_of({"end": HOUR})
    found = even_transfers._even(case, 0, DOWN, Level(20, 20 + minutes, 40.0, flatness))
    assert (found is not None) == even
    if found:
        assert (found.start_ms, found.end_ms, found.rate_mbps) == (ms(1200), ms(1200 + 60 * minutes), 40.0)


def test_transfers_up_to_a_quarter_of_an_hour_around_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[int] = []
    monkeypatch.setattr(even_transfers, "fair_shares", lambda flows, rows: seen.append(len(rows)))
    rows: list[dict[str, Any]] = [
        {"start": 299, "end": 299.999}, {"start": 299, "end": 300.001}, {"start": 3299, "end": 3300},
        {"start": 3300, "end": 3301}, {"start": 1300, "end": 1400, "protocol": UDP},
        {"start": 1300, "end": 1400, "packets": 100},
    ]  # fmt: skip
    case = rows_of(*rows)
    even_transfers._even(case, 0, DOWN, Level(20, 40, 40.0, 0.0))
    assert seen == [2]


@pytest.mark.parametrize(
    ("window", "resolution_s", "apart", "found"),
    [
        ((0, 1200), 60, True, 0),
        ((0, 1200.001), 60, True, 1),
        ((2400, 3000), 60, True, 0),
        ((2399.999, 3000), 60, True, 1),
        ((0, 3600), 300, True, 0),
        ((0, 3600), 299, True, 1),
        ((0, 3600), 60, False, 0),
    ],
)
def test_equal_transfers_of_the_time_looked_at(
    monkeypatch: pytest.MonkeyPatch, window: tuple[float, float], resolution_s: int, apart: bool, found: int
) -> None:
    level = Level(20, 40, 40.0, 0.0)
    monkeypatch.setattr(even_transfers, "fair_shares", lambda flows, rows: EQUAL)
    monkeypatch.setattr(
        even_transfers, "candidates", lambda case, link, way: [level] if (link, way) == (0, DOWN) else []
    )
    case = rows_of({"end": HOUR}, window=window, resolution_s=resolution_s, links_apart=apart)
    assert len(even_transfers.even_transfers(case)) == found


# Levels -------------------------------------------------------------------------------------------------------------


def test_parts_that_give_and_take_have_a_steady_sum() -> None:
    """Two hosts that change places each minute, 2 and 1 octets a second and the other way round, and one that keeps 3."""
    rows: list[dict[str, Any]] = []
    for minute in range(10):
        for host, rate in ((20, 2 - minute % 2), (21, 1 + minute % 2), (22, 3)):
            rows.append({
                "start": 60 * minute, "end": 60 * minute + 59.999, "octets": 60 * rate, "inside": f"192.168.40.{host}",
            })  # fmt: skip
    case = rows_of(*rows)
    grid = Grid(ms(0), 60_000, 10)
    told = yielding(case.flows, np.arange(30), case.flows.inside, grid)
    assert told.ratio == pytest.approx(0.0, abs=1e-6)
    # Each of the two has 60 or 120 octets a minute: a variance of 900. The sum is 360.
    assert told.spread == pytest.approx(1800**0.5 / 360, rel=1e-3)
    assert told.parts == pytest.approx(2.0, rel=1e-3)
    assert told.active == pytest.approx(3.0)


def test_a_part_is_active_from_two_hundredths_of_a_window_on() -> None:
    for small, active in ((20.0, 2.0), (19.9, 1.0)):
        rows = [
            {"start": 60 * m, "end": 60 * m + 59.999, "octets": (1000 - small) * (1 + m)} for m in range(4)
        ]
        rows += [
            {"start": 60 * m, "end": 60 * m + 59.999, "octets": small * (1 + m), "inside": "192.168.40.21"}
            for m in range(4)
        ]
        case = rows_of(*rows)
        told = yielding(case.flows, np.arange(8), case.flows.inside, Grid(ms(0), 60_000, 4))
        assert told.active == active
        assert told.ratio > 1.0


def test_the_pace_of_conversations_is_their_deviation_by_octets() -> None:
    """One at 100 and 300 octets a second, 200 on average and a deviation of a half; one at 400 throughout."""
    rows: list[dict[str, Any]] = [
        {"end": 10, "octets": 1000}, {"start": 20, "end": 30, "octets": 3000},
        {"end": 10, "octets": 4000, "inside_port": 9}, {"start": 20, "end": 40, "octets": 8000, "inside_port": 9},
    ]  # fmt: skip
    flows = rows_of(*rows).flows
    assert pace(flows, np.arange(4)) == pytest.approx(0.5 * 4000 / 16_000)
    assert pace(flows, np.arange(2)) == pytest.approx(0.5)
    assert pace(flows, np.arange(1)) is None


@pytest.mark.parametrize(
    ("part", "held"),
    [
        ((0, 10), True),
        ((0, 9), False),
        ((11, 20), False),
        ((10, 20), True),
        ((5, 15), True),
        ((6, 14), False),
    ],
)
def test_half_of_a_level_in_a_full_time(
    monkeypatch: pytest.MonkeyPatch, part: tuple[int, int], held: bool
) -> None:
    full = Episodes((Episode(0, UP, (part,)),), ())
    monkeypatch.setattr(low_levels, "episodes", lambda case: full)
    assert low_levels.held_by_a_full_link(rows_of({"end": HOUR}), 0, Level(0, 20, 40.0, 0.0)) == held
    assert not low_levels.held_by_a_full_link(rows_of({"end": HOUR}), 1, Level(0, 20, 40.0, 0.0))


@pytest.mark.parametrize(
    ("window_ms", "a_minute", "minutes"), [(60_000, 1, 7), (10_000, 6, 2), (30_000, 2, 4), (90_000, 1, 7)]
)
def test_levels_are_counted_in_minutes(window_ms: int, a_minute: int, minutes: int) -> None:
    case: Any = SimpleNamespace(usage=SimpleNamespace(window_ms=window_ms))
    assert low_levels.windows_a_minute(case) == a_minute
    assert low_levels.minutes_of(case, Level(3, 10, 40.0, 0.0)) == minutes


LEVEL = HeldLevel(0, DOWN, 40.0, 0.4, ms(100), ms(200), 3, 2, 2, 0.01, True)


@pytest.mark.parametrize(
    ("begin", "end", "link", "told"),
    [
        (0, 100, 0, False),
        (0, 100.001, 0, True),
        (200, 300, 0, False),
        (199.999, 300, 0, True),
        (120, 130, 1, False),
    ],
)
def test_a_level_is_told_where_a_limit_overlaps_it(begin: float, end: float, link: int, told: bool) -> None:
    limit = AtLimit(link, DOWN, ((ms(begin), ms(end)),), 99, ((1.0, 1.0),))
    assert held_levels.is_told(LEVEL, [limit]) == told
    assert not held_levels.is_told(LEVEL, [replace(limit, direction=UP)])


@pytest.mark.parametrize(
    ("level", "lines"),
    [({}, True), ({"hosts": 1}, False), ({"places": 1}, False), ({"gives_way": False}, False)],
)
def test_a_level_is_the_lines_where_neither_a_host_nor_a_place_explains_it(
    level: dict[str, Any], lines: bool
) -> None:
    assert replace(LEVEL, **level).is_the_lines == lines


def surpassed(rate: list[float], higher: float = 1.1, resolution_s: int = 5) -> bool:
    """Whether a level of 40 in the bins of five seconds from 200 to 219 was, with this rate from bin 0 on."""
    grid = Grid(ms(0), 5000, len(rate))
    traffic = held_levels._Traffic(NONE, NONE, np.zeros(0, np.bool_), grid, np.array(rate), np.array(rate))
    level = replace(LEVEL, start_ms=ms(1000), end_ms=ms(1100))
    return held_levels._was_surpassed(
        rows_of({"end": HOUR}, resolution_s=resolution_s), traffic, level, higher
    )


@pytest.mark.parametrize(
    ("above", "resolution_s", "expected"),
    [
        ({300: 44.1, 301: 44.1, 302: 44.1}, 5, True),
        ({300: 44.0, 301: 44.0, 302: 44.0}, 5, False),
        ({300: 44.1, 301: 44.1}, 5, False),
        ({300: 66.2, 301: 66.2}, 5, True),  # on average over three
        # A quarter of an hour around: bins 20 to 399.
        ({19: 50, 20: 50, 21: 50}, 5, False),
        ({20: 50, 21: 50, 22: 50}, 5, True),
        ({397: 50, 398: 50, 399: 50}, 5, True),
        ({398: 50, 399: 50, 400: 50}, 5, False),
        ({300: 50, 301: 50, 302: 50, 303: 50, 304: 50}, 10, False),  # records of ten seconds: six bins
        ({300: 50, 301: 50, 302: 50, 303: 50, 304: 50, 305: 50}, 10, True),
    ],
)
def test_a_level_is_surpassed_by_a_tenth_more_for_three_records(
    above: dict[int, float], resolution_s: int, expected: bool
) -> None:
    rate = [0.0] * 450
    for place, value in above.items():
        rate[place] = value
    assert surpassed(rate, resolution_s=resolution_s) == expected
    assert not surpassed([50.0] * 2)


# Moving together ----------------------------------------------------------------------------------------------------


def test_deviations_about_each_transfers_mean_by_octets() -> None:
    rates = np.array([1.0, 3.0]), np.array([5.0, 5.0])
    quotients = np.array([0.0, 4.0]), np.array([2.0, 2.0])
    weights = np.array([1.0, 3.0]), np.array([2.0, 2.0])
    moved, left, parts = moving_ceiling._deviations(list(zip(rates, quotients, weights, strict=True)))
    # About 2.5: 1 x 2.25 + 3 x 0.25 = 3 of 8 octets; about 3: 1 x 9 + 3 x 1 = 12 of 8.
    assert (moved, left, parts) == (pytest.approx((3 / 8) ** 0.5), pytest.approx((12 / 8) ** 0.5), [3.0, 2.0])


def test_a_record_is_foretold_where_others_ran_beside_it() -> None:
    rows: list[dict[str, Any]] = [
        {"end": 10, "octets": 5000},
        {"start": 10, "end": 20, "octets": 2500},
        {"start": 20, "end": 30},
    ]
    case = rows_of(*rows)
    grid = Grid(ms(0), 5000, 6)
    others, running = np.array([1000.0, 1000, 500, 500, 0, 0]), np.array([2, 2, 1, 1, 0, 0])
    rate, quotient, octets = moving_ceiling._quotients(case.flows, np.arange(3), grid, others, running)
    assert octets.tolist() == [5000, 2500]
    assert np.exp(rate).tolist() == pytest.approx([0.5, 0.25])
    # The mean of the others is 500 a bin: 1,000 in each record.
    assert np.exp(quotient).tolist() == pytest.approx([5.0, 2.5])
    # Where nobody else ran for more than a hundredth of a record, there is nothing to foretell it by.
    alone = moving_ceiling._quotients(case.flows, np.arange(1), grid, others, np.array([2, 0, 1, 1, 0, 0]))
    assert len(alone[2]) == 0


def moving(transfers: int, records: int = 2, length: float = 10, begin: float = 0, end: float = 20) -> Any:
    """Transfers with so many records each, at two octets a millisecond and then at one, all alike."""
    rows = [
        {"start": record * length, "end": (record + 1) * length, "octets": (2 - record % 2) * length * 1000,
         "inside": f"192.168.40.{20 + number}", "outside": f"203.0.113.{1 + number}"}
        for number in range(transfers) for record in range(records)
    ]  # fmt: skip
    flows = rows_of(*rows).flows
    return moving_ceiling.together(flows, np.arange(len(rows)), ms(begin), ms(end))


def test_three_transfers_of_two_records_of_five_seconds_are_compared() -> None:
    found = moving(3)
    assert (found.transfers, found.hosts, found.places) == (3, 3, 3)
    assert found.common == pytest.approx(1.0)
    # Logarithms of 2 and 1 with weights 2 and 1: a deviation of ln 2 x sqrt(2)/3.
    assert found.moved == pytest.approx(np.log(2) * 2**0.5 / 3)
    assert found.uneven == pytest.approx(0.0)
    assert moving(2) is None
    assert moving(3, records=1) is None
    assert moving(3, length=5, end=10).transfers == 3
    assert moving(3, length=4.999, end=10) is None
    assert moving(3, begin=0.001) is None
    assert moving(3, end=19.999) is None
    assert moving(41).transfers == 40


# Who is listed ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sums", "listed"),
    [
        ([1, 2, 3], [(2, 0.5), (1, 0.3333), (0, 0.1667)]),
        ([2, 2, 0], [(0, 0.5), (1, 0.5)]),
        ([0, 0], []),
        ([10, 10, 10, 10, 10, 10, 1], [(n, 0.1639) for n in range(6)]),
        ([100, 1, 1, 1, 1, 1, 1], [(0, 0.9434), *((n, 0.0094) for n in range(1, 5))]),
        ([1] * 12, [(n, 0.0833) for n in range(10)]),
    ],
)
def test_the_largest_are_listed_with_their_shares(sums: list[float], listed: list[tuple[int, float]]) -> None:
    names = tuple(f"name {number:02}" for number in range(len(sums)))
    assert _top(np.array(sums, float), names) == listed


# What primary and backup did ----------------------------------------------------------------------------------------


def used(*rows: dict[str, Any]) -> tuple[list[int], list[int], list[int]]:
    """Bins in which the primary is in use, the backup alone is, and something was recorded."""
    case = rows_of(*rows, span=(0, 119))
    backup = np.flatnonzero(case.flows.link == 1)
    told = failovers._scene(case, backup, np.ones(len(rows), np.bool_))
    found = [np.flatnonzero(bins).tolist() for bins in (told.primary_used, told.alone, told.recorded)]
    return found[0], found[1], found[2]


LTE: dict[str, Any] = {"link": "lte", "start": 20, "end": 21}


@pytest.mark.parametrize(
    ("primary", "backup", "primary_used", "alone"),
    [
        ([500], [], True, False),
        ([499], [], False, False),
        ([], [500], False, True),
        ([], [499], False, False),
        # More than a twentieth of the octets, or more than a fifth of what starts.
        ([1001], [19_000 / 9] * 9, True, False),
        ([1000], [19_000 / 9] * 9, False, True),
        ([1000], [19_000 / 4] * 4, False, True),
        ([1000], [19_000 / 3] * 3, True, False),
        ([1000], [100.0], True, False),
    ],
)
def test_a_bin_is_in_use_from_400_bits_a_second_on(
    primary: list[float], backup: list[float], primary_used: bool, alone: bool
) -> None:
    rows = [{"start": 20, "end": 21, "octets": octets} for octets in primary]
    rows += [{**LTE, "octets": octets, "inside_port": n} for n, octets in enumerate(backup)]
    found = used(*rows)
    assert found[:2] == ([2] if primary_used else [], [2] if alone else [])


def test_what_is_recorded_reaches_from_the_first_record_to_the_last() -> None:
    assert used({"start": 20, "end": 21}, {"start": 40, "end": 59.999})[2] == [2, 3, 4, 5]


def test_downloads_prove_a_link_where_there_are_any_and_uploads_where_there_are_none() -> None:
    up = {"start": 20, "end": 21, "way": UP}
    assert used(up)[0] == [2]
    assert used(up, {"start": 40, "end": 41})[0] == [4]
    assert used({**LTE, "way": UP}, {"start": 40, "end": 41})[1] == [2]  # the backup has no downloads at all
    both = [{**LTE, "way": UP}, {**LTE, "start": 60, "end": 61}, {"start": 40, "end": 41}]
    assert used(*both)[1] == [6]


@pytest.mark.parametrize(
    ("last", "export_end", "back", "still", "end"),
    [
        (300, 600, None, True, 600),  # used within five minutes of the end
        (299.999, 600, None, False, 299.999),
        (300, 600, 400, False, 400),
    ],
)
def test_a_stay_ends_with_the_primarys_return_with_the_export_or_with_its_last_record(
    last: float, export_end: float, back: float | None, still: bool, end: float
) -> None:
    rows: list[dict[str, Any]] = [
        {"start": 0, "end": 95}, {"start": 100, "end": last, "link": "lte", "octets": 10_000},
        {"start": 150, "end": 160, "link": "lte", "octets": 500, "way": UP},
    ]  # fmt: skip
    rows += [{"start": back, "end": back + 5}] if back is not None else []
    case = rows_of(*rows, span=(0, export_end))
    told = failovers._scene(case, np.array([1, 2]), np.ones(len(rows), np.bool_))
    past = 30 if back is None else 40
    found = failovers._episode(case, told, (10, past))
    assert (found.still, found.end_ms, found.start_ms, found.gap_ms, found.link) == (
        still,
        ms(end),
        ms(100),
        5000,
        1,
    )
    assert (round(found.octets_down), round(found.octets_up), found.began_before) == (10_000, 500, False)
    assert found.length_ms == round(1000 * (end - 100))


def test_a_stay_from_the_begin_of_the_export_on_has_no_gap() -> None:
    rows: list[dict[str, Any]] = [{"start": 100, "end": 300, "link": "lte"}, {"start": 400, "end": 405}]
    case = rows_of(*rows, span=(0, 600))
    told = failovers._scene(case, np.array([0]), np.ones(2, np.bool_))
    found = failovers._episode(case, told, (10, 30))
    assert (found.gap_ms, found.began_before, found.start_ms, found.end_ms) == (None, True, ms(100), ms(400))


@pytest.mark.parametrize(("begun", "start"), [(40, 40), (39.999, 100), (35, 100)])
def test_a_stay_begins_with_what_began_up_to_a_minute_before_it_after_the_primarys_last_record(
    begun: float, start: float
) -> None:
    rows: list[dict[str, Any]] = [
        {"start": 0, "end": 20}, {"start": begun, "end": 300, "link": "lte"}, {"start": 100, "end": 300, "link": "lte"},
    ]  # fmt: skip
    case = rows_of(*rows, span=(0, 600))
    told = failovers._scene(case, np.array([1, 2]), np.ones(3, np.bool_))
    assert failovers._episode(case, told, (10, 30)).start_ms == ms(start)


@pytest.mark.parametrize(
    ("spans", "last"),
    [
        ([(0, 50), (0, 95)], 95),
        ([(0, 95), (60, 90)], 95),
        ([(0, 105)], 105),  # into the first bin of the stay
        ([(0, 110)], None),  # beyond it: open across the failover
        ([(0, 95), (0, 110)], 95),
        ([], None),
    ],
)
def test_the_primarys_last_record_ends_in_the_first_bin_of_a_stay_at_the_latest(
    spans: list[tuple[float, float]], last: float | None
) -> None:
    rows: list[dict[str, Any]] = [{"start": a, "end": b} for a, b in spans]
    case = rows_of(*rows, {"start": 100, "end": 300, "link": "lte"}, span=(0, 600))
    told = failovers._scene(case, np.array([len(rows)]), np.ones(len(rows) + 1, np.bool_))
    assert failovers._last_primary(told, 10) == (None if last is None else ms(last))


def leaks(*rows: dict[str, Any], stays: Any = ((10, 20),)) -> Any:
    case = rows_of(*({"link": "lte", "inside_port": n, **row} for n, row in enumerate(rows)), span=(0, 599))
    told = failovers._scene(case, np.arange(len(rows)), np.ones(len(rows), np.bool_))
    return failovers._without_leaks(told, list(stays))


@pytest.mark.parametrize(
    ("leaked", "own", "kept"), [(8000, 2000.1, True), (8000, 2000, False), (8000, 1999, False), (0, 10, True)]
)
def test_a_stay_whose_traffic_is_mostly_that_of_a_leak_is_none(leaked: float, own: float, kept: bool) -> None:
    rows = [
        {"start": 100, "end": 101, "octets": leaked}, {"start": 100, "end": 101, "octets": own, "outside": "203.0.113.77"},
        {"start": 400, "end": 401},
    ]  # fmt: skip
    assert leaks(*rows) == ([(10, 20)] if kept else [])


@pytest.mark.parametrize(
    ("start", "kept"),
    # A bin before the stay and half a minute after it belong to it.
    [(89.999, False), (90, True), (229.999, True), (230, False)],
)
def test_what_runs_right_around_a_stay_is_no_leak(start: float, kept: bool) -> None:
    assert bool(leaks({"start": 100, "end": 101}, {"start": start, "end": start})) == kept


def test_a_conversation_that_lingers_after_a_stay_is_no_leak() -> None:
    assert leaks(
        {"start": 100, "end": 101, "inside_port": 5}, {"start": 400, "end": 401, "inside_port": 5}
    ) == [(10, 20)]
    assert leaks({"start": 300, "end": 301}) == []  # nothing ran in the stay
    assert leaks({"start": 100, "end": 101}, stays=()) == []
