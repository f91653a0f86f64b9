"""Loss by the reading of the sequence numbers that the stream supports, and never by a wrong one."""

from __future__ import annotations

import struct
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode.allowance import Allowance
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.sequence import MANY_BREAKS, NEAR, Messages, Tracker, selected
from flowdiag.collector.decode.strides import ONE_STEP
from flowdiag.collector.report import ExportReport, SessionReport
from tests.collector.decode.wire import (
    EXPORT_S,
    FLOW_FIELDS,
    UPTIME_MS,
    Decoded,
    a_set,
    datagrams,
    decode,
    flow,
    ipfix,
    netflow5,
    netflow9,
    options_template,
    record5,
    session,
    template,
    with_template,
    with_template9,
)

MODULUS = 1 << 32
NOW_MS = EXPORT_S * 1000
OPTIONS = a_set(3, options_template(300, ((149, 4), (36, 2))))
OPTION = a_set(300, struct.pack("!IH", 1, 60))


def data(records: int, **head: int) -> bytes:
    return ipfix(a_set(256, *(flow(n + 1) for n in range(records))), **head)


def lost(messages: list[bytes], **options: object) -> tuple[int, int]:
    """Lost messages and lost records of a stream."""
    report = decode(*messages, **options).report  # type: ignore[arg-type]
    return report.lost_messages, report.lost_records


def the_session(decoded: Decoded) -> SessionReport:
    (told,) = decoded.report.sessions
    return told


def stream(first: int = 0, leave_out: tuple[int, ...] = (), export_s: int = EXPORT_S) -> list[bytes]:
    """A template and ten messages of three records by RFC 7011 3.1, some of them left out."""
    messages = [ipfix(with_template(), sequence=first, export_s=export_s)]
    messages += [data(3, sequence=(first + 3 * n) % MODULUS, export_s=export_s) for n in range(10)]
    return [message for n, message in enumerate(messages) if n not in leave_out]


@pytest.mark.parametrize("first", [0, 1_000_000, MODULUS - 7], ids=["from 0", "late", "across the wrap"])
def test_a_sound_stream_loses_nothing_wherever_its_numbers_start(first: int) -> None:
    decoded = decode(*stream(first))
    assert (decoded.report.lost_records, the_session(decoded).restarts, decoded.report.losses) == (0, 0, [])
    assert the_session(decoded).sequence_reading == "data records of the domain"


def test_records_missing_are_counted_where_the_gap_is() -> None:
    decoded = decode(*stream(MODULUS - 7, leave_out=(3, 4, 8)))
    assert [(loss.messages, loss.records) for loss in decoded.report.losses] == [(0, 6), (0, 3)]
    assert not the_session(decoded).lost_is_estimate


@pytest.mark.parametrize(
    "order", [(0, 1, 3, 2, 4, 5), (0, 1, 5, 4, 3, 2), (0, 2, 1, 3, 4, 5), (1, 0, 2, 3, 4, 5)]
)
def test_messages_in_another_order_are_no_loss(order: tuple[int, ...]) -> None:
    messages = [ipfix(with_template(), data(3, sequence=3 * n)[16:], sequence=3 * n) for n in range(6)]
    decoded = decode(*(messages[n] for n in order))
    assert (decoded.report.lost_records, the_session(decoded).restarts) == (0, 0)


def test_a_copy_of_a_message_counts_once() -> None:
    messages = stream()
    decoded = decode(*messages[:4], messages[3], messages[2], *messages[4:])
    assert (len(decoded.rows), the_session(decoded).duplicates) == (30, 2)
    assert (decoded.report.lost_records, the_session(decoded).restarts) == (0, 0)


def test_every_message_twice_counts_once() -> None:
    decoded = decode(*(message for message in stream() for _ in range(2)))
    # The template alone, sent again, is no copy that anyone could tell from a repetition.
    assert (len(decoded.rows), the_session(decoded).duplicates, decoded.report.lost_records) == (30, 10, 0)


def test_a_restart_is_no_loss() -> None:
    # The numbers begin anew at 0 (RFC 7011 9).
    decoded = decode(*stream(5_000), *stream(0, export_s=EXPORT_S + 60))
    assert (decoded.report.lost_records, the_session(decoded).restarts) == (0, 1)
    assert len(decoded.rows) == 60


def test_a_restart_of_netflow9_is_known_by_its_uptime() -> None:
    def of_boot(first: int, uptime_ms: int, export_s: int) -> list[bytes]:
        return [
            netflow9(
                with_template9(),
                a_set(256, flow(n + 1)),
                sequence=first + n,
                uptime_ms=uptime_ms + 1000 * n,
                export_s=export_s + n,
            )
            for n in range(5)
        ]

    decoded = decode(*of_boot(7000, UPTIME_MS, EXPORT_S), *of_boot(0, 3000, EXPORT_S + 60))
    assert (decoded.report.lost_messages, the_session(decoded).restarts, len(decoded.rows)) == (0, 1, 10)


def test_a_single_number_far_away_is_a_stray() -> None:
    stray = data(1, sequence=3_000_000_000, export_s=EXPORT_S + 1)
    messages = stream()
    decoded = decode(*messages[:5], stray, *messages[5:])
    assert (decoded.report.lost_records, the_session(decoded).restarts) == (0, 0)


def test_a_run_of_numbers_far_away_is_believed() -> None:
    decoded = decode(*stream(), *(data(3, sequence=200_030 + 3 * n) for n in range(5)))
    assert decoded.report.lost_records == 200_000


def test_a_loss_and_a_late_message_leave_the_rest_lost() -> None:
    messages = stream()
    late = messages[3]
    assert lost([*messages[:2], *messages[5:8], late, *messages[8:]]) == (0, 6)


BENT: dict[str, tuple[Callable[[], list[bytes]], str]] = {
    "one counter for all domains": (
        lambda: [
            ipfix(with_template(), domain=1),
            ipfix(with_template(), domain=2),
            *(data(2, sequence=2 * n, domain=1 + n % 2) for n in range(20)),
        ],
        "data records of all domains of the session",
    ),
    "options left out": (
        lambda: [
            ipfix(with_template(), OPTIONS),
            *(ipfix(OPTION, a_set(256, flow()), sequence=n) for n in range(20)),
        ],
        "flow records of the domain, options left out",
    ),
    "messages counted in IPFIX": (
        lambda: [ipfix(with_template()), *(data(3, sequence=1 + n) for n in range(20))],
        "messages of the domain",
    ),
    "messages of all domains counted in IPFIX": (
        lambda: [
            ipfix(with_template(), sequence=0, domain=1),
            ipfix(with_template(), sequence=1, domain=2),
            *(data(3, sequence=2 + n, domain=1 + n % 2) for n in range(20)),
        ],
        "messages of all domains of the session",
    ),
    "records counted in NetFlow v9": (
        lambda: [
            netflow9(with_template9()),
            *(netflow9(a_set(256, flow(1), flow(2)), sequence=2 * n) for n in range(20)),
        ],
        "records of the source id",
    ),
    "one counter for all source ids": (
        lambda: [
            netflow9(with_template9(), sequence=0, domain=1),
            netflow9(with_template9(), sequence=1, domain=2),
            *(netflow9(a_set(256, flow(1), flow(2)), sequence=2 + n, domain=1 + n % 2) for n in range(20)),
        ],
        "messages of all source ids of the session",
    ),
    "v5 names the last record": (
        lambda: [netflow5(*[record5()] * (1 + n % 3), sequence=sum(1 + k % 3 for k in range(n + 1))) for n in range(20)],
        "flow records of the engine, the last one named",
    ),
    "v5 with one counter for all engines": (
        lambda: [netflow5(record5(), record5(), sequence=2 * n, engine=(0, n % 2)) for n in range(20)],
        "flow records of all engines, the first one named",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("messages", "reading"), BENT.values(), ids=BENT)
def test_a_bent_rule_is_seen_and_invents_no_loss(messages: Callable[[], list[bytes]], reading: str) -> None:
    decoded = decode(*messages())
    assert {told.sequence_reading for told in decoded.report.sessions} == {reading}
    assert (decoded.report.lost_messages, decoded.report.lost_records) == (0, 0)
    assert sum(told.restarts for told in decoded.report.sessions) == 0


@pytest.mark.parametrize(("messages", "reading"), BENT.values(), ids=BENT)
def test_loss_is_seen_by_a_bent_rule_too(messages: Callable[[], list[bytes]], reading: str) -> None:
    sent = messages()
    decoded = decode(*sent[:10], *sent[11:])
    assert {told.sequence_reading for told in decoded.report.sessions} == {reading}
    assert (decoded.report.lost_messages > 0) == reading.startswith("messages")
    assert (
        decoded.report.lost_records == {0: 1, 1: 2, 2: 3}[10 % 3]
        if "last" in reading
        else decoded.report.lost_records > 0
    )


def test_netflow9_counts_messages_and_estimates_records() -> None:
    # RFC 3954 5.1: 5 of 15 messages are missing; those that came held 2 records each but for the first.
    messages = [netflow9(with_template9())]
    messages += [
        netflow9(a_set(256, flow(1), flow(2)), sequence=n) for n in range(1, 15) if n not in (3, 4, 8, 9, 10)
    ]
    decoded = decode(*messages)
    assert [(loss.messages, loss.records) for loss in decoded.report.losses] == [(2, 4), (3, 5)]
    assert the_session(decoded).lost_is_estimate


def test_netflow9_counts_in_each_source_id() -> None:
    messages = [
        netflow9(with_template9(), a_set(256, flow()), sequence=n, domain=domain)
        for n in range(5)
        for domain in (1, 2)
    ]
    del messages[4]
    decoded = decode(*messages)
    assert [told.lost_messages for told in decoded.report.sessions] == [1, 0]


def test_netflow5_counts_records_of_each_engine() -> None:
    messages = [
        netflow5(record5(), record5(), sequence=2 * n, engine=(1, engine))
        for n in range(5)
        for engine in (0, 1)
    ]
    decoded = decode(*messages[:5], *messages[6:])
    assert [(told.domain, told.lost_records) for told in decoded.report.sessions] == [(256, 0), (257, 2)]


def test_sessions_count_apart() -> None:
    both = [Datagram(of, octets, None, 0) for octets in stream() for of in (session(port=1), session(port=2))]
    del both[5]
    decoded = decode(*both)
    assert [told.lost_records for told in decoded.report.sessions] == [0, 3]


def test_records_of_an_unknown_template_are_undecoded_and_not_lost() -> None:
    # Nobody can count them, and so the gap behind them is theirs (RFC 7011 3.1).
    unknown = a_set(400, bytes(30))
    messages = [
        ipfix(with_template()),
        ipfix(a_set(256, flow()), unknown, sequence=0),
        data(1, sequence=4),
        data(1, sequence=5),
    ]
    decoded = decode(*messages)
    assert decoded.report.lost_records == 0
    assert (decoded.report.undecoded_sets, decoded.report.undecoded_records) == (1, 3)


def test_a_gap_that_unknown_records_cannot_fill_is_loss() -> None:
    messages = [
        ipfix(with_template()),
        ipfix(a_set(400, bytes(8)), sequence=0),
        data(1, sequence=100),
        data(1, sequence=101),
    ]
    assert lost(messages) == (0, 98)


def test_options_records_count_in_the_sequence() -> None:
    messages = [
        ipfix(with_template(), OPTIONS),
        ipfix(OPTION, OPTION, a_set(256, flow())),
        data(2, sequence=3),
        data(1, sequence=5),
    ]
    decoded = decode(*messages)
    assert (decoded.report.lost_records, the_session(decoded).option_records) == (0, 2)


@pytest.mark.parametrize("batch_rows", [1, 5, 1000])
def test_loss_does_not_depend_on_the_batches(batch_rows: int) -> None:
    messages = stream(leave_out=(2, 6))
    assert decode(*messages, batch_rows=batch_rows).report == decode(*messages).report


def test_a_reading_that_breaks_all_the_time_is_given_up_and_changes_nothing() -> None:
    fields = a_set(2, template(256, FLOW_FIELDS))
    messages = [ipfix(fields, domain=1), ipfix(fields, domain=2)]
    messages += [data(2, sequence=2 * n, domain=1 + n % 2) for n in range(3000)]
    decoded = decode(*datagrams(messages), batch_rows=500)
    assert decoded.report.lost_records == 0
    assert {told.sequence_reading for told in decoded.report.sessions} == {
        "data records of all domains of the session"
    }


def test_a_restart_tells_when_the_exporter_was_last_and_first_heard() -> None:
    decoded = decode(*stream(5_000), *stream(0, export_s=EXPORT_S + 60))
    (event,) = [loss for loss in decoded.report.losses if loss.restarted]
    assert event.since_ms is not None
    assert EXPORT_S * 1000 <= event.since_ms < event.time_ms == (EXPORT_S + 60) * 1000
    assert (event.messages, event.records) == (0, 0)


# What each of twelve messages of three records is, and how far it moves the sequence number (RFC 7011 3.1, RFC 3954 5.1).
COUNTED: dict[str, tuple[Callable[[int], bytes], int]] = {
    "ipfix": (lambda at: ipfix(with_template(), data(3, sequence=at)[16:], sequence=at), 3),
    "netflow9": (
        lambda at: netflow9(with_template9(), *(a_set(256, flow(n)) for n in (1, 2, 3)), sequence=at),
        1,
    ),
    "netflow5": (lambda at: netflow5(record5(), record5(), record5(), sequence=at), 3),
}


@pytest.mark.parametrize("stretch", [1, 5, 12])
@pytest.mark.parametrize("left_out", [(), (4,), (5,), (3, 4, 5, 6)], ids=str)
@pytest.mark.parametrize("version", COUNTED)
def test_numbers_begin_anew_after_the_largest_and_what_is_missing_there_is_counted(
    version: str, left_out: tuple[int, ...], stretch: int
) -> None:
    """The sixth message has the number 0. In one go, and stretch by stretch as a collector takes it."""
    message, step = COUNTED[version]
    sent = [message((step * (n - 5)) % MODULUS) for n in range(12)]
    decoder = Decoder(ExportReport())
    taken = []
    for place, datagram in enumerate(datagrams(sent), 1):
        if place - 1 not in left_out:
            decoder.feed(datagram)
        if place % stretch == 0 or place == len(sent):
            taken.append(decoder.cut(last=place == len(sent)))
    lost_messages = len(left_out) if version == "netflow9" else 0
    assert sum(batch.num_rows for batches, _ in taken for batch in batches) == 3 * (12 - len(left_out))
    reports = [report for _, report in taken]
    assert sum(report.lost_messages for report in reports) == lost_messages
    assert sum(report.lost_records for report in reports) == 3 * len(left_out)
    assert sum(told.restarts for report in reports for told in report.sessions) == 0


@pytest.mark.parametrize("protocol", ["ipfix", "netflow9"])
def test_what_was_lost_is_estimated_by_all_that_came_and_not_by_the_stretch_that_tells_it(
    protocol: str,
) -> None:
    """Three messages come before their template, with a stretch of their own; of those behind, one is lost. The stretch
    that tells it has their nine records and no message of its own."""
    taught, message = {
        "ipfix": (with_template(), lambda *sets, at: ipfix(*sets, sequence=3 * at)),
        "netflow9": (with_template9(), lambda *sets, at: netflow9(*sets, sequence=at)),
    }[protocol]
    records = a_set(256, *(flow(n) for n in (1, 2, 3)))
    decoder = Decoder(ExportReport())
    reports, rows = [], 0
    for stretch in ([0, 1, 2], [3, 5], []):
        for datagram in datagrams(message(*([taught] if n == 3 else []), records, at=n) for n in stretch):
            decoder.feed(datagram)
        batches, report = decoder.cut(last=not stretch)
        rows += sum(batch.num_rows for batch in batches)
        reports.append(report)
    assert rows == 15
    assert [report.lost_records for report in reports] == [0, 0, 3]


def followed(
    messages: Messages, units: np.ndarray, slack: np.ndarray, stretches: int, limits: Limits
) -> object:
    """All that a tracker knows after some stretches of messages."""
    kept = Allowance(limits.gaps)
    tracker = Tracker(limits, kept)
    for rows in np.array_split(np.arange(len(units)), stretches):
        part = selected(messages, rows)
        tracker.add(part.sequence, units[rows], slack[rows], part, restarts_at_zero=False)
    known = {name: value for name, value in vars(tracker).items() if name not in ("_limits", "_allowance")}
    return known, kept.taken


@given(
    seed=st.integers(0, 1 << 32),
    count=st.sampled_from([70, 200, MANY_BREAKS + ONE_STEP + 10, 2500]),
    unlike=st.sampled_from([0.0, 0.01, 0.2]),
    stretches=st.sampled_from([1, 2, 5]),
    limits=st.sampled_from([Limits(), Limits(open_gaps=3), Limits(gaps=40), Limits(open_gaps=10, gaps=90)]),
)
@settings(max_examples=60)
def test_many_gaps_at_once_are_those_of_one_after_another(
    seed: int, count: int, unlike: float, stretches: int, limits: Limits
) -> None:
    """Messages that nearly all come a little behind a gap, and some otherwise: in order, far off, late, behind records that
    nobody could count, from an exporter that began anew."""
    rng = np.random.default_rng(seed)
    units = rng.integers(1, 30, count)
    slack = np.where(rng.random(count) < unlike, rng.integers(1, 9, count), 0)
    other = rng.random(count) < unlike
    ahead = rng.choice([1, 2, 100, NEAR - 1], count)
    ahead[other] = rng.choice([0, NEAR, NEAR + 1, 1 << 31, -40], int(other.sum()))
    sequence = (int(rng.integers(0, MODULUS)) + np.cumsum(ahead + units) - units) % MODULUS
    times = NOW_MS + np.cumsum(rng.integers(-3, 9, count))
    boots = np.where(np.arange(count) < count // 2, 5_000, rng.choice([5_000, 30_000]))
    none = np.zeros(count, np.int64)
    messages = Messages(
        rng.integers(0, 3, count), sequence.astype(np.uint32), units, none, none, times, boots.astype(np.int64)
    )  # fmt: skip
    at_once = followed(messages, units, slack, stretches, limits)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("flowdiag.collector.decode.sequence.MANY_BREAKS", count)
        assert followed(messages, units, slack, stretches, limits) == at_once


def test_what_a_wrong_reading_sees_is_taken_in_steps_and_not_one_by_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    taken = []
    monkeypatch.setattr(Tracker, "_take", lambda *given, **_: taken.append(given))
    count = 2 * ONE_STEP
    none = np.zeros(count, np.int64)
    sequence = np.arange(0, 3 * count, 3).astype(np.uint32)
    messages = Messages(none, sequence, none + 1, none, none, none + NOW_MS, none)
    tracker = Tracker(Limits(), Allowance(Limits().gaps))
    tracker.add(sequence, none + 1, none, messages, restarts_at_zero=False)
    assert taken == []
    assert (tracker.breaks, len(tracker.gaps)) == (count - 1, count - 1)
    assert {gap.units for gap in tracker.gaps} == {2}
