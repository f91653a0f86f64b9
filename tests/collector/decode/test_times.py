"""Truth about time: impossible times are kept out and counted, clocks are compared. Forms of time: tests/standards."""

from __future__ import annotations

import struct

import pytest

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode.times import (
    BACKWARDS,
    CLOCK_SLACK_MS,
    FUTURE,
    MAX_AGE_MS,
    MAX_REACH_MS,
    NEAR_ZERO_MS,
    STALE,
    UPTIME_WRAP_MS,
)
from tests.collector.decode.wire import (
    EXPORT_S,
    UPTIME_MS,
    FieldPair,
    a_set,
    decode,
    flow,
    ipfix,
    netflow5,
    netflow9,
    record5,
    session,
    template,
    with_template,
)

NOW_MS = EXPORT_S * 1000

IMPOSSIBLE = {
    BACKWARDS: (NOW_MS - 1000, NOW_MS - 2000),
    FUTURE: (NOW_MS, NOW_MS + CLOCK_SLACK_MS + 1),
    STALE: (NOW_MS - MAX_AGE_MS - 2000, NOW_MS - MAX_AGE_MS - 1),
    f"{STALE} (its start)": (NOW_MS - MAX_REACH_MS - 1, NOW_MS),
}
POSSIBLE = {
    "a moment": (NOW_MS - 1000, NOW_MS - 1000),
    "ends within the slack of the clocks": (NOW_MS, NOW_MS + CLOCK_SLACK_MS),
    "a day old": (NOW_MS - MAX_AGE_MS - 2000, NOW_MS - MAX_AGE_MS),
    "a week long": (NOW_MS - MAX_REACH_MS, NOW_MS),
}


@pytest.mark.parametrize(("what", "times"), IMPOSSIBLE.items(), ids=IMPOSSIBLE)
def test_impossible_times_are_kept_out_and_counted_with_their_place(
    what: str, times: tuple[int, int]
) -> None:
    sound = ipfix(with_template(), a_set(256, flow(1)))
    wrong = ipfix(a_set(256, flow(1), flow(2, start_ms=times[0], end_ms=times[1])), sequence=1)
    decoded = decode(sound, wrong)
    assert [row["start"] is None for row in decoded.rows] == [False, False, True]
    assert [row["end"] is None for row in decoded.rows] == [False, False, True]
    assert decoded.column("octets") == [100, 100, 200]
    assert decoded.report.impossible_times == 1
    (problem,) = decoded.report.problems
    assert problem.what == f"flow records that {what.removesuffix(' (its start)')} were kept out of usage"
    assert (problem.offset, problem.count) == (len(sound), 1)


@pytest.mark.parametrize("times", POSSIBLE.values(), ids=POSSIBLE)
def test_times_at_the_edge_are_believed(times: tuple[int, int]) -> None:
    decoded = decode(ipfix(with_template(), a_set(256, flow(1, start_ms=times[0], end_ms=times[1]))))
    assert [row["start"].timestamp() * 1000 for row in decoded.rows] == [times[0]]  # type: ignore[attr-defined]
    assert (decoded.report.impossible_times, decoded.problems) == (0, [])


def test_an_uptime_before_the_last_wrap_is_old_and_no_flow_of_the_future() -> None:
    # RFC 3954 5.1: uptimes wrap after 49.7 days; the signed difference is the age.
    record = record5(first=2**32 - 10_000, last=2**32 - 4_000)
    (row,) = decode(netflow5(record, uptime_ms=6_000)).rows
    assert [row[name].timestamp() for name in ("start", "end")] == [EXPORT_S - 16, EXPORT_S - 10]  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("first", "last", "uptime_ms", "ages"),
    [
        (0, 60_000, 62_000, (62, 2)),
        (2**32 - 60_000, 0, 2_000, (62, 2)),
        (0, 0, 2_000, (None, None)),
        (0, NEAR_ZERO_MS, NEAR_ZERO_MS + 1_000, (NEAR_ZERO_MS // 1000 + 1, 1)),
        (0, NEAR_ZERO_MS + 1, NEAR_ZERO_MS + 1_001, (None, 1)),
    ],
    ids=["begins at zero", "ends at zero", "nobody filled it in", "as long as it may be", "too long"],
)
def test_an_uptime_of_zero_is_a_time_where_the_other_end_is_near(
    first: int, last: int, uptime_ms: int, ages: tuple[int | None, int | None]
) -> None:
    (row,) = decode(netflow5(record5(first=first, last=last), uptime_ms=uptime_ms)).rows
    told = [row[name] for name in ("start", "end")]
    assert [None if time is None else round(EXPORT_S - time.timestamp()) for time in told] == list(ages)  # type: ignore[attr-defined]


def test_an_ipfix_uptime_beyond_its_wrap_is_the_one_nearest_to_the_export() -> None:
    init_ms = NOW_MS - UPTIME_WRAP_MS - 50_000
    fields = a_set(2, template(256, ((8, 4), (1, 4), (22, 4), (21, 4), (160, 8))))
    record = bytes(8) + struct.pack("!IIQ", 40_000, 45_000, init_ms)
    (row,) = decode(ipfix(fields, a_set(256, record))).rows
    assert [row[name].timestamp() for name in ("start", "end")] == [EXPORT_S - 10, EXPORT_S - 5]  # type: ignore[attr-defined]


FORMS: tuple[tuple[tuple[FieldPair, ...], bytes], ...] = (
    (((150, 4), (151, 4), (152, 8), (153, 8)), struct.pack("!IIQQ", 1, 1, NOW_MS - 10_000, NOW_MS - 5_000)),
    (((158, 4), (159, 4), (22, 4), (21, 4)), struct.pack("!IIII", 10_000_000, 5_000_000, 1, 1)),
    (((152, 8), (153, 8), (158, 4), (159, 4)), struct.pack("!QQII", 0, 0, 10_000_000, 5_000_000)),
    (((150, 4), (153, 8)), struct.pack("!IQ", EXPORT_S - 10, NOW_MS - 5_000)),
)


@pytest.mark.parametrize(("fields", "octets"), FORMS, ids=["finer", "nearer", "not filled in", "mixed"])
def test_of_several_forms_the_finest_that_is_filled_in_counts(
    fields: tuple[FieldPair, ...], octets: bytes
) -> None:
    (row,) = decode(ipfix(a_set(2, template(256, ((8, 4), *fields))), a_set(256, bytes(4) + octets))).rows
    assert [row[name].timestamp() for name in ("start", "end")] == [EXPORT_S - 10, EXPORT_S - 5]  # type: ignore[attr-defined]


def test_no_times_at_all_are_unknown() -> None:
    (row,) = decode(ipfix(a_set(2, template(256, ((8, 4), (1, 4)))), a_set(256, bytes(8)))).rows
    assert (row["start"], row["end"]) == (None, None)


def test_times_no_calendar_holds_are_impossible_and_harmless() -> None:
    for fields in (
        ((152, 8), (153, 8)),
        ((150, 8), (151, 8)),
        ((154, 8), (155, 8)),
        ((158, 8), (159, 8)),
        ((161, 8), (153, 8)),
    ):
        message = ipfix(a_set(2, template(256, ((8, 4), *fields))), a_set(256, bytes(4) + b"\xff" * 16))
        (row,) = decode(message).rows
        assert row["start"] is None or row["start"].year < 2200  # type: ignore[attr-defined]


@pytest.mark.parametrize("offset_s", [0, 90, -3600])
def test_the_clock_of_the_exporter_is_compared_with_the_capture(offset_s: int) -> None:
    messages = [
        Datagram(
            session(), ipfix(with_template(), export_s=EXPORT_S + n), (EXPORT_S + n + offset_s) * 1000 + 40, 0
        )
        for n in range(5)
    ]
    assert decode(*messages).report.sessions[0].clock_offset_ms == 1000 * offset_s + 40


def test_a_file_has_no_clock_to_compare() -> None:
    message = Datagram(session(), netflow9(a_set(0, template(256, ((8, 4),)))), None, 0)
    assert decode(message).report.sessions[0].clock_offset_ms is None


def test_one_late_message_does_not_move_the_clock() -> None:
    late = [0, 0, 5_000, 0, 0]
    messages = [
        Datagram(session(), netflow5(record5(), sequence=n, uptime_ms=UPTIME_MS), NOW_MS + delay, 0)
        for n, delay in enumerate(late)
    ]
    assert decode(*messages).report.sessions[0].clock_offset_ms == 0


def test_only_netflow5_headers_have_parts_of_a_second() -> None:
    """They are read together with others of the same moment, whose third word is something else."""
    nine = netflow9(a_set(0, template(256, ((8, 4), (1, 4)))), a_set(256, bytes(8)))
    ten = ipfix(with_template(), a_set(256, flow(1)))
    five = bytearray(netflow5(record5()))
    five[12:16] = struct.pack("!I", 7_999_999)  # nanoseconds
    decoded = decode(
        *[Datagram(session(port=n), octets, None, 0) for n, octets in enumerate((nine, ten, bytes(five)))]
    )
    assert {(told.protocol, told.first_export_ms, told.last_export_ms) for told in decoded.report.sessions} == {
        ("netflow9", NOW_MS, NOW_MS), ("ipfix", NOW_MS, NOW_MS), ("netflow5", NOW_MS + 7, NOW_MS + 7)
    }  # fmt: skip
