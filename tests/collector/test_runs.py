"""Messages read in runs say what they say one by one. The way message by message is the source of all figures here."""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from typing import NamedTuple

import pyarrow as pa
import pytest
from hypothesis import event, example, given
from hypothesis import strategies as st

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode import sequence
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.readers.messages import read_messages
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import Window
from flowdiag.collector.report import ExportReport
from flowdiag.collector.run import LEAST_MESSAGES, MOST_MESSAGES, Run, one_by_one
from flowdiag.flows import FLOW_SCHEMA
from tests.collector.decode.wire import (
    EXPORT_S,
    FLOW_FIELDS,
    a_set,
    flow,
    ipfix,
    netflow9,
    options_template,
    template,
    with_template,
    with_template9,
)

MODULUS = 1 << 32
# As wide as FLOW_FIELDS, so that no length tells the templates apart.
SWAPPED = tuple(reversed(FLOW_FIELDS))
SAMPLING = a_set(3, options_template(300, ((149, 4), (34, 4))))


class Step(NamedTuple):
    """Something an exporter does. count: messages, or how far; records: in each."""

    what: str
    count: int
    records: int


STEPS = st.builds(
    Step,
    st.sampled_from(
        [
            "alike", "alike", "alike", "a gap before each", "messages counted", "lost", "far off", "restart", "late",
            "again", "template", "other template", "withdrawn", "sampling", "netflow9", "other domain", "two sets",
            "untaught", "padded", "damage", "later", "earlier",
        ]
    ),
    st.integers(1, 40),
    st.integers(0, 3),
)  # fmt: skip


def octets_of(steps: list[Step], first: int) -> bytes:
    """The file of an exporter that does these steps, its first sequence number given."""
    made = [ipfix(with_template(), sequence=first)]
    at, export_s = first, EXPORT_S

    def message(*sets: bytes, records: int, domain: int = 1) -> None:
        nonlocal at
        made.append(ipfix(*sets, sequence=at, export_s=export_s, domain=domain))
        at = (at + records) % MODULUS

    def data(records: int, number: int = 256, padding: int = 0) -> bytes:
        # The first record tells which message it is, so that no two are copies but those of "again".
        flows = [flow(len(made) % 9_000 + n + 1) for n in range(records)]
        return a_set(number, *flows, padding=padding)

    for what, count, records in steps:
        if what == "alike":
            for _ in range(count):
                message(data(records), records=records)
        elif what == "a gap before each":
            for _ in range(2 * count):
                message(data(records), records=records + 1)
        elif what == "messages counted":
            for _ in range(2 * count):
                message(data(records), records=1)
        elif what in ("lost", "far off", "late"):
            at = (at + {"lost": 1, "far off": 1 << 20, "late": -1}[what] * count) % MODULUS
        elif what == "restart":
            at = 0
        elif what == "again":
            made.extend(made[-count:])
        elif what == "template":
            message(with_template(), records=0)
        elif what == "other template":
            message(a_set(2, template(256, SWAPPED)), records=0)
        elif what == "withdrawn":
            message(a_set(2, struct.pack("!HH", 256, 0)), records=0)
        elif what == "sampling":
            message(SAMPLING, a_set(300, struct.pack("!II", 1, count)), records=1)
        elif what == "netflow9":
            made.append(netflow9(with_template9(), sequence=count))
            made.extend(netflow9(data(records), sequence=count + 1 + n) for n in range(count))
        elif what == "other domain":
            for _ in range(count):
                message(data(records), records=records, domain=2)
        elif what == "two sets":
            for _ in range(count):
                message(data(records), data(records), records=2 * records)
        elif what == "untaught":
            for _ in range(count):
                message(data(records, 257), records=records)
        elif what == "padded":
            for _ in range(count):
                message(data(records, padding=3), records=records)
        elif what == "damage":
            made.append(b"\xff" * count)
        elif what in ("later", "earlier"):
            export_s += count if what == "later" else -count
    return b"".join(made)


class Trickle:
    """Octets in pieces of at most `most`."""

    def __init__(self, octets: bytes, most: int) -> None:
        self._file = io.BytesIO(octets)
        self._most = most

    def read(self, size: int, /) -> bytes:
        return self._file.read(min(size, self._most))


def messages_in(octets: bytes, report: ExportReport, piece: int) -> Iterator[Datagram | Run]:
    return iter(read_messages(Window(Trickle(octets, piece)), Source("file", 0, report)))


def read(
    octets: bytes, limits: Limits, batch_rows: int, piece: int, *, in_runs: bool
) -> tuple[list[pa.RecordBatch], ExportReport, int]:
    """Batches, report and the number of messages that came in runs."""
    report = ExportReport()
    decoder = Decoder(report, limits=limits, batch_rows=batch_rows)
    found = messages_in(octets, report, piece)
    batches: list[pa.RecordBatch] = []
    alike = 0
    for message in found if in_runs else one_by_one(found):
        if isinstance(message, Run):
            decoder.feed_run(message, "file")
            alike += message.messages
        else:
            decoder.feed(message, "file")
        batches += decoder.batches()
    batches += decoder.finish()
    return batches, report, alike


LIMITS = st.builds(
    Limits,
    recent_messages=st.sampled_from([1, 8, 256]),
    gaps=st.sampled_from([5, 60, 4_096]),
    open_gaps=st.sampled_from([1, 20, 1_024]),
    pending_octets=st.sampled_from([1_000, 1 << 24]),
)
MANY_GAPS = [Step("a gap before each", 40, 1)] * 20
# Enough messages alike that no other reading of the sequence numbers is believed.
SOUND = [Step("alike", 40, 3)] * 10
UNTAUGHT_AMONG_GAPS = [*SOUND, *([Step("a gap before each", 40, 3), Step("untaught", 3, 1)] * 4)]
CLOCK_SET = [
    *SOUND,
    *([Step("a gap before each", 40, 3), Step("later", 90, 0)] * 4),
    Step("earlier", 99, 0),
    *MANY_GAPS,
]
COUNTED = [Step("messages counted", 40, 3)] * 20
COPIES = [Step("alike", 30, 2), Step("again", 20, 0), Step("alike", 30, 2), Step("again", 40, 0)]


@example(MANY_GAPS, 7, Limits(), 1 << 17, 1 << 18)
@example(MANY_GAPS, 7, Limits(gaps=150), 100, 1 << 18)
@example(UNTAUGHT_AMONG_GAPS, 7, Limits(), 1 << 17, 1 << 18)
@example(CLOCK_SET, 7, Limits(), 1 << 17, 1 << 18)
@example(MANY_GAPS, 7, Limits(gaps=60, open_gaps=20), 1 << 17, 1 << 18)
@example(COUNTED, MODULUS - 9, Limits(), 500, 1 << 18)
@example(COPIES, 7, Limits(recent_messages=8), 1 << 17, 1_000)
@given(
    st.lists(STEPS, max_size=12),
    st.sampled_from([0, 7, MODULUS - 9]),
    LIMITS,
    st.sampled_from([1, 7, 50, 1 << 17]),
    st.sampled_from([700, 5_000, 1 << 18]),
)
def test_a_file_read_in_runs_gives_the_batches_and_the_report_of_one_read_by_the_message(
    steps: list[Step], first: int, limits: Limits, batch_rows: int, piece: int
) -> None:
    octets = octets_of(steps, first)
    batches, report, alike = read(octets, limits, batch_rows, piece, in_runs=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sequence, "MANY_BREAKS", MODULUS)  # each gap by itself, too
        wanted, wanted_report, _ = read(octets, limits, batch_rows, piece, in_runs=False)
    event(f"runs: {alike > 0}")
    assert batches == wanted
    assert [batch.schema.metadata for batch in batches] == [batch.schema.metadata for batch in wanted]
    assert report == wanted_report


def test_messages_alike_come_in_runs_and_the_others_one_by_one() -> None:
    steps = [Step("alike", 30, 2), Step("two sets", 3, 1), Step("other domain", 30, 2)]
    found = list(messages_in(octets_of(steps, 0), ExportReport(), 1 << 18))
    # A run begins at the second of its length and leaves the last one, behind which another message stands, alone.
    assert [m.messages if isinstance(m, Run) else 1 for m in found] == [1, 1, 28, *[1] * 5, 28, 1]


@pytest.mark.parametrize("count", [LEAST_MESSAGES, LEAST_MESSAGES + 1, MOST_MESSAGES + 1, 2 * MOST_MESSAGES])
def test_a_run_holds_the_messages_of_the_file(count: int) -> None:
    octets = octets_of([Step("alike", count, 1)], 5)
    found = list(one_by_one(messages_in(octets, ExportReport(), 1 << 18)))
    assert b"".join(message.payload for message in found) == octets
    assert [message.offset for message in found] == [0, *range(60, len(octets), 57)]
    assert [message.payload[8:12] for message in found[1:]] == [
        struct.pack("!I", 5 + n) for n in range(count)
    ]


def test_a_message_that_comes_again_after_a_run_of_others_is_a_copy() -> None:
    _, report, alike = read(octets_of(COPIES, 7), Limits(), 1 << 17, 1 << 18, in_runs=True)
    assert alike > 0
    assert sum(told.duplicates for told in report.sessions) == 20 + 40


def test_batches_of_runs_are_those_of_flow_schema() -> None:
    batches, _, _ = read(octets_of([Step("alike", 30, 2)], 0), Limits(), 25, 1 << 18, in_runs=True)
    # Each batch ends with the message that fills it: 13 messages of 2 records.
    assert [batch.num_rows for batch in batches] == [26, 26, 8]
    assert all(batch.schema.equals(FLOW_SCHEMA) for batch in batches)
