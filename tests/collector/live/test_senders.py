"""What each sender may send, and what all of them may cost."""

from __future__ import annotations

import time

import pytest

from flowdiag.addresses import to_bytes
from flowdiag.collector.frames import udp_front
from flowdiag.collector.live import senders
from flowdiag.collector.live.allow import read_allow_list
from flowdiag.collector.live.senders import Exporters, Senders

COLLECTOR = to_bytes("198.51.100.1")


def some(rate: int = 10, *allowed: str) -> tuple[Exporters, Senders]:
    exporters = Exporters(read_allow_list(allowed, []), rate)
    return exporters, Senders(exporters, COLLECTOR, 4739)


def test_all_ports_of_an_exporter_share_its_credit() -> None:
    _, known = some()
    one, other = known.get(("192.0.2.1", 1000)), known.get(("192.0.2.1", 1001))
    assert one is not other
    assert one.exporter is other.exporter
    one.exporter.credit -= 10
    assert other.exporter.credit == 0
    assert known.get(("192.0.2.2", 1000)).exporter.credit == 10


def test_a_mapped_ipv4_address_is_the_ipv4_exporter() -> None:
    _, known = some()
    exporter = known.get(("::ffff:192.0.2.1", 1000)).exporter
    assert (exporter.name, exporter.address) == ("192.0.2.1", to_bytes("192.0.2.1"))


def test_credit_comes_anew_each_second_and_what_was_refused_is_counted() -> None:
    exporters, known = some()
    exporter = known.get(("192.0.2.1", 1000)).exporter
    exporter.credit -= 10
    exporter.over += 3
    exporters.refill(1.0)
    assert (exporter.credit, exporter.taken, exporter.limited) == (10, 10, 3)
    exporter.credit -= 4
    exporters.refill(2.5)
    assert exporter.credit == 25  # a collector that was late gives what it owes
    assert (exporters.taken, exporters.limited, exporters.not_allowed) == (14, 3, 0)


def test_who_is_not_on_the_list_has_no_credit_and_is_counted_apart() -> None:
    exporters, known = some(10, "192.0.2.0/24")
    stranger = known.get(("203.0.113.9", 1000)).exporter
    assert (stranger.allowed, stranger.credit) == (False, 0)
    stranger.over += 7
    exporters.refill(1.0)
    assert (stranger.credit, exporters.not_allowed, exporters.limited) == (0, 7, 0)
    assert exporters.heard() == []


def test_another_list_counts_for_senders_that_are_known_already() -> None:
    exporters, known = some(10, "192.0.2.0/24")
    before = known.get(("192.0.2.1", 1000))
    before.exporter.credit -= 2
    exporters.allow(read_allow_list(["203.0.113.0/24"], []))
    assert not known.get(("192.0.2.1", 1000)).exporter.allowed
    assert known.get(("203.0.113.9", 1000)).exporter.allowed
    assert exporters.taken == 2  # nothing that came before is forgotten


def test_forged_senders_without_end_are_bounded_and_all_counts_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(senders, "MAX_EXPORTERS", 8)
    monkeypatch.setattr(senders, "MAX_SENDERS", 16)
    exporters, known = some()
    for number in range(200):
        sender = known.get((f"192.0.2.{number}", number))
        sender.exporter.credit -= 1
        assert len(known.known) <= 16
        assert len(exporters.heard()) <= 8
    exporters.refill(1.0)
    assert exporters.taken == 200


def test_an_exporter_that_was_heard_for_long_keeps_its_count_and_its_credit(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(senders, "MAX_EXPORTERS", 8)
    exporters, known = some()
    for _ in range(60):
        known.get(("192.0.2.1", 1000)).exporter.credit -= 1
        exporters.refill(1.0)
    known.get(("192.0.2.1", 1000)).exporter.credit -= 10
    for number in range(2, 200):
        known.get((f"192.0.2.{number}", number)).exporter.credit -= 1
    honest = known.get(("192.0.2.1", 1000)).exporter
    assert (honest.credit, honest.taken) == (0, 60)  # a flood does not lift its limit either
    assert exporters.forgotten >= 190
    exporters.refill(1.0)
    assert exporters.taken == 60 + 10 + 198


def test_another_list_keeps_the_counts_of_each_exporter() -> None:
    exporters, known = some(10, "192.0.2.0/24")
    known.get(("192.0.2.1", 1000)).exporter.credit -= 2
    exporters.allow(read_allow_list(["192.0.2.1"], []))
    assert [(one.name, one.taken) for one in exporters.heard()] == [("192.0.2.1", 2)]


def test_ports_of_one_exporter_without_end_are_bounded_and_bring_no_credit(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(senders, "MAX_SENDERS", 16)
    _, known = some()
    taken = 0
    for port in range(1, 100):
        exporter = known.get(("192.0.2.1", port)).exporter
        if exporter.credit > 0:
            exporter.credit -= 1
            taken += 1
        assert len(known.known) <= 16
    assert taken == 10


def test_headers_are_made_once_for_each_length_and_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(senders, "MAX_FRONTS", 32)
    _, known = some()
    one, other = known.get(("192.0.2.1", 1000)), known.get(("2001:db8::1", 1000))
    assert one.front(100) == udp_front(to_bytes("192.0.2.1"), 1000, COLLECTOR, 4739, 100)
    assert other.front(100) == udp_front(to_bytes("2001:db8::1"), 1000, COLLECTOR, 4739, 100)
    for octets in range(300):
        one.front(octets)
        assert len(one.fronts) + len(other.fronts) <= 32


def test_when_an_exporter_was_heard_is_when_something_of_it_was_taken(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    exporters, known = some()
    exporter = known.get(("192.0.2.1", 1000)).exporter
    for now, taken, heard in (
        (1_700_000_000.7, 0, 0),
        (1_700_000_001.7, 3, 1_700_000_001),
        (1_700_000_002.7, 0, 1_700_000_001),
    ):
        monkeypatch.setattr(time, "time", lambda now=now: now)
        exporter.credit -= taken
        exporter.over += 1
        exporters.refill(1.0)
        assert exporter.heard == heard
