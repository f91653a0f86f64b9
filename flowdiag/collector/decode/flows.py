"""The flow records of one template: both directions, events apart, as rows of the flow table.

Facts the design follows:
- one flow record is one row; a record of both directions (RFC 5103; elements 231 and 232) is two, the reverse
  one right behind the forward one, with the sides swapped, unless nothing came back (RFC 5103 6);
- event records of address translation are no traffic (RFC 8158 4.3), nor are firewall events without counters
  (common practice).
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.collector.decode import ie
from flowdiag.collector.decode.addresses import (
    DESTINATION,
    ICMP,
    ICMP6,
    SOURCE,
    Endpoint,
    Ports,
    endpoint,
    inside_destination,
    is_ipv6,
    ports,
)
from flowdiag.collector.decode.columns import Columns, Integers, Octets
from flowdiag.collector.decode.counters import (
    Counters,
    RunningTotals,
    forward_counters,
    reverse_counters,
    scaled,
)
from flowdiag.collector.decode.rows import Column, Rows
from flowdiag.collector.decode.sampling import Factors
from flowdiag.collector.decode.times import FlowTimes, Known, MessageTimes, flow_times

Mask = NDArray[np.bool_]

_MAX_INDEX: Final = 0xFFFF_FFFF
_CONTROL_BITS: Final = 0x0FFF  # the top four bits are the header length (RFC 7125 3)
_CODE_POINT: Final = 0x3F
# Firewall events that carry traffic or not by their counters: created, denied, alert.
_EVENTS_OFTEN_EMPTY: Final = (1, 3, 4)


class Flows(Struct):
    """The fields of the records of one template. reverse: None unless they hold both directions; traffic: which of them are
    flows, None if all are."""

    columns: Columns
    count: int
    source: Endpoint
    destination: Endpoint
    ports: Ports
    protocol: Integers | None
    times: FlowTimes
    reverse_times: FlowTimes | None
    forward: Counters
    reverse: Counters | None
    traffic: Mask | None


def read_flows(columns: Columns, messages: MessageTimes) -> Flows:
    """Reads what flows are made of, counters as exported."""
    ipv6 = is_ipv6(columns)
    protocol = columns.integer(ie.PROTOCOL)
    source, destination = endpoint(columns, SOURCE, ipv6), endpoint(columns, DESTINATION, ipv6)
    found_ports = ports(columns, protocol)
    destination, port = inside_destination(columns, destination, found_ports.destination)
    forward, reverse = forward_counters(columns), reverse_counters(columns)
    if forward.layer2:
        forward = forward._replace(octets=_of_ip(forward.octets, source, destination))
    reverse_times = None
    if reverse is not None:
        if reverse.layer2:
            reverse = reverse._replace(octets=_of_ip(reverse.octets, source, destination))
        reverse_times = flow_times(columns.reversed(), messages)
    return Flows(
        columns,
        columns.count,
        source,
        destination,
        found_ports._replace(destination=port),
        protocol,
        flow_times(columns, messages),
        reverse_times,
        forward,
        reverse,
        _traffic(columns, forward, reverse),
    )


def _of_ip(octets: NDArray[np.uint64], source: Endpoint, destination: Endpoint) -> NDArray[np.uint64]:
    """Octets of frames, where the frames held IP."""
    if source.address is None and destination.address is None:
        return np.zeros_like(octets)
    if source.known is None or destination.known is None:
        return octets
    return np.where(source.known | destination.known, octets, np.uint64(0))


def _traffic(columns: Columns, forward: Counters, reverse: Counters | None) -> Mask | None:
    """Where records are traffic and no mere events; None: everywhere."""
    nat, firewall = columns.integer(ie.NAT_EVENT), columns.integer(ie.FIREWALL_EVENT)
    if nat is None and firewall is None:
        return None
    traffic = np.ones(columns.count, np.bool_)
    if nat is not None:
        traffic &= nat == 0
    if firewall is not None:
        empty = (forward.octets == 0) & (forward.packets == 0)
        if reverse is not None:
            empty &= (reverse.octets == 0) & (reverse.packets == 0)
        traffic &= ~(np.isin(firewall, _EVENTS_OFTEN_EMPTY) & empty)
    return traffic


def subtract_earlier(flows: Flows, domain: int, totals: RunningTotals) -> None:
    """Makes running totals of a domain into what each record adds to its flow."""
    columns = flows.columns
    sides = (flows.source.address, flows.destination.address)
    parts: list[NDArray[Any]] = [address.view(np.uint8) for address in sides if address is not None]
    started = flows.times.start
    whole = (
        flows.ports.source,
        flows.ports.destination,
        flows.protocol,
        columns.integer(ie.INGRESS_INTERFACE),
        columns.integer(ie.EGRESS_INTERFACE),
        None if started is None else started.ms,
    )
    parts += [
        np.ascontiguousarray(values).view(np.uint8).reshape(flows.count, -1)
        for values in whole
        if values is not None
    ]
    if not parts:
        return
    keys = np.concatenate(parts, axis=1)
    flows.forward = _added(flows.forward, (domain, "forward"), keys, columns, totals)
    if flows.reverse is not None:
        flows.reverse = _added(flows.reverse, (domain, "reverse"), keys, columns.reversed(), totals)


def _added(
    running: Counters, counter: tuple[int, str], keys: Octets, columns: Columns, totals: RunningTotals
) -> Counters:
    widths = [columns.width(ie.OCTET_TOTAL), columns.width(ie.PACKET_TOTAL)]
    added = totals.differences(counter, keys, np.stack((running.octets, running.packets), axis=1), widths)
    return Counters(added[:, 0], added[:, 1])


def flow_rows(flows: Flows, common: dict[str, Column], factors: float | Factors) -> Rows:
    """Rows of the flow table. common: columns that are alike for both directions; factors: to scale counters by."""
    columns = flows.columns
    source, destination = _address(flows.source), _address(flows.destination)
    ingress = _interface(columns, ie.INGRESS_INTERFACE, ie.INGRESS_PHYSICAL_INTERFACE)
    egress = _interface(columns, ie.EGRESS_INTERFACE, ie.EGRESS_PHYSICAL_INTERFACE)
    both: dict[str, Column | None] = {**common, "protocol": _plain(flows.protocol)}
    forward = Rows(
        flows.count,
        _present(
            {
                **both,
                **_times(flows.times),
                **_marks(columns),
                "src_address": source,
                "dst_address": destination,
                "src_port": _port(flows.ports.source, flows.ports.known),
                "dst_port": _port(flows.ports.destination, flows.ports.known),
                "ingress_interface": ingress,
                "egress_interface": egress,
                "octets": Column(scaled(flows.forward.octets, factors)),
                "packets": Column(scaled(flows.forward.packets, factors)),
                "direction": _plain(columns.integer(ie.FLOW_DIRECTION)),
            }
        ),
    )
    if flows.traffic is not None:
        forward = forward.chosen(flows.traffic)
    if flows.reverse is None or flows.reverse_times is None:
        return forward
    came_back = (flows.reverse.octets > 0) | (flows.reverse.packets > 0)
    if flows.traffic is not None:
        came_back &= flows.traffic
    if not came_back.any():
        return forward
    back_times = _times(flows.reverse_times)
    back_source, back_destination = _swapped_ports(flows)
    backward = Rows(
        flows.count,
        _present(
            {
                **both,
                **_times(flows.times),
                **{name: column for name, column in back_times.items() if column is not None},
                **_marks(columns.reversed()),
                "src_address": destination,
                "dst_address": source,
                "src_port": _port(back_source, flows.ports.known),
                "dst_port": _port(back_destination, flows.ports.known),
                "ingress_interface": egress,
                "egress_interface": ingress,
                "octets": Column(scaled(flows.reverse.octets, factors)),
                "packets": Column(scaled(flows.reverse.packets, factors)),
            }
        ),
    )
    return forward.followed_by(backward.chosen(came_back))


def _present(columns: dict[str, Column | None]) -> dict[str, Column]:
    return {name: column for name, column in columns.items() if column is not None}


def _plain(values: NDArray[Any] | None) -> Column | None:
    return None if values is None else Column(values)


def _address(side: Endpoint) -> Column | None:
    return None if side.address is None else Column(side.address, side.known)


def _port(values: Integers | None, known: Mask | None) -> Column | None:
    return None if values is None else Column(values, known)


def _times(times: FlowTimes) -> dict[str, Column | None]:
    return {"start": _time(times.start), "end": _time(times.end)}


def _time(times: Known | None) -> Column | None:
    return None if times is None else Column(times.ms, times.known)


def _interface(columns: Columns, logical: int, physical: int) -> Column | None:
    index = columns.integer(logical)
    if index is None:
        index = columns.integer(physical)
    if index is None:
        return None
    return Column(index, index <= _MAX_INDEX if index.dtype == np.uint64 else None)


def _marks(columns: Columns) -> dict[str, Column | None]:
    """TCP flags and code point, which each direction has of its own."""
    flags: NDArray[Any] | None = columns.integer(ie.TCP_CONTROL_BITS)
    if flags is not None and flags.dtype != np.uint8:
        flags = flags & _CONTROL_BITS
    code_point: NDArray[Any] | None = columns.integer(ie.DSCP)
    octet = columns.integer(ie.CLASS_OF_SERVICE)
    if code_point is not None:
        code_point = code_point & _CODE_POINT
    elif octet is not None:
        code_point = octet >> 2
    return {"tcp_flags": _plain(flags), "dscp": _plain(code_point)}


def _swapped_ports(flows: Flows) -> tuple[Integers | None, Integers | None]:
    """Ports of the reverse direction; ICMP keeps type and code in the destination port."""
    source, destination = flows.ports.destination, flows.ports.source
    if flows.protocol is None or source is None or destination is None:
        return source, destination
    icmp = (flows.protocol == ICMP) | (flows.protocol == ICMP6)
    return np.where(icmp, destination, source), np.where(icmp, source, destination)
