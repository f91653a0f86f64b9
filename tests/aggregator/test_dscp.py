"""Service classes against RFC 4594 figure 3, and usage by class against a plain loop."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from flowdiag.aggregator.carried import FlowsCarried
from flowdiag.aggregator.dscp import (
    NOT_EXPORTED,
    SERVICE_CLASSES,
    code_point_name,
    service_class,
    usage_by_class,
)
from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.aggregator.top import ANY_SITE
from tests.aggregator.tables import START, build, down, up

# RFC 4594 figure 3: service class, DSCP names, DSCP values.
FIGURE_3 = """
Network Control         | CS6            | 110000
Telephony               | EF             | 101110
Signaling               | CS5            | 101000
Multimedia Conferencing | AF41,AF42,AF43 | 100010,100100,100110
Real-Time Interactive   | CS4            | 100000
Multimedia Streaming    | AF31,AF32,AF33 | 011010,011100,011110
Broadcast Video         | CS3            | 011000
Low-Latency Data        | AF21,AF22,AF23 | 010010,010100,010110
OAM                     | CS2            | 010000
High-Throughput Data    | AF11,AF12,AF13 | 001010,001100,001110
Standard                | DF             | 000000
Low-Priority Data       | CS1            | 001000
"""
ROWS = [
    (name.strip(), point.strip(), int(value, 2))
    for name, points, values in (line.split("|") for line in FIGURE_3.strip().splitlines())
    for point, value in zip(points.split(","), values.split(","), strict=True)
]


@pytest.mark.parametrize(("name", "point", "value"), ROWS)
def test_classes_are_those_of_figure_3(name: str, point: str, value: int) -> None:
    assert (service_class(value), code_point_name(value)) == (name, point)


def test_code_points_beyond_figure_3_are_those_of_later_rfcs() -> None:
    # RFC 5865 2.3: 44; RFC 8622 1: 1; RFC 2474 4.2.2 and RFC 4594 3.1: CS7 is network control, for future use
    assert set(SERVICE_CLASSES) - {value for _, _, value in ROWS} == {44, 1, 56}
    assert (service_class(44), service_class(1)) == ("Telephony", "Low-Priority Data")


def test_others_have_no_standard_class() -> None:
    assert (service_class(5), code_point_name(5)) == ("no standard class", "DSCP 5")
    assert service_class(-1) == NOT_EXPORTED


def test_usage_by_class_counts_what_falls_in_the_window() -> None:
    flows, _, _ = build(
        [
            up(dscp=46, octets=3000, packets=30, start=0, end=2),
            up(dscp=0, octets=500, packets=5, src_port=50_001),
            up(dscp=None, octets=250, packets=2, src_port=50_002),
            up(dscp=7, octets=250, packets=2, src_port=50_003),
            up(dscp=46, octets=9999, start=10, end=11, src_port=50_004),
            down(dscp=34, octets=77),
        ]
    )
    found = usage_by_class(FlowsCarried(flows, ANY_SITE), 0, UP, (START, START + 1000))
    assert [(item.service_class, item.names, item.octets, item.packets) for item in found] == [
        ("Telephony", ("EF",), 1500, 15),
        ("Standard", ("DF",), 500, 5),
        ("no standard class", ("DSCP 7",), 250, 2),
        (NOT_EXPORTED, (), 250, 2),
    ]
    assert [item.share for item in found] == [0.6, 0.2, 0.1, 0.1]
    assert [
        item.names for item in usage_by_class(FlowsCarried(flows, ANY_SITE), 0, DOWN, (START, START + 1000))
    ] == [("AF41",)]
    assert usage_by_class(FlowsCarried(flows, ANY_SITE), 0, DOWN, (START + 5000, START + 6000)) == ()


def test_usage_by_class_of_many_flows_takes_little_memory() -> None:
    """400,000 flows, of which whole columns of 8 octets would take 3.2 MB each."""
    one, _, _ = build([up(dscp=46, octets=3000, packets=30, start=0, end=2)])
    flows = one.at(np.zeros(400_000, np.intp))
    tracemalloc.start()
    (found,) = usage_by_class(FlowsCarried(flows, ANY_SITE), 0, UP, (START, START + 1000))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert (found.octets, found.packets) == (400_000 * 1500, 400_000 * 15)
    assert peak < 6 << 20
