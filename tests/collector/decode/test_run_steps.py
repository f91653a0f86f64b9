"""Runs of messages alike are taken in steps, as many at once as the batch has room for. All figures worked out by hand."""

from __future__ import annotations

from typing import Any

import pytest

from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.messages import HEADER_KEPT
from flowdiag.collector.report import ExportReport
from flowdiag.collector.run import Run
from tests.collector.decode.wire import (
    EXPORT_S,
    a_set,
    datagrams,
    flow,
    ipfix,
    session,
    template,
    v4,
    with_template,
)

# Header, head of the set, one record; and what a message takes beside its octets, as it was measured.
LENGTH = 16 + 4 + 37
MESSAGE = 256
TAUGHT = ipfix(with_template(), a_set(256, flow()))


class Watched(Decoder):
    """Keeps how many messages each step took; 0: one that went by itself."""

    def __init__(self, **options: Any) -> None:
        super().__init__(ExportReport(), **options)
        self.steps: list[int] = []

    def _take_usual(self, run: Run, sequences: Any, place: int) -> int:
        taken = super()._take_usual(run, sequences, place)
        self.steps.append(taken)
        return taken


def run_of(messages: list[bytes], *, of: Session | None = None, before: int = 0, offset: int = 0) -> Run:
    """A run of messages of one length. before: octets of something else in front; offset: of the first message."""
    assert len({len(message) for message in messages}) == 1
    octets = bytes(before) + b"".join(messages)
    return Run(of or session(), octets, before, len(messages[0]), len(messages), offset)


def alike(count: int, first: int = 1) -> list[bytes]:
    return [ipfix(a_set(256, flow(first + n)), sequence=first + n) for n in range(count)]


def watched(*messages: bytes, **options: Any) -> Watched:
    decoder = Watched(**options)
    for message in datagrams(messages or [TAUGHT]):
        decoder.feed(message, "export")
    return decoder


def rows_of(decoder: Decoder) -> list[int]:
    return [batch.num_rows for batch in decoder.batches()]


def packets_of(decoder: Decoder) -> list[int]:
    return [packets for batch in decoder.finish() for packets in batch["packets"].to_pylist()]


@pytest.mark.parametrize("before", [0, 5])
def test_a_run_that_goes_on_where_the_domain_is_takes_one_step(before: int) -> None:
    decoder = watched()
    begin = decoder.pending_octets
    decoder.feed_run(run_of(alike(10), before=before), "export")
    assert decoder.steps == [10]
    assert (decoder.rows, decoder.pending_octets - begin) == (11, 10 * (LENGTH + MESSAGE))
    (next_one,) = datagrams(alike(1, 11))
    decoder.feed_run(Run(session(), next_one.payload, 0, LENGTH, 1, 0), "export")
    assert decoder.steps == [10, 1]
    assert packets_of(decoder) == [1, *range(1, 12)]


def test_a_run_goes_on_over_the_largest_sequence_number() -> None:
    last = (1 << 32) - 1
    decoder = watched(ipfix(with_template(), a_set(256, flow()), sequence=last - 3))
    messages = [ipfix(a_set(256, flow(n)), sequence=(last - 2 + n) % (1 << 32)) for n in range(8)]
    decoder.feed_run(run_of(messages), "export")
    decoder.feed_run(run_of([ipfix(a_set(256, flow()), sequence=5)]), "export")
    assert decoder.steps == [8, 1]


def test_a_message_that_was_lost_ends_a_step_and_the_one_behind_it_goes_by_itself() -> None:
    decoder = watched()
    decoder.feed_run(run_of([*alike(3), *alike(4, 5)]), "export")
    assert decoder.steps == [3, 0, 3]
    list(decoder.finish())
    assert [told.lost_records for told in decoder.report.sessions] == [1]


def test_messages_without_records_do_not_move_the_numbers() -> None:
    decoder = watched()
    empty = [ipfix(a_set(256, bytes(20)), sequence=1)] * 9  # padding of a record that did not fit
    decoder.feed_run(run_of(empty), "export")
    decoder.feed_run(run_of(alike(2)), "export")
    assert (decoder.steps, decoder.rows) == ([9, 2], 3)


@pytest.mark.parametrize(
    ("rows", "steps", "ready"),
    [
        (4, [3, 0, 3, 0, 2], [4, 4]),  # the first of a batch makes its place by itself
        (5, [4, 0, 4, 0], [5, 5]),
        (11, [10], [11]),
        (12, [10], []),
        (2, [1, 0, 1, 0, 1, 0, 1, 0, 1, 0], [2] * 5),
    ],
)
def test_a_step_ends_with_the_record_that_fills_the_batch(
    rows: int, steps: list[int], ready: list[int]
) -> None:
    decoder = watched(batch_rows=rows)
    decoder.feed_run(run_of(alike(10)), "export")
    assert (decoder.steps, rows_of(decoder)) == (steps, ready)


def test_messages_of_several_records_end_a_step_where_the_batch_is_full() -> None:
    """Two records each behind the one of the template's message: 1 + 2 + 2 + 2 are the first that are six."""
    messages = [ipfix(a_set(256, flow(), flow()), sequence=1 + 2 * n) for n in range(4)]
    decoder = watched(batch_rows=6)
    decoder.feed_run(run_of(messages), "export")
    assert (decoder.steps, rows_of(decoder)) == ([3, 0], [7])


@pytest.mark.parametrize(("more", "taken"), [(-1, 3), (0, 3), (1, 4)])
def test_a_step_ends_with_the_message_whose_octets_fill_the_batch(more: int, taken: int) -> None:
    begin = watched().pending_octets
    decoder = watched(limits=Limits(pending_octets=begin + 3 * (LENGTH + MESSAGE) + more))
    decoder.feed_run(run_of(alike(4)), "export")
    assert decoder.steps[0] == taken
    assert rows_of(decoder) == [1 + taken]


@pytest.mark.parametrize(
    "message",
    [
        ipfix(a_set(257, flow()), sequence=1),  # another template
        ipfix(a_set(256, flow()), sequence=1, domain=2),
        ipfix(a_set(256, flow()), a_set(256, flow()), sequence=1),
        ipfix(a_set(256, flow()), sequence=2),
    ],
)
def test_messages_of_another_kind_go_by_themselves(message: bytes) -> None:
    decoder = watched()
    decoder.feed_run(run_of([message]), "export")
    assert decoder.steps == [0]


@pytest.mark.parametrize(("padding", "taken"), [(0, 0), (1, 3)])
def test_a_message_shorter_than_what_is_kept_of_each_goes_by_itself(padding: int, taken: int) -> None:
    """Records of three octets behind the 20 of header and head of the set."""
    taught = ipfix(a_set(2, template(256, ((8, 2), (1, 1)))), a_set(256, bytes(3)))
    messages = [ipfix(a_set(256, bytes(3), padding=padding), sequence=1 + n) for n in range(3)]
    assert len(messages[0]) == HEADER_KEPT - 1 + padding
    decoder = watched(taught)
    decoder.feed_run(run_of(messages), "export")
    assert decoder.steps[0] == taken


def test_a_run_is_of_its_own_session_whoever_came_before() -> None:
    decoder = watched()
    decoder.feed(Datagram(session(2), TAUGHT, None, 0), "export")
    decoder.feed_run(run_of(alike(3)), "export")
    assert decoder.steps == [3]
    list(decoder.finish())
    told = {told.exporter: told.records for told in decoder.report.sessions}
    assert told == {v4("192.0.2.1"): 4, v4("192.0.2.2"): 1}


def test_a_problem_tells_file_and_offset_of_its_message_in_the_run() -> None:
    messages = alike(6)
    backwards = flow(4, start_ms=EXPORT_S * 1000, end_ms=EXPORT_S * 1000 - 1)
    messages[3] = ipfix(a_set(256, backwards), sequence=4)
    decoder = watched()
    decoder.feed_run(run_of(messages, before=3, offset=1000), "another")
    list(decoder.finish())
    (problem,) = decoder.report.problems
    assert (problem.file, problem.offset, problem.count) == ("another", 1000 + 3 * LENGTH, 1)


def test_a_copy_of_a_message_of_a_run_is_known() -> None:
    decoder = watched()
    messages = alike(5)
    decoder.feed_run(run_of(messages), "export")
    (copy,) = datagrams([messages[1]])
    decoder.feed(copy, "export")
    list(decoder.finish())
    assert [(told.records, told.duplicates) for told in decoder.report.sessions] == [(6, 1)]


def test_a_domain_that_was_forgotten_is_told_in_the_report_of_its_stretch_alone() -> None:
    decoder = watched(limits=Limits(domains=1))
    (other,) = datagrams([ipfix(with_template(), a_set(256, flow()), domain=7)])
    decoder.feed(other, "export")
    _, first = decoder.cut()
    _, second = decoder.cut()
    assert sorted(told.domain for told in first.sessions) == [1, 7]
    assert [told.domain for told in second.sessions] == [7]
