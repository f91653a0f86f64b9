"""A datagram that comes more than once counts once, however much later, and whether or not it was put off meanwhile."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowdiag import read_export
from flowdiag.collector.datagram import Datagram
from flowdiag.collector.live import decoders
from flowdiag.collector.live.copies import Copies
from flowdiag.inspection import inspect_export
from tests.collector.decode.wire import (
    FLOW_FIELDS,
    a_set,
    netflow5,
    netflow9,
    record5,
    template,
    with_template,
    with_template9,
)
from tests.collector.live.made_up import Worker, flows, message

# More than a decoder remembers of its exporter, and than are looked at together.
MANY = decoders.CHUNK + 100


@pytest.fixture
def worker(tmp_path: Path) -> Worker:
    return Worker(tmp_path)


def numbered(count: int, first: int = 1) -> list[Datagram]:
    """Messages of one record each, the number of which is in its octets."""
    return [
        message(*([with_template()] if n == 0 else []), flows(1, first=first + n), sequence=n)
        for n in range(count)
    ]


def numbers_of(worker: Worker) -> list[int]:
    """Of all records in the store."""
    return sorted(octets // 100 for octets in read_export(worker.store)["octets"].to_pylist())


def duplicates_of(worker: Worker) -> int:
    return sum(session.duplicates for session in inspect_export([worker.store]).report.sessions)


@pytest.mark.parametrize("apart", [1, 40, 1_000, MANY])
def test_a_copy_counts_once_however_many_messages_come_between(worker: Worker, apart: int) -> None:
    sent = numbered(MANY + 1)
    stored = worker.stored(*sent[: 1 + apart], sent[1], *sent[1 + apart :])
    assert stored == len(sent)
    assert numbers_of(worker) == list(range(1, len(sent) + 1))
    assert duplicates_of(worker) == 1


def test_copies_in_later_segments_count_once_too(worker: Worker) -> None:
    sent = numbered(300)
    assert worker.stored(*sent[:200]) == 200
    assert worker.stored(*sent[50:250]) == 50
    assert worker.stored(*sent) == 50
    assert numbers_of(worker) == list(range(1, 301))
    assert duplicates_of(worker) == 150 + 250


def test_the_last_message_before_a_restart_is_known_after_it(worker: Worker) -> None:
    sent = numbered(3)
    assert worker.stored(*sent[:2]) == 2
    worker.start()
    assert worker.stored(*sent[1:]) == 1
    assert numbers_of(worker) == [1, 2, 3]


@pytest.mark.parametrize("put_off", ["the message", "its copy"])
def test_a_copy_counts_once_where_one_of_both_is_put_off(
    worker: Worker, monkeypatch: pytest.MonkeyPatch, put_off: str
) -> None:
    taught, copied, after = numbered(3)
    worker.stored(taught)
    for one, is_put_off in (([copied], put_off == "the message"), ([copied, after], put_off == "its copy")):
        with monkeypatch.context() as patch:
            if is_put_off:
                patch.setattr(decoders, "FREE_S", -1.0)
            worker.stored(*one)
    assert worker.kept == [("later", 1)]
    assert worker.late() == 1
    assert numbers_of(worker) == [1, 2, 3]


def test_copies_of_an_exporter_that_has_to_wait_count_once_too(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent = numbered(40)
    with monkeypatch.context() as patch:
        patch.setattr(decoders, "MAX_ADMITTED", 0)
        assert worker.stored(*sent, *sent) == 0
    assert worker.kept == [("later", 40)]
    assert worker.late() == 40
    assert numbers_of(worker) == list(range(1, 41))


def test_data_before_its_template_are_kept_once(worker: Worker) -> None:
    sent = [message(flows(1, first=1 + n), sequence=n) for n in range(50)]
    worker.stored(*sent, *sent)
    assert worker.kept == [("new", 50)]
    worker.stored(message(with_template(), sequence=50))
    assert worker.late() == 50
    assert numbers_of(worker) == list(range(1, 51))


@pytest.mark.parametrize(
    ("other", "why"),
    [
        (message(flows(1), sequence=1), "number"),
        (message(flows(1), after_s=1), "time"),
        (message(flows(1), port=50_001), "session"),
        (message(flows(1), of=2), "exporter"),
        (message(flows(1), domain=2), "domain"),
        (message(flows(2)), "records"),
    ],
    ids=lambda one: one if isinstance(one, str) else "",
)
def test_what_differs_in_anything_is_no_copy(other: Datagram, why: str) -> None:
    copies = Copies()
    assert copies.add(message(flows(1)))
    assert copies.add(other)
    assert not copies.add(message(flows(1)))


def test_equal_records_of_different_messages_all_count(worker: Worker) -> None:
    sent = [message(with_template(), flows(1)), *(message(flows(1), sequence=n) for n in range(1, 50))]
    assert worker.stored(*sent) == 50


def test_netflow_version_5_and_9_are_looked_at_as_well(worker: Worker) -> None:
    five = message()._replace(payload=netflow5(record5()))
    nine = message()._replace(payload=netflow9(with_template9(), flows(1)))
    assert worker.stored(five, nine, *numbered(100), five, nine) == 102
    assert duplicates_of(worker) == 2


def test_definitions_come_as_often_as_they_like(worker: Worker) -> None:
    """An exporter whose clock stands still changes its template and changes it back, without data in between."""
    shorter = a_set(2, template(256, FLOW_FIELDS[:-2]))
    asked = [message(with_template()), message(shorter), message(with_template()), message(flows(3))]
    assert worker.stored(*asked) == 3
    assert numbers_of(worker) == [1, 2, 3]


def test_so_many_messages_are_remembered_and_no_more() -> None:
    copies = Copies(remembered=10)
    sent = numbered(100)
    for n, one in enumerate(sent):
        assert copies.add(one)
        assert not any(copies.add(known) for known in sent[max(n - 9, 0) : n])
    assert all(copies.add(one) for one in sent[:5])
