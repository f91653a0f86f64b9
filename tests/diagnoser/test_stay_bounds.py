"""Stays on a backup by their own functions, on the smallest cases that tell them apart."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals import (
    failovers,
)
from flowdiag.diagnoser.signals.failovers import Failover
from flowdiag.diagnoser.signals.timeline import Grid
from tests.diagnoser.building import ms, rows_of

NONE = np.zeros(0, np.intp)


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
    monkeypatch.setattr(failovers, "_destinations", lambda scene, stay: (9, 0))
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
    assert failovers._destinations(told, (10, 13)) == (2, 1)


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
    stop = 30 if back is None else 40
    found = failovers._episode(case, told, (10, stop))
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
