"""Clocks that disagree with the capture's: which session tells, and what is said."""

from __future__ import annotations

from flowdiag.addresses import to_bytes
from flowdiag.collector.clocks import TOLERATED_MS, Clocks
from flowdiag.collector.report import ExportReport, SessionReport

ONE, OTHER = to_bytes("192.0.2.10"), to_bytes("192.0.2.11")


def clocks(*sessions: tuple[bytes, int, int, int | None]) -> Clocks:
    """Exporter, domain, messages and offset of each session."""
    report = ExportReport()
    report.sessions = [
        SessionReport(exporter, port, domain, "ipfix", messages=messages, clock_offset_ms=offset)
        for port, (exporter, domain, messages, offset) in enumerate(sessions)
    ]
    return Clocks(report)


def test_offsets_within_the_tolerance_move_nothing() -> None:
    for offset, moved in (
        (TOLERATED_MS, 0),
        (TOLERATED_MS + 1, 5_001),
        (-TOLERATED_MS - 1, -5_001),
        (None, 0),
    ):
        known = clocks((ONE, 1, 10, offset))
        assert known.offset_ms(ONE, 1) == known.offset_ms(ONE) == moved
        assert known.moved() == ([(ONE, moved)] if moved else [])


def test_of_a_domains_sessions_the_one_with_most_messages_tells_the_first_of_equals() -> None:
    assert clocks((ONE, 1, 10, 60_000), (ONE, 1, 11, 90_000)).offset_ms(ONE, 1) == 90_000
    assert clocks((ONE, 1, 11, 60_000), (ONE, 1, 10, 90_000)).offset_ms(ONE, 1) == 60_000
    assert clocks((ONE, 1, 10, 60_000), (ONE, 1, 10, 90_000)).offset_ms(ONE, 1) == 60_000


def test_without_a_domain_it_is_that_of_the_busiest() -> None:
    known = clocks((ONE, 1, 10, 60_000), (ONE, 2, 11, 0), (OTHER, 1, 11, 90_000), (OTHER, 2, 11, 0))
    assert (known.offset_ms(ONE), known.offset_ms(OTHER), known.offset_ms(bytes(16))) == (0, 90_000, 0)
    assert known.offsets_ms([(ONE, 1), (ONE, 2), (OTHER, 1), (OTHER, 9)]).tolist() == [60_000, 0, 90_000, 0]


def test_an_exporter_whose_domains_are_off_alike_is_told_once() -> None:
    assert clocks((ONE, 1, 10, 90_000), (ONE, 2, 10, 90_000)).moved() == [(ONE, 90_000)]
