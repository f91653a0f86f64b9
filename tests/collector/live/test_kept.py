"""What cannot be decoded yet is kept, bounded, and decoded once its template comes; nothing twice."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from flowdiag import read_export
from flowdiag.collector.live import kept, storing
from flowdiag.collector.live.kept import Keeping
from flowdiag.collector.live.storing import Storing
from flowdiag.errors import StoreError
from tests.collector.decode.wire import FLOW_FIELDS, a_set, netflow9, template, with_template, with_template9
from tests.collector.live.made_up import Worker, address, flows, message


@pytest.fixture
def worker(tmp_path: Path) -> Worker:
    return Worker(tmp_path)


def octets_of(worker: Worker) -> list[int]:
    """The octets of all flows in the store, which tell them apart."""
    return sorted(read_export(worker.store)["octets"].to_pylist())


def expected(*numbers: int) -> list[int]:
    return sorted(100 * number for number in numbers)


def test_data_before_its_template_is_kept_and_decoded_when_that_comes(worker: Worker) -> None:
    early = [message(flows(2, first=2 * n + 1), sequence=2 * n) for n in range(50)]
    assert worker.stored(*early) == 0
    assert worker.kept == [("new", 50)]
    assert not list(worker.folder.glob("*.pcap"))  # the segment itself is gone
    assert worker.late() == 0
    assert worker.stored(message(with_template(), flows(1, first=101), sequence=100, after_s=60)) == 1
    assert worker.late() == 100
    assert worker.kept == []
    assert octets_of(worker) == expected(*range(1, 102))
    assert worker.late() == 0


def test_no_loss_is_told_of_what_was_only_late(worker: Worker) -> None:
    worker.stored(*(message(flows(2), sequence=2 * n) for n in range(5)))
    segment = worker.segment([message(with_template(), flows(1), sequence=10)])
    _, stored = worker.storing.store([segment], last=True)
    assert (stored.lost_records, worker.late()) == (0, 10)


def test_only_what_has_no_template_is_kept_of_a_message(worker: Worker) -> None:
    first = message(
        with_template(256), flows(3), a_set(300, b"x" * 37), flows(2, 257, first=10), flows(1, 257, first=20)
    )
    assert worker.stored(first) == 3
    assert worker.kept == [("known", 1)]
    assert worker.stored(message(with_template(257), sequence=6, after_s=60)) == 0
    assert worker.late() == 3
    assert worker.kept == [("known", 1)]  # the set of template 300
    assert worker.stored(message(a_set(2, template(300, FLOW_FIELDS)), sequence=6, after_s=90)) == 0
    assert worker.late() == 1
    assert worker.kept == []
    flows_in_store = octets_of(worker)
    assert len(flows_in_store) == 7
    assert [octets for octets in flows_in_store if octets <= 2000] == expected(1, 2, 3, 10, 11, 20)


def test_equal_data_sets_of_one_message_are_all_kept(worker: Worker) -> None:
    worker.stored(message(flows(1), flows(1)))
    worker.stored(message(with_template(), sequence=2))
    assert worker.late() == 2


def test_netflow_v9_is_kept_as_well(worker: Worker) -> None:
    def v9(octets: bytes) -> object:
        return message()._replace(payload=octets)

    worker.stored(*(v9(netflow9(flows(4, first=n), sequence=n)) for n in range(1, 20)))  # type: ignore[arg-type]
    worker.stored(v9(netflow9(with_template9(), sequence=20)))  # type: ignore[arg-type]
    assert worker.late() == 19 * 4


def test_what_is_kept_outlives_a_restart_and_so_does_the_template(worker: Worker) -> None:
    worker.stored(message(flows(5)))
    worker.start()
    assert worker.kept == [("new", 1)]
    worker.stored(message(with_template(), sequence=5, after_s=60))
    worker.start()
    assert worker.late() == 5
    worker.start()
    assert (worker.late(), worker.kept) == (0, [])
    assert octets_of(worker) == expected(*range(1, 6))


@contextmanager
def cut_off(monkeypatch: pytest.MonkeyPatch, cut: str, last: tuple[object, str]) -> Iterator[None]:
    """What is done inside ends with an error at a step. last: the step that is neither of the two named here."""

    def crash(*_: object, **__: object) -> bool:
        raise StoreError("cut", file="", advice="")

    steps = {"before the store": (storing, "add_written"), "before it counts": (kept.PuttingAside, "keep")}
    with monkeypatch.context() as broken:
        broken.setattr(*steps.get(cut, last), crash)
        with pytest.raises(StoreError):
            yield


@pytest.mark.parametrize("cut", ["before the store", "before it counts", "before the segment goes"])
def test_wherever_a_crash_cuts_it_nothing_is_lost_or_twice(
    worker: Worker, monkeypatch: pytest.MonkeyPatch, cut: str
) -> None:
    segment = worker.segment([message(with_template(), flows(3), flows(2, 257, first=10))])

    with cut_off(monkeypatch, cut, (storing.seed_files, "save")):
        worker.storing.store([segment])
    worker.start()
    _, again = worker.storing.store([segment])
    assert again.records == (3 if cut == "before the store" else 0)
    assert worker.kept == [("known", 1)]
    worker.stored(message(with_template(257), sequence=5, after_s=60))
    assert worker.late() == 2
    assert octets_of(worker) == expected(1, 2, 3, 10, 11)


@pytest.mark.parametrize("cut", ["before the store", "before it counts", "before it goes"])
def test_wherever_a_crash_cuts_the_late_decoding_nothing_is_lost_or_twice(
    worker: Worker, monkeypatch: pytest.MonkeyPatch, cut: str
) -> None:
    worker.stored(message(flows(3), flows(2, 257, first=10)))
    worker.stored(message(with_template(256), sequence=5))

    with cut_off(monkeypatch, cut, (Keeping, "remove")):
        worker.storing.store_kept()
    worker.start()
    worker.stored(message(with_template(257), sequence=5, after_s=60))  # both are known now
    worker.late()
    assert worker.kept == []
    assert octets_of(worker) == expected(1, 2, 3, 10, 11)


def test_the_oldest_goes_first_of_each_kind_and_is_counted(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(kept.MAX_OCTETS, "new", 4_000)
    worker.stored(message(with_template(), flows(1), flows(1, 257)))  # of one that is known
    for n in range(10):
        worker.stored(*(message(flows(1, 300), of=2 + n, sequence=k) for k in range(8)))
    kinds = [kind for kind, _ in worker.kept]
    assert kinds.count("known") == 1
    left = sum(messages for kind, messages in worker.kept if kind == "new")
    assert worker.storing.keeping.given_up == 80 - left > 0
    assert sum(one.octets for one in worker.storing.keeping.files() if one.kind == "new") <= 4_000
    worker.start()
    assert worker.kept[0] == ("known", 1)


def test_an_exporter_that_has_filled_its_share_gets_no_more_and_the_others_theirs(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(kept.MAX_OF_EXPORTER, "new", 2_000)
    for n in range(4):
        worker.stored(*(message(flows(1, 300), of=2, sequence=100 * n + k) for k in range(100)))
    worker.stored(message(flows(7), of=3))
    assert worker.storing.keeping.octets_of("new", address(2)) <= 2_000
    assert worker.storing.keeping.given_up > 380
    worker.stored(message(with_template(), of=3, sequence=7, after_s=60))
    assert worker.late() == 7


def test_the_number_of_files_is_bounded(worker: Worker, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "MAX_FILES", 3)
    for n in range(6):
        worker.stored(message(flows(1), sequence=n))
    assert worker.kept == [("new", 1)] * 3
    assert worker.storing.keeping.given_up == 3


def test_a_file_is_tried_again_only_when_its_exporters_have_defined_more(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    worker.stored(message(with_template(256), flows(1), flows(1, 300)))
    tries = []
    decode = Storing._decode_kept

    def counted(self: Storing, *arguments: object) -> bool:
        tries.append(1)
        return decode(self, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(Storing, "_decode_kept", counted)
    for n in range(5):
        worker.stored(message(flows(1), sequence=2 + n))
        worker.late()
    assert len(tries) == 1
    worker.stored(message(with_template(301), sequence=7))
    worker.late()
    worker.stored(message(with_template(301), sequence=7, after_s=9))
    worker.late()
    assert len(tries) == 2


def test_each_file_has_its_turn(worker: Worker) -> None:
    for n in range(2, 6):
        worker.stored(message(flows(n), of=n))
    worker.stored(*(message(with_template(), of=n, sequence=n) for n in range(2, 6)))
    told = [worker.storing.store_kept() for _ in range(4)]
    assert [one.late for one in told if one is not None] == [2, 3, 4, 5]
