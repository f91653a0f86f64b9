"""Keepalive candidates: small packets at a steady pace to one address over the backup."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.addresses import V4_PREFIX
from flowdiag.aggregator.build import joined
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows
from flowdiag.draft.keepalives import Candidate, keepalive_candidates, usual_interval
from flowdiag.draft.roles import Activity

HOUR = 3_600_000
PLACES = tuple(V4_PREFIX + bytes([198, 51, 100, number]) for number in range(4))
Row = tuple[
    float, float, float, float, int, int, int
]  # start s, end s, packets, octets, place, protocol, port
COVERAGE = Coverage(
    records=1,
    first_ms=0,
    last_ms=HOUR,
    heard=np.ones(60, np.bool_),
    losses=(),
    lost_records=0,
    lost_messages=0,
    lost_is_estimate=False,
    undecoded_records=0,
    sampling=1.0,
    resolution_s=60,
    resolution_known=True,
    links_apart=True,
    interface_names={},
    remarks=(),
)


def flows(rows: list[Row], link: int = 1) -> SiteFlows:
    table = np.array(rows, np.float64).reshape(-1, 7)
    count = len(table)
    zeros = np.zeros(count)
    return SiteFlows(
        start_ms=(table[:, 0] * 1000).astype(np.int64),
        end_ms=(table[:, 1] * 1000).astype(np.int64),
        packets=table[:, 2],
        octets=table[:, 3],
        wire_octets=table[:, 3],
        link=np.full(count, link, np.int8),
        direction=np.full(count, UP, np.int8),
        inside=zeros.astype(np.int32),
        outside=table[:, 4].astype(np.int32),
        inside_port=zeros.astype(np.int32),
        outside_port=table[:, 6].astype(np.int32),
        protocol=table[:, 5].astype(np.int16),
        tcp_flags=zeros.astype(np.int32),
        dscp=zeros.astype(np.int8),
        application=zeros.astype(np.int32),
        opened_inside=zeros.astype(np.int8),
        end_reason=zeros.astype(np.uint8),
        sampling=zeros.astype(np.float32),
        ingress=zeros.astype(np.int32),
        egress=zeros.astype(np.int32),
        addresses=PLACES,
        applications=("unknown",),
    )


def single(
    interval_s: float, place: int = 1, protocol: int = 1, port: int = 2048, size: int = 84
) -> list[Row]:
    """A probe a record, for an hour."""
    return [(at, at, 1, size, place, protocol, port) for at in np.arange(0, 3600, interval_s).tolist()]


def activity(*busy: tuple[int, int]) -> Activity:
    """An hour of minutes in which the second link waits, except in [from, to) of each busy."""
    ordinary = np.zeros((2, 60), np.bool_)
    for begin, end in busy:
        ordinary[1, begin:end] = True
    return Activity(0, 60_000, ordinary, ~ordinary, np.ones(2))


def candidates(
    found: SiteFlows, coverage: Coverage = COVERAGE, seen: Activity | None = None
) -> tuple[Candidate, ...]:
    return keepalive_candidates(found, 1, coverage, seen or activity())


def test_a_ping_every_minute_with_a_record_each() -> None:
    found = candidates(flows(single(60)))
    assert found == (Candidate(PLACES[1], "icmp", 0, 60.0, 60.0, 84, 60, 60),)


def test_a_ping_every_ten_seconds_in_records_of_a_minute() -> None:
    rows: list[Row] = [(at, at + 50, 6, 6 * 84, 1, 1, 2048) for at in range(0, 3600, 60)]
    (found,) = candidates(flows(rows))
    assert (found.interval_s, found.measured_s, found.packets) == (10.0, 10.0, 360)


def test_a_connection_every_half_minute() -> None:
    rows: list[Row] = [(at, at + 0.2, 5, 260, 2, 6, 443) for at in range(0, 3600, 30)]
    (found,) = candidates(flows(rows))
    assert (found.protocol, found.port, found.interval_s, found.packet_bytes) == ("tcp", 443, 30.0, None)


def test_udp_probes_keep_their_port() -> None:
    (found,) = candidates(flows(single(20, protocol=17, port=7)))
    assert (found.protocol, found.port, found.interval_s) == ("udp", 7, 20.0)


def test_several_are_listed_most_packets_first() -> None:
    rows = [*single(60, place=1), *single(15, place=2, protocol=58)]
    assert [(c.destination, c.interval_s) for c in candidates(flows(rows))] == [
        (PLACES[2], 15.0),
        (PLACES[1], 60.0),
    ]


@pytest.mark.parametrize(
    "rows",
    [
        [],
        single(10)[:9],  # too few
        single(10)[:90],  # a quarter of the time
        single(60, size=1400),  # large packets
        [(at * at / 3600, at * at / 3600, 1, 84, 1, 1, 0) for at in range(3600)[::60]],  # no steady pace
        single(60, protocol=47),
        single(60, protocol=17, port=-1),
        [(0, 3600, 0, 0, 1, 1, 0)],
    ],
)
def test_what_is_no_keepalive(rows: list[Row]) -> None:
    assert candidates(flows(rows)) == ()


def test_only_the_link_asked_for_counts() -> None:
    assert candidates(flows(single(60), link=0)) == ()


def test_sampled_exports_tell_no_pace() -> None:
    assert candidates(flows(single(60)), replace(COVERAGE, sampling=10.0)) == ()


def test_half_an_hour_of_probes_in_one_record_hides_no_pace() -> None:
    """179 probes from 0 to 1780 s are 178 intervals of 10 s; the second half hour is still open when the export ends."""
    (found,) = candidates(flows([(0, 1780, 179, 179 * 84, 1, 1, 2048)]))
    assert (found.interval_s, found.packets, found.records, found.packet_bytes) == (10.0, 179, 1, 84)


def test_two_probes_a_record_are_half_its_distance_apart() -> None:
    """A record a minute from 0 to 30 s: 30 s within it and 30 s to the next, not the 60 s between records."""
    rows: list[Row] = [(at, at + 30, 2, 168, 1, 1, 2048) for at in range(0, 3600, 60)]
    (found,) = candidates(flows(rows))
    assert (found.interval_s, found.measured_s) == (30.0, 30.0)


def test_a_probe_of_several_packets_is_one_probe() -> None:
    """Three packets within 0.2 s every 20 s."""
    rows: list[Row] = [(at, at + 0.2, 3, 252, 1, 1, 2048) for at in range(0, 3600, 20)]
    (found,) = candidates(flows(rows))
    assert found.interval_s == 20.0


def test_answers_tell_where_the_router_does_not_meter_what_it_sends() -> None:
    answered = flows([(0, 1780, 179, 179 * 84, 1, 1, 0), (1790, 3570, 179, 179 * 84, 1, 1, 0)])
    answered = replace(answered, direction=np.full(2, DOWN, np.int8))
    (found,) = candidates(answered)
    assert (found.destination, found.interval_s, found.answers) == (PLACES[1], 10.0, True)


def test_answers_to_somebody_else_s_pings_are_no_keepalive() -> None:
    rows: list[Row] = [(at, at, 1, 84, 1, 1, 0) for at in range(0, 3600, 60)]
    both = flows(rows + rows)
    direction = np.repeat([DOWN, UP], len(rows)).astype(np.int8)
    inside_port = np.where(direction == DOWN, 2048, 0).astype(np.int32)
    assert candidates(replace(both, direction=direction, inside_port=inside_port)) == ()


def test_what_runs_only_while_the_link_carries_ordinary_traffic_is_no_keepalive() -> None:
    """A tunnel over the backup during a failover of 40 minutes looks as steady as probes do."""
    rows: list[Row] = [(at, at + 59, 60, 60 * 120, 1, 17, 4500) for at in range(600, 3000, 60)]
    assert candidates(flows(rows), seen=activity((10, 50))) == ()
    (found,) = candidates(flows([*rows, *single(10, place=2)]), seen=activity((10, 50)))
    assert (found.destination, found.interval_s) == (PLACES[2], 10.0)


def test_a_long_connection_is_no_probe() -> None:
    rows: list[Row] = [(at, at + 59, 12, 600, 1, 6, 443) for at in range(0, 3600, 60)]
    assert candidates(flows(rows)) == ()


@pytest.mark.parametrize(
    ("measured", "usual"), [(9.97, 10), (10.9, 10), (31, 30), (7.04, 7.0), (0.523, 0.52)]
)
def test_a_pace_near_a_usual_one_is_taken_as_it(measured: float, usual: float) -> None:
    assert usual_interval(measured) == usual


def test_among_a_million_streams_of_one_record_a_pace_is_found_in_little_memory() -> None:
    """Whole columns of 8 octets would take 8 MB each; what is added up by a hash takes 32 MiB, however many flows there are."""
    pings = flows(single(60))
    numbers = np.arange(1_000_000)
    others = replace(
        flows([(5, 6, 2, 120, 2, 6, 443)]).at(np.zeros(len(numbers), np.intp)),
        outside_port=(1 + numbers % 60_000).astype(np.int32),
        inside=(numbers // 60_000).astype(np.int32),
    )
    mixed = joined((pings, others))
    tracemalloc.start()
    (found,) = keepalive_candidates(mixed, 1, COVERAGE, activity())
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert (found.protocol, found.packets, found.interval_s) == ("icmp", 60, 60)
    assert peak < 64 << 20
