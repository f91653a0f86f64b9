"""Records that repeat others, exporters that report the same packets, and starts that are repeated."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from msgspec.structs import asdict

from flowdiag.aggregator.build import build_case_data
from flowdiag.aggregator.conversation_keys import mixed
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.duplicates import ALWAYS_LOOKED_AT, without_duplicates
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.collector.report import ExportReport
from flowdiag.flows import MESSAGES_KEY
from flowdiag.text.wording import coverage as wording
from tests.aggregator.tables import (
    EXPORTER,
    HOST,
    MINUTE,
    SERVER,
    START,
    batch,
    build,
    down,
    note_with,
    octets_by_direction,
    site,
    up,
)

SECOND_EXPORTER = "192.0.2.11"


def test_two_records_of_the_same_packets_count_once() -> None:
    flows, _, coverage = build([up(), up(start=0.003, end=1.002), down()])
    assert octets_by_direction(flows) == (1000, 1000)
    assert note_with(coverage, "repeat others").startswith("1 record ")


@pytest.mark.parametrize(
    "change",
    [
        {"octets": 1001},
        {"packets": 11},
        {"src_port": 50_001},
        {"dst_address": "203.0.113.10"},
        {"protocol": 17},
        {"dscp": 46},
        {"start": 0.0, "end": 2.0},
        {"start": 1.0, "end": 2.0},
    ],
)
def test_records_that_differ_in_anything_count_both(change: dict[str, object]) -> None:
    flows, _, _ = build([up(), up(**change)])
    assert len(flows) == 2


def test_pieces_of_a_steady_flow_are_no_repetitions() -> None:
    # A call of 50 packets/s, cut every 60 s: same octets and packets each time, one after another.
    pieces = [up(start=60.0 * n, end=60.0 * n + 59.98, octets=600_000, packets=3000) for n in range(30)]
    flows, _, _ = build(pieces)
    assert octets_by_direction(flows) == (0, 18_000_000)


def test_packets_reported_one_by_one_are_no_repetitions() -> None:
    # An idle timeout of 0 (RFC 3954 3.2): each packet is a record, 20 ms apart.
    flows, _, _ = build([up(start=0.02 * n, end=0.02 * n, octets=200, packets=1) for n in range(100)])
    assert octets_by_direction(flows) == (0, 20_000)


def test_a_probe_each_second_is_no_repetition() -> None:
    flows, _, _ = build([up(start=1.0 * n, end=1.0 * n, octets=84, packets=1, protocol=1) for n in range(60)])
    assert len(flows) == 60


def test_repetitions_are_found_in_long_exports_by_a_sample() -> None:
    flows, _, _ = build(
        [up(start=n / 10, end=n / 10 + 5, src_port=n % 60_000 + 1, octets=40 + n) for n in range(40)]
    )
    times = -(-ALWAYS_LOOKED_AT // len(flows)) + 1
    rng = np.random.default_rng(3)
    many = {
        name: np.tile(value, times) for name, value in asdict(flows).items() if isinstance(value, np.ndarray)
    }
    many["outside_port"] = rng.integers(1, 65_535, len(many["octets"])).astype(np.int32)
    many["octets"] = rng.integers(1, 10**9, len(many["octets"])).astype(float)
    both = {name: np.concatenate([value, value]) for name, value in many.items()}
    once, none = without_duplicates(
        type(flows)(**many, addresses=flows.addresses, applications=flows.applications)
    )
    half, dropped = without_duplicates(
        type(flows)(**both, addresses=flows.addresses, applications=flows.applications)
    )
    assert none == 0
    assert dropped == len(once)
    assert half.octets.tolist() == once.octets.tolist()


def test_hashes_of_a_million_rows_are_distinct() -> None:
    rows = np.arange(1_000_000)
    assert len(np.unique(mixed(rows // 1000, rows % 1000))) == 1_000_000


def conversation(exporter: str, cuts: list[float], port: int, domain: int = 0) -> list[dict[str, object]]:
    """Records of one conversation of 100 octets a second, cut at some times."""
    return [
        up(
            start=a,
            end=b,
            octets=round(100 * (b - a)),
            packets=10,
            src_port=port,
            exporter=exporter,
            domain=domain,
        )
        for a, b in zip(cuts, cuts[1:], strict=False)
    ]


def test_two_exporters_of_the_same_packets_count_once_though_their_records_differ() -> None:
    rows = []
    for port in range(1, 40):
        rows += conversation(EXPORTER, [0, 60, 120, 180, 200], port)
        rows += conversation(SECOND_EXPORTER, [0, 100, 200], port)
    flows, _, coverage = build(rows)
    assert octets_by_direction(flows) == (0, 39 * 20_000)
    assert len(flows) == 39 * 4  # of the one with more records
    assert "78 records" in note_with(coverage, "report the same packets")


def test_two_domains_of_the_same_packets_count_once() -> None:
    rows = []
    for port in range(1, 40):
        rows += conversation(EXPORTER, [0, 60, 120, 180, 200], port, domain=1)
        rows += conversation(EXPORTER, [0, 100, 200], port, domain=2)
    flows, _, _ = build(rows)
    assert octets_by_direction(flows) == (0, 39 * 20_000)


def test_only_the_greatest_of_many_sources_are_compared(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = []
    for domain, cuts, ports in (
        (1, [0, 60, 120, 180, 200], 40),
        (2, [0, 100, 150, 200], 39),
        (3, [0, 90, 200], 30),
    ):
        for port in range(1, ports):
            rows += conversation(EXPORTER, cuts, port, domain=domain)
    monkeypatch.setattr("flowdiag.aggregator.same_packets.MOST_SOURCES", 2)
    flows, _, _ = build(rows)
    assert octets_by_direction(flows) == (0, 39 * 20_000 + 29 * 20_000)
    monkeypatch.setattr("flowdiag.aggregator.same_packets.MOST_SOURCES", 3)
    flows, _, _ = build(rows)
    assert octets_by_direction(flows) == (0, 39 * 20_000)


def test_two_exporters_of_different_packets_both_count() -> None:
    rows = [row for port in range(1, 40) for row in conversation(EXPORTER, [0, 60, 120], port)]
    rows += [row for port in range(20, 60) for row in conversation(SECOND_EXPORTER, [300, 350, 400], port)]
    flows, _, coverage = build(rows)
    assert octets_by_direction(flows) == (0, 39 * 12_000 + 40 * 10_000)
    assert not any("same packets" in note for note in wording.told(coverage.remarks))


def test_a_start_that_is_repeated_in_later_pieces_is_put_in_order() -> None:
    # As the NetFlow v5 of a virtual switch has it; the start varies by rounding.
    rows = [
        up(start=0.001, end=60.0, octets=6000),
        up(start=0.0, end=120.0, octets=12_000),
        up(start=0.001, end=180.0, octets=18_000),
    ]
    flows, usage, coverage = build(rows)
    assert sorted((flows.start_ms - START).tolist()) == [1, 60_000, 120_000]
    assert usage.ip_octets[0, 1].tolist() == pytest.approx([6000, 12_000, 18_000])
    assert note_with(coverage, "put in order")


def test_ordinary_pieces_keep_their_starts() -> None:
    rows = [up(start=60.0 * n, end=60.0 * n + 60, octets=100 + n) for n in range(5)]
    rows += [up(start=0.0, end=60.0 + n, src_port=n, octets=10) for n in range(5)]
    flows, _, _ = build(rows)
    assert sorted((flows.start_ms - START).tolist()) == sorted([n * MINUTE for n in range(5)] + [0] * 5)
    assert {flows.addresses[n] for n in flows.outside} != {flows.addresses[n] for n in flows.inside}
    assert HOST != SERVER


def told(messages: Sequence[Sequence[dict[str, object]]]) -> tuple[SiteFlows, Coverage]:
    """A case of records that came in some messages, told as the decoder tells it."""
    rows = [row for message in messages for row in message]
    begins = np.cumsum([0, *map(len, messages[:-1])]).astype(np.int32)
    one = batch(rows)
    one = one.replace_schema_metadata({MESSAGES_KEY: begins.tobytes()})
    flows, _, coverage = build_case_data([one], ExportReport(), site())
    return flows, coverage


PACKET: dict[str, object] = {"start": 0.0, "end": 0.0, "octets": 200, "packets": 1}


@pytest.mark.parametrize("count", [2, 3, 4, 5, 30])
def test_equal_records_of_one_message_are_packets_of_their_own(count: int) -> None:
    flows, coverage = told([[up(**PACKET)] * count])
    assert octets_by_direction(flows) == (0, 200 * count)
    assert not any("repeat others" in note for note in wording.told(coverage.remarks))


def test_so_are_they_with_other_records_between_them() -> None:
    other = up(src_port=7, octets=64, packets=1)
    flows, _ = told([[up(**PACKET), other, up(**PACKET), other, up(**PACKET)]])
    assert octets_by_direction(flows) == (0, 3 * 200 + 2 * 64)


def test_and_where_the_next_message_goes_on_with_them() -> None:
    flows, _ = told([[up(**PACKET)] * 2, [up(**PACKET)] * 3])
    assert octets_by_direction(flows) == (0, 5 * 200)


def test_equal_records_of_another_message_domain_or_interface_are_copies() -> None:
    between = [up(src_port=7, octets=64)]
    for copy in (
        [[up(**PACKET)] * 3, between, [up(**PACKET)] * 3],
        [[up(**PACKET)] * 3, [up(**PACKET, domain=2)] * 3, between],
        [[*[up(**PACKET)] * 3, *[up(**PACKET, ingress_interface=4)] * 3, *between]],
    ):
        flows, coverage = told(copy)
        assert octets_by_direction(flows) == (0, 3 * 200 + 64)
        assert any(
            "3 records " in note and "did not count" in note for note in wording.told(coverage.remarks)
        )


def test_the_copy_with_more_packets_counts_whichever_came_first() -> None:
    between = [up(src_port=7, octets=64)]
    for counts in ((2, 3), (3, 2)):
        flows, _ = told([[up(**PACKET)] * counts[0], between, [up(**PACKET)] * counts[1]])
        assert octets_by_direction(flows) == (0, 3 * 200 + 64)


def test_two_metering_points_in_one_message_count_once() -> None:
    flows, _ = told([[up(), up(start=0.003, end=1.002)]])
    assert octets_by_direction(flows) == (0, 1000)


def test_records_of_several_packets_right_behind_each_other_in_two_messages_are_copies() -> None:
    # One metering process cannot have two flows of one key at the same time.
    flows, _ = told([[up()], [up()]])
    assert octets_by_direction(flows) == (0, 1000)


def test_where_packets_come_one_by_one_few_of_them_are_no_copies_either() -> None:
    # A call of 50 packets/s gives the exporter away: 20 packets within moments. A name is asked for twice in 300 ms.
    call = [up(start=0.02 * n, end=0.02 * n, octets=200, packets=1) for n in range(20)]
    name = [up(start=at, end=at, octets=60, packets=1, dst_port=53, protocol=17) for at in (0.1, 0.4)]
    flows, _ = told([call, name])
    assert octets_by_direction(flows) == (0, 20 * 200 + 2 * 60)
    flows, _ = told([call[:1], name])  # nothing gives it away: two points saw one question
    assert octets_by_direction(flows) == (0, 200 + 60)


def test_equal_records_of_a_store_right_behind_each_other_are_packets_of_their_own() -> None:
    # A table does not tell its messages.
    between = up(src_port=7, octets=64)
    rows = [*[up(**PACKET)] * 3, between, up(**PACKET)]
    flows, _, _ = build_case_data([batch(rows)], ExportReport(), site())
    assert octets_by_direction(flows) == (0, 3 * 200 + 64)


def test_where_all_flows_come_in_pairs_in_one_message_all_is_metered_twice() -> None:
    pairs = [
        up(src_port=port, end=30.0, octets=3000 + port, packets=6) for port in range(1, 11) for _ in range(2)
    ]
    flows, coverage = told([pairs])
    assert octets_by_direction(flows) == (0, sum(3000 + port for port in range(1, 11)))
    assert any("10 records " in note and "did not count" in note for note in wording.told(coverage.remarks))


def test_one_equal_pair_among_many_flows_is_not_that() -> None:
    single = [up(src_port=port, end=30.0, octets=3000 + port, packets=6) for port in range(1, 11)]
    flows, _ = told([[*single, single[0]]])
    assert octets_by_direction(flows) == (0, sum(3000 + port for port in range(1, 11)) + 3001)
