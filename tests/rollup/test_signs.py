"""Files whose sums cannot stand for their flows say so, and sound ones do not."""

from __future__ import annotations

from typing import Any

import pytest

from flowdiag.collector.report import ExportReport, SessionReport
from flowdiag.rollup.shape import CLOCK, LONG, REPEATED, STARTS
from tests.rollup.drawn import EXPORTER, flows, rolled

DAY = 86_400_000


def talk(number: int, **more: Any) -> dict[str, Any]:
    """A record of a conversation of its own."""
    usual = {
        "start": number * 1_000,
        "end": number * 1_000 + 700,
        "dst_port": 50_000 + number,
        "octets": 1_000 + number,
    }
    return usual | {"packets": 3} | more


def reasons(rows: list[dict[str, Any]], report: ExportReport | None = None) -> tuple[str, ...]:
    return rolled(flows(rows), report).facts.needs_flows


def test_a_sound_file_needs_no_flows() -> None:
    assert reasons([talk(n) for n in range(2_000)]) == ()


def test_the_same_packets_seen_at_two_points_that_are_not_told_are_repeated() -> None:
    twins = [
        talk(n, start=n * 1_000 + late, end=n * 1_000 + 700 + late) for n in range(500) for late in (0, 20)
    ]
    assert reasons(twins) == (REPEATED,)


def test_the_same_packets_at_two_points_that_element_61_tells_apart_are_not() -> None:
    assert reasons([talk(n, direction=d) for n in range(500) for d in (0, 1)]) == ()


def test_records_alike_but_in_their_octets_or_a_second_later_are_not() -> None:
    assert reasons([talk(n, octets=1_000 + n + more) for n in range(500) for more in (0, 1)]) == ()
    later = [
        talk(n, start=n * 1_000 + late, end=n * 1_000 + 700 + late) for n in range(500) for late in (0, 1_000)
    ]
    assert reasons(later) == ()


def test_a_chance_likeness_among_thousands_is_not() -> None:
    assert reasons([*(talk(n) for n in range(5_000)), talk(7, start=7_020, end=7_720)]) == ()


def test_the_sample_of_a_large_file_finds_repetitions_too() -> None:
    twins = [
        talk(n % 10_000, start=n * 100 + late, end=n * 100 + 300 + late)
        for n in range(30_000)
        for late in (0, 20)
    ]
    assert reasons(twins) == (REPEATED,)


def pieces(start_of: Any) -> list[dict[str, Any]]:
    """Each of many conversations in five pieces of a minute; start_of: of each piece."""
    return [
        talk(n, start=n * 100 + start_of(piece), end=n * 100 + 60_000 * (piece + 1), octets=1_000 * n + piece)
        for n in range(200)
        for piece in range(5)
    ]


def test_pieces_that_all_name_the_conversation_s_start_are_starts() -> None:
    assert reasons(pieces(lambda piece: 0)) == (STARTS,)


def test_pieces_that_follow_one_another_are_not_and_tell_the_timeout() -> None:
    facts = rolled(flows(pieces(lambda piece: 60_000 * piece))).facts
    assert facts.needs_flows == ()
    assert set(facts.cut_ms) == {60_000}


@pytest.mark.parametrize(
    ("offset", "needed"), [(5_000, ()), (5_001, (CLOCK,)), (-5_001, (CLOCK,)), (None, ())]
)
def test_a_clock_that_is_off_needs_flows(offset: int | None, needed: tuple[str, ...]) -> None:
    session = SessionReport(EXPORTER, 50_001, 1, "ipfix", messages=10, clock_offset_ms=offset)
    assert reasons([talk(n) for n in range(50)], ExportReport(sessions=[session])) == needed


@pytest.mark.parametrize(("more", "needed"), [(0, ()), (1, (LONG,))])
def test_a_record_of_more_than_a_day_is_long(more: int, needed: tuple[str, ...]) -> None:
    rollup = rolled(flows([*(talk(n) for n in range(50)), talk(60, start=1_000 - DAY - more, end=1_000)]))
    assert rollup.facts.needs_flows == needed
    assert rollup.facts.longest_ms == DAY + more
    assert sum(rollup.tables["hours"]["records"].to_pylist()) == 51 - len(needed)
    assert sum(rollup.tables["minutes"]["flows"].to_pylist()) == 51 - len(needed)


def test_times_near_1970_are_long_and_make_no_minutes() -> None:
    rollup = rolled(
        flows([*(talk(n) for n in range(50)), talk(60, start=-20_000 * DAY, end=-20_000 * DAY + 5)])
    )
    assert rollup.facts.needs_flows == (LONG,)
    assert rollup.tables["minutes"].num_rows < 10


def test_what_cannot_be_used_is_counted() -> None:
    rows = [talk(n) for n in range(50)]
    rows.append(talk(51, start=None, end=None))
    rows.append(talk(52, src_address=None, dst_address=None, octets=0))
    facts = rolled(flows(rows)).facts
    assert (facts.rows, facts.untimed, facts.not_ip) == (52, 1, 1)


def test_packets_are_known_as_they_were_seen() -> None:
    facts = rolled(flows([talk(n, packets=200, sampling=100 if n % 2 else 1) for n in range(50)])).facts
    assert (facts.packets, facts.packets_seen) == (10_000, 25 * 200 + 25 * 2)
    assert sorted(facts.duration_packets) == [2] * 25 + [200] * 25
