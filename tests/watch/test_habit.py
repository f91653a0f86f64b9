"""How long an exporter may say nothing by its habit: worked out by hand from minutes in which it was heard."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.addresses import to_bytes
from flowdiag.collector.report import ExportReport, SessionReport
from flowdiag.collector.store.changes import commit, make_store
from flowdiag.collector.store.layout import Partition
from flowdiag.collector.store.writer import FlowWriter, change_of
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.scenario.stored_days import Unsynced
from flowdiag.watch.habit import GIVE_OR_TAKE_MS, LONGEST_MS, pause_ms, signs_ms, usual_until
from tests.diagnoser.building import ms
from tests.diagnoser.test_silences import case

ZONE = "Europe/Berlin"
EXPORTER = to_bytes("192.0.2.1")


def at(day: int, hour: float) -> int:
    """A local time of March 2026; the 2nd is a Monday."""
    local = datetime(2026, 3, day, int(hour), round(hour % 1 * 60), tzinfo=ZoneInfo(ZONE))
    return int(local.timestamp() * 1000)


def asked(folder: Path, heard: Iterable[tuple[int, int]], last_ms: int) -> int:
    """heard: [begin, end) in ms, a minute of life in each of their minutes."""
    backend = Unsynced(folder)
    make_store(backend)
    minutes = {ms // MINUTE_MS for begin, end in heard for ms in range(begin, end, MINUTE_MS)}
    days = {minute * MINUTE_MS // DAY_MS for minute in minutes}
    writer = FlowWriter(backend, "unit", min(minutes) * MINUTE_MS)
    reports = {}
    for day in days:
        own = {minute for minute in minutes if minute * MINUTE_MS // DAY_MS == day}
        session = SessionReport(EXPORTER, 50_001, 0, "netflow5", messages=len(own))
        reports[Partition(EXPORTER, day)] = ExportReport(sessions=[session], heard_minutes={EXPORTER: own})
    commit(backend, change_of(writer.finish(reports)))
    with backend.reading():
        return usual_until(backend, frozenset({EXPORTER}), ZONE, last_ms)


def working_days(*days: int) -> list[tuple[int, int]]:
    return [(at(day, 8), at(day, 17.5)) for day in days]


WEEKS = working_days(2, 3, 4, 5, 6, 9, 10, 11, 12)


@pytest.mark.parametrize(
    ("last", "until"),
    [
        (at(12, 17.5), at(13, 8)),  # Thursday evening
        (at(12, 17), at(13, 7.5)),  # an hour from that of the week before, at the most
        (at(12, 10), None),  # in the middle of the day
        (at(12, 16), None),
    ],
)
def test_as_the_week_before(tmp_path: Path, last: int, until: int | None) -> None:
    expected = last if until is None else until + GIVE_OR_TAKE_MS
    if last == at(12, 17):
        expected += HOUR_MS // 2  # its own silence began half an hour before that of the week before
    assert asked(tmp_path, WEEKS, last) == expected


def test_a_weekend_is_known_from_the_one_before(tmp_path: Path) -> None:
    heard = [*WEEKS, *working_days(13)]
    assert asked(tmp_path, heard, at(13, 17.5)) == at(16, 8) + GIVE_OR_TAKE_MS


def test_of_a_new_site_the_day_before_tells(tmp_path: Path) -> None:
    assert asked(tmp_path, working_days(10, 11, 12), at(12, 17.5)) == at(13, 8) + GIVE_OR_TAKE_MS


def test_of_the_first_day_nothing_tells(tmp_path: Path) -> None:
    assert asked(tmp_path, working_days(12), at(12, 17.5)) == at(12, 17.5)


def test_no_silence_is_usual_for_ever(tmp_path: Path) -> None:
    """A week ago the site was silent for good."""
    heard = [*working_days(2, 3, 4, 5), (at(12, 8), at(12, 17.5))]
    assert asked(tmp_path, heard, at(12, 17.5)) == at(12, 17.5) + LONGEST_MS + GIVE_OR_TAKE_MS


def test_who_is_heard_all_the_time_is_expected_to_be(tmp_path: Path) -> None:
    assert asked(tmp_path, [(at(2, 0), at(12, 17.5))], at(12, 17.5)) == at(12, 17.5)


@pytest.mark.parametrize(
    ("pattern", "minutes"),
    [
        ("o" * 60, 2),
        ("o...." * 24 + "o", 10),  # each five minutes; with one datagram lost that is ten
        ("o" * 30 + "..." + "oo." * 20 + "o", 8),
        ("o" * 60 + "." * 20 + "o" * 60, 2),  # a gap is no habit
        ("...." + "o" * 60 + "....", 2),
        ("." * 10, 0),
    ],
)
def test_a_pause_is_as_long_as_two_of_the_last_hours(pattern: str, minutes: int) -> None:
    signs = np.flatnonzero([sign == "o" for sign in pattern]) * MINUTE_MS
    assert pause_ms(signs) == minutes * MINUTE_MS


def test_signs_are_messages_and_flows_only_where_those_are_not_known() -> None:
    """Flows of five minutes cover the pauses between the messages that tell of them."""
    covered = case("o" * 20)
    assert signs_ms(covered).tolist() == [ms(60 * minute) for minute in range(20)]
    messages = np.array([ms(0), ms(300), ms(900)])
    told = replace(covered, coverage=replace(covered.coverage, messages_ms=messages))
    assert signs_ms(told).tolist() == messages.tolist()
