"""Each protocol counts its sequence numbers by its own rule."""

from __future__ import annotations

import struct

import pytest

from flowdiag.scenario import activities as do
from flowdiag.scenario.exporting import Exporting
from flowdiag.scenario.metering import Meter
from flowdiag.scenario.write import Situation, enact, export_messages
from tests.scenario.scenes import scene

NEAR_WRAP = 2**32 - 20


@pytest.fixture(scope="module")
def situation() -> Situation:
    stage = scene(3)
    do.web(stage, stage.start, stage.end, 5)
    return enact(stage, Meter(sampling=2))


def test_netflow9_counts_packets(situation: Situation) -> None:  # RFC 3954 5.1
    exporting = Exporting(protocol="netflow9", times="uptime", first_sequence=NEAR_WRAP)
    numbers = [struct.unpack_from("!I", m.payload, 12)[0] for m in export_messages(situation, exporting)]
    assert numbers == [(NEAR_WRAP + n) % 2**32 for n in range(len(numbers))]
    assert numbers[-1] < NEAR_WRAP


def test_ipfix_counts_data_records_and_options_but_no_templates(situation: Situation) -> None:  # RFC 7011 3.1
    messages = export_messages(situation, Exporting(protocol="ipfix", first_sequence=NEAR_WRAP))
    numbers = [struct.unpack_from("!I", m.payload, 8)[0] for m in messages]
    # The first message: templates, one sampling record, three interface names (LAN and two links).
    assert numbers[1] == NEAR_WRAP + 4
    announcements = sum(struct.unpack_from("!H", m.payload, 16)[0] == 2 for m in messages)
    last = messages[-1].payload
    assert struct.unpack_from("!H", last, 16)[0] != 2
    in_all_but_last = len(situation.records) + 4 * announcements - _records(last)
    assert numbers[-1] == (NEAR_WRAP + in_all_but_last) % 2**32


def _records(payload: bytes) -> int:
    """Data records in a message with flow sets only: template 256 has 57 octets a record, 257 has 81."""
    count, at = 0, 16
    while at < len(payload):
        number, length = struct.unpack_from("!HH", payload, at)
        count += (length - 4) // {256: 57, 257: 81}[number]
        at += length
    return count


def test_netflow5_counts_the_records_before(situation: Situation) -> None:  # common practice, no RFC
    exporting = Exporting(protocol="netflow5", times="uptime", first_sequence=7)
    expected = 7
    for message in export_messages(situation, exporting):
        version, count = struct.unpack_from("!HH", message.payload)
        assert (version, struct.unpack_from("!I", message.payload, 16)[0]) == (5, expected)
        expected += count


def test_lost_datagrams_leave_a_gap(situation: Situation) -> None:
    everything = export_messages(situation, Exporting(protocol="ipfix"))
    arrived = export_messages(situation, Exporting(protocol="ipfix", loss=0.2))
    assert set(arrived) < set(everything)
    assert 0.6 < len(arrived) / len(everything) < 0.95


def test_a_silent_exporter_that_was_down_leaves_no_gap(situation: Situation) -> None:
    middle = (situation.start_ms + 60_000, situation.start_ms + 120_000)
    for counted in (True, False):
        exporting = Exporting(protocol="netflow5", times="uptime", silent=(middle,), silent_counted=counted)
        messages = export_messages(situation, exporting)
        assert not any(middle[0] <= message.time_ms < middle[1] for message in messages)
        numbers = [struct.unpack_from("!I", m.payload, 16)[0] for m in messages]
        counts = [struct.unpack_from("!H", m.payload, 2)[0] for m in messages]
        jumps = sum(b - a != n for a, b, n in zip(numbers[:-1], numbers[1:], counts[:-1], strict=True))
        assert jumps == (1 if counted else 0)


def test_the_clock_offset_moves_the_router_clock_only(situation: Situation) -> None:
    right = export_messages(situation, Exporting(protocol="ipfix"))
    ahead = export_messages(situation, Exporting(protocol="ipfix", clock_offset_ms=37_000))
    assert [message.time_ms for message in right] == [message.time_ms for message in ahead]
    times = [struct.unpack_from("!I", messages[3].payload, 4)[0] for messages in (right, ahead)]
    assert times[1] - times[0] == 37
