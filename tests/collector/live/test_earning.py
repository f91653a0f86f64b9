"""Exporters earn their place: what others send, or make up, costs none of them its templates, its flows or its turn."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest

from flowdiag import read_export
from flowdiag.collector.datagram import Datagram
from flowdiag.collector.live import decoders, exporter_state
from flowdiag.collector.live.decoders import Decoders, Interrupted, Nowhere
from flowdiag.collector.live.exporter_state import ExporterState
from tests.collector.decode.wire import EXPORT_S, FLOW_FIELDS, a_set, template, with_template
from tests.collector.live.made_up import HONEST, Worker, address, flows, message

FORGED = 2_300
DAY = EXPORT_S // 86_400


def still() -> float:
    """The clock of those whose work takes no time."""
    return 0.0


def segment(known: Decoders, messages: Iterable[Datagram]) -> dict[int, int]:
    """Records of each exporter, by its number."""
    ready: dict[bytes, int] = {}
    for state in known.take(messages, "segment"):
        ready[address_of(state)] = ready.get(address_of(state), 0) + sum(
            batch.num_rows for batch in state.decoder.batches()
        )
    for state in known.touched():
        batches, _ = state.cut()
        ready[address_of(state)] = ready.get(address_of(state), 0) + sum(batch.num_rows for batch in batches)
    known.bound()
    return {int.from_bytes(exporter[13:], "big"): records for exporter, records in ready.items()}


def address_of(state: ExporterState) -> bytes:
    assert state.session is not None
    return state.session.exporter


def one_record(number: int) -> Datagram:
    return message(with_template(), flows(1), of=number)


@pytest.mark.parametrize("honest_is_heard", ["first", "last"])
def test_forged_exporters_without_templates_cost_a_known_one_nothing(honest_is_heard: str) -> None:
    known = Decoders(clock=still)
    segment(known, [message(with_template(), flows(1))])
    forged = [message(flows(1), of=number) for number in range(2, 2 + FORGED)]
    for n in range(2):
        mine = [message(flows(9), sequence=1 + 9 * n)]
        records = segment(known, [*mine, *forged] if honest_is_heard == "first" else [*forged, *mine])
        assert records[HONEST] == 9
    assert len(known) <= decoders.MAX_ADMITTED + 1


def test_one_that_was_heard_for_an_hour_outlives_any_number_that_has_flow_records_too(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(decoders, "MAX_EXPORTERS", 8)
    monkeypatch.setattr(decoders, "MAX_ADMITTED", 10_000)
    known = Decoders(clock=still)
    segment(known, [message(with_template(), flows(1))])
    for minute in range(1, 60):
        segment(known, [message(flows(1), sequence=minute, after_s=60 * minute)])
    for wave in range(5):
        segment(known, map(one_record, range(100 * wave + 2, 100 * wave + 102)))
        assert len(known) == 8
    assert segment(known, [message(flows(4), sequence=60)])[HONEST] == 4


def test_of_equal_worth_the_one_goes_that_was_not_heard_for_the_longest_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(decoders, "MAX_EXPORTERS", 3)
    known = Decoders(clock=still)
    segment(known, map(one_record, (1, 2, 3)))
    segment(known, [message(a_set(2, template(300, FLOW_FIELDS)), of=1, sequence=1)])  # heard, no records
    segment(known, [one_record(4)])
    assert [number for number in (1, 2, 3, 4) if known.get(address(number))] == [1, 3, 4]
    assert known.forgotten == 1


def test_newcomers_push_out_newcomers_the_oldest_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decoders, "MAX_NEWCOMERS", 4)
    known = Decoders(clock=still)
    segment(known, (message(with_template(), of=number) for number in range(2, 12)))
    assert [number for number in range(2, 12) if known.get(address(number))] == [8, 9, 10, 11]
    assert known.forgotten == 6


def test_only_so_many_newcomers_a_day_get_a_folder_the_others_have_to_wait(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(decoders, "MAX_ADMITTED", 5)
    worker = Worker(tmp_path)
    assert worker.stored(*map(one_record, range(1, 31))) == 5
    assert worker.kept == [("later", 25)]
    assert len(list(worker.store.glob("exporter=*"))) == 5
    assert worker.stored(*(message(flows(2), of=number, sequence=1) for number in range(1, 31))) == 10
    worker.start()  # who has a folder needs not be let in again
    again = [message(with_template(), flows(2), of=number, sequence=3) for number in range(1, 31)]
    assert worker.stored(*again) == 20
    assert len(list(worker.store.glob("exporter=*"))) == 10


def test_the_others_are_let_in_on_another_day(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decoders, "MAX_ADMITTED", 5)
    worker = Worker(tmp_path)
    worker.stored(*map(one_record, range(1, 9)))
    assert worker.late() == 3  # today is later than EXPORT_S
    assert worker.kept == []
    assert sorted(read_export(worker.store)["exporter"].to_pylist()) == [address(n) for n in range(1, 9)]


def test_who_is_listed_one_by_one_is_let_in_always(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decoders, "MAX_ADMITTED", 2)
    known = Decoders(clock=still)
    known.listed = frozenset({address(9)})
    assert segment(known, map(one_record, range(1, 10))) == {1: 1, 2: 1, 9: 1}


def test_senders_without_flow_records_get_no_folder(tmp_path: Path) -> None:
    worker = Worker(tmp_path)
    worker.stored(*(message(with_template(), of=number) for number in range(2, 200)), one_record(HONEST))
    assert [path.name for path in worker.store.glob("exporter=*")] == ["exporter=10.0.0.1"]


def test_messages_that_are_put_off_and_come_later_are_not_taken_for_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    worker = Worker(tmp_path)
    assert worker.stored(message(with_template(), flows(1))) == 1
    monkeypatch.setattr(decoders, "FREE_S", -1.0)
    stored = worker.storing.store([worker.segment([message(flows(2), sequence=1, after_s=60)])])[1]
    assert (stored.records, worker.kept) == (0, [("later", 1)])
    monkeypatch.undo()
    after = worker.segment([message(flows(4), sequence=3 + 4 * n, after_s=120 + n) for n in range(5)])
    stored = worker.storing.store([after])[1]
    assert (stored.records, stored.lost_records) == (20, 0)
    assert worker.late() == 2
    last = [worker.segment([message(flows(3), sequence=23 + 3 * n, after_s=180 + 9 * n)]) for n in range(5)]
    stored = worker.storing.store(last)[1]
    assert (stored.records, stored.lost_records) == (15, 0)
    gone = worker.storing.store([worker.segment([message(flows(3), sequence=45, after_s=300)])])[1]
    assert (gone.lost_records, worker.storing.end().lost_records) == (0, 7)  # now some are really lost
    assert sorted(read_export(worker.store)["exporter"].to_pylist()) == [address(HONEST)] * (
        1 + 2 + 20 + 15 + 3
    )


class Clock:
    """Tells the time that messages took: each turn a quarter of a second."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    told = Clock()
    take = ExporterState.take

    def slowly(state: ExporterState, datagrams: Iterable[Datagram], file: str) -> None:
        told.now += 0.25
        take(state, datagrams, file)

    monkeypatch.setattr(ExporterState, "take", slowly)
    return told


def test_who_costs_more_than_its_records_are_worth_waits_until_the_others_had_their_turn(
    clock: Clock,
) -> None:
    known = Decoders(clock=clock)
    segment(known, map(one_record, (1, 2)))
    aside = known.aside = Nowhere()
    costly = [message(with_template(300), of=2, sequence=1) for _ in range(64 * 20)]
    records = segment(known, [*costly, *(message(flows(1), sequence=n) for n in range(1, 65))])
    assert records == {1: 64, 2: 0}
    assert aside.messages == 64 * 15  # five turns are more than a second
    assert segment(known, [message(flows(3), of=2, sequence=1)])[2] == 3  # the next segment is another


def test_what_is_sent_from_other_ports_of_an_address_waits_for_what_comes_from_the_usual_one(
    clock: Clock,
) -> None:
    known = Decoders(clock=clock)
    segment(known, [message(with_template(), flows(1))])
    aside = known.aside = Nowhere()
    forged = [message(with_template(300), port=1_000 + n % 50) for n in range(64 * 20)]
    records = segment(known, [*forged, *(message(flows(1), sequence=1 + n) for n in range(100))])
    assert records == {HONEST: 100}
    assert 64 * 15 < aside.messages < 64 * 18
    assert segment(known, [message(flows(3), sequence=101)])[HONEST] == 3


def test_a_copy_is_known_as_one_though_ports_without_end_made_the_decoder_new() -> None:
    known = Decoders(clock=still)
    segment(known, [message(with_template(), flows(1))])
    ports = [message(with_template(), flows(1), port=1_000 + n, after_s=n / 100) for n in range(200)]
    last = message(flows(9), sequence=1, after_s=2)
    assert segment(known, [last, *ports])[HONEST] == 9 + 200
    assert segment(known, [last, message(flows(4), sequence=10, after_s=3)])[HONEST] == 4


def test_ports_without_end_leave_the_usual_one_its_turn(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(exporter_state, "MAX_SESSIONS", 8)
    known = Decoders(clock=clock)
    for n in range(8):
        segment(known, [message(with_template(), flows(1), sequence=n)])
    for wave in range(3):
        made_up = [message(with_template(), flows(1), port=1_000 + 40 * wave + n) for n in range(40)]
        assert segment(known, [*made_up, message(flows(1), sequence=8 + wave)])[HONEST] == 41
    monkeypatch.setattr(decoders, "PER_RECORD_S", 0.0)
    forged = [message(with_template(300), port=1_080 + n % 40) for n in range(64 * 20)]
    assert segment(known, [*forged, message(flows(9), sequence=11)])[HONEST] == 9


def test_who_sends_templates_with_a_record_each_waits_for_the_columnar_steps_that_they_cost() -> None:
    """A long datagram of them is read in no time, and takes a second to become rows."""
    known = Decoders(clock=still)
    segment(known, map(one_record, (1, 2)))
    aside = known.aside = Nowhere()
    costly = []
    for n in range(10):
        fields = ((8, 4), (1, 1 + n % 8))
        many = (
            a_set(2, template(number, fields)) + a_set(number, bytes(5 + n % 8))
            for number in range(300, 1_300)
        )
        costly.append(message(*many, of=2, sequence=1 + 1_000 * n))
    usual = [message(flows(1), sequence=1 + n) for n in range(1_000)]
    records = segment(known, [*costly, *usual])
    assert (records[HONEST], records[2]) == (1_000, 5_000)
    # each costs half of a second and is worth a fifth: the five of a turn use up the free second as well
    assert aside.messages == 5


def test_who_has_flow_records_may_cost_in_proportion(clock: Clock) -> None:
    known = Decoders(clock=clock)
    many = [
        message(with_template(), sequence=0),
        *(message(flows(40), sequence=40 * n) for n in range(64 * 20)),
    ]
    assert segment(known, many)[HONEST] == 40 * 64 * 20


def test_newcomers_together_have_a_share_of_the_time(clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    known = Decoders(clock=clock)
    aside = known.aside = Nowhere()
    segment(known, (message(with_template(), of=number) for number in range(2, 102)))
    assert aside.messages == 97  # three turns are more than half a second
    aside.messages = 0
    spread = (message(with_template(), of=number, after_s=number) for number in range(200, 300))
    monkeypatch.setattr(decoders, "CHUNK", 1)
    segment(known, spread)
    assert (
        15 <= aside.messages <= 25
    )  # a fifth of a second for each second: of a hundred turns some eighty fit


def test_while_all_keep_too_much_who_keeps_more_than_its_share_has_to_wait(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(decoders, "MAX_ALL_OCTETS", 400_000)
    monkeypatch.setattr(decoders, "SHARE_OCTETS", 40_000)
    known = Decoders(clock=still)
    segment(known, map(one_record, range(1, 6)))
    greedy = [
        message(a_set(2, *(template(number, FLOW_FIELDS) for number in range(first, first + 30))), of=9)
        for first in range(256, 30_256, 30)
    ]
    aside = known.aside = Nowhere()
    segment(known, greedy)
    assert aside.messages > 800
    assert known.get(address(9)) is None  # and then goes first
    assert known.forgotten == 1
    after = segment(known, [message(flows(2), of=number, sequence=1) for number in range(1, 6)])
    assert after == dict.fromkeys(range(1, 6), 2)


def test_forged_ports_and_domains_of_its_own_address_cost_an_exporter_no_templates() -> None:
    known = Decoders(clock=still)
    segment(known, [message(with_template(), flows(1))])
    for wave in range(2):
        ports = [message(with_template(), port=1_000 + 300 * wave + n, domain=n) for n in range(300)]
        ids = [message(with_template(), domain=1_000 * (wave + 1) + n) for n in range(300)]
        records = segment(known, [*ports, *ids, message(flows(5), sequence=1 + 5 * wave)])
        assert records[HONEST] == 5


def test_what_is_to_end_ends_within_a_chunk() -> None:
    known = Decoders(clock=still)
    asked = []

    def ended() -> bool:
        asked.append(1)
        return len(asked) > 2

    endless = (message(flows(1), sequence=n) for n in range(10 * decoders.CHUNK))
    with pytest.raises(Interrupted):
        list(known.take(endless, "segment", ended))
    assert next(endless).session.exporter == address(HONEST)
