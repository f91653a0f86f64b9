"""The encoders' bytes, read by scapy: an independent decoder of all three protocols."""

from __future__ import annotations

import ipaddress
from typing import Any

import numpy as np
import pytest
import scapy.layers.netflow as netflow

from flowdiag.scenario import activities as do
from flowdiag.scenario.exporting import Exporting, Message
from flowdiag.scenario.metering import Meter
from flowdiag.scenario.write import Situation, enact, export_messages
from tests.scenario.scenes import START, scene

UPTIME = 5_000_000


@pytest.fixture(scope="module")
def situation() -> Situation:
    stage = scene(4)
    do.web(stage, stage.start, stage.end, 5, v6_share=0.4, per_host_hour=700)
    do.dns(stage, stage.start, stage.end)
    do.call(stage, stage.hosts[0], stage.start + 20_000, stage.end, dscp=46)
    return enact(stage, Meter(active_s=60))


@pytest.fixture
def two_octet_flags(monkeypatch: pytest.MonkeyPatch) -> None:
    # scapy 2.8 reads tcpControlBits as one octet whatever the template says; as a plain integer it follows it.
    known = netflow.NetflowV910TemplateFields[6]
    plain = type(known)(known.name, isint=True)
    monkeypatch.setitem(netflow.NetflowV910TemplateFields, 6, plain)


def address(situation: Situation, number: int) -> str:
    packed = situation.carried.addresses[number].tobytes()
    mapped = packed[:12] == bytes(10) + b"\xff\xff"
    return str(ipaddress.ip_address(packed[12:] if mapped else packed))


def wanted(situation: Situation, *, v6: bool = True) -> list[tuple[Any, ...]]:
    rows = []
    for record in situation.records:
        source = address(situation, record["src"])
        if ":" in source and not v6:
            continue
        names = ("src_port", "dst_port", "protocol", "flags", "octets", "packets", "ingress", "egress")
        rest = tuple(int(record[name]) for name in names)
        tos = int(record["dscp"]) * 4
        row = (
            source,
            address(situation, record["dst"]),
            *rest,
            tos,
            int(record["start"]),
            int(record["end"]),
        )
        rows.append(row)
    return sorted(rows)


def data_records(messages: list[Message]) -> list[tuple[Any, Any]]:
    """(header, record) of all data FlowSets that hold flows."""
    packets = netflow.netflowv9_defragment([netflow.NetflowHeader(message.payload) for message in messages])
    found = []
    for packet in packets:
        layer = packet.payload
        while layer:
            if isinstance(layer, netflow.NetflowDataflowsetV9) and layer.templateID < 300:
                found += [(packet.payload, record) for record in layer.records]
            layer = layer.payload
    return found


def as_row(record: Any, start_ms: int, end_ms: int) -> tuple[Any, ...]:
    family = "IPV4" if "IPV4_SRC_ADDR" in record.fields else "IPV6"
    ends = (str(record.fields[f"{family}_SRC_ADDR"]), str(record.fields[f"{family}_DST_ADDR"]))
    names = (
        "L4_SRC_PORT", "L4_DST_PORT", "PROTOCOL", "TCP_FLAGS", "IN_BYTES", "IN_PKTS", "INPUT_SNMP", "OUTPUT_SNMP",
        "TOS",
    )  # fmt: skip
    return (*ends, *(int(record.fields[name]) for name in names), start_ms, end_ms)


def test_netflow9_records_read_the_same(situation: Situation) -> None:
    exporting = Exporting(protocol="netflow9", times="uptime", uptime_ms=UPTIME)
    boot = START - UPTIME
    rows = []
    for _, record in data_records(export_messages(situation, exporting)):
        first, last = (int(record.fields[f"{name}_SWITCHED"]) for name in ("FIRST", "LAST"))
        rows.append(as_row(record, boot + first, boot + last))
    assert len(rows) > 300
    assert any(":" in row[0] for row in rows)
    assert sorted(rows) == wanted(situation)


@pytest.mark.usefixtures("two_octet_flags")
def test_ipfix_records_read_the_same(situation: Situation) -> None:
    messages = export_messages(situation, Exporting(protocol="ipfix", names=False))
    rows = []
    for _, record in data_records(messages):
        start, end = (int(record.fields[f"flow{name}Milliseconds"]) for name in ("Start", "End"))
        rows.append(as_row(record, start, end))
    assert sorted(rows) == wanted(situation)


@pytest.mark.usefixtures("two_octet_flags")
def test_ipfix_delta_times_count_back_from_the_export_time(situation: Situation) -> None:
    messages = export_messages(situation, Exporting(protocol="ipfix", times="deltas", names=False))
    rows = []
    for header, record in data_records(messages):
        export_ms = int(header.ExportTime) * 1000
        times = (record.fields[f"flow{name}DeltaMicroseconds"] for name in ("Start", "End"))
        start, end = (export_ms - round(float(value) / 1000) for value in times)
        rows.append(as_row(record, start, end))
    expected = wanted(situation)
    assert [row[:-2] for row in sorted(rows)] == [row[:-2] for row in expected]
    error = np.array([row[-2:] for row in sorted(rows)]) - np.array([row[-2:] for row in expected])
    assert error.max() <= 0
    assert error.min() > -1000  # the header's whole seconds cannot say an end within the running second


def test_netflow5_records_read_the_same(situation: Situation) -> None:
    exporting = Exporting(protocol="netflow5", times="uptime", uptime_ms=UPTIME)
    boot = START - UPTIME
    rows = []
    for message in export_messages(situation, exporting):
        packet = netflow.NetflowHeader(message.payload)
        assert packet.payload.count == (len(message.payload) - 24) // 48
        layer = packet.payload.payload
        while isinstance(layer, netflow.NetflowRecordV5):
            values = (
                layer.srcport, layer.dstport, layer.prot, int(layer.tcpFlags), layer.dOctets, layer.dpkts, layer.input,
                layer.output, layer.tos,
            )  # fmt: skip
            rows.append((layer.src, layer.dst, *map(int, values), boot + layer.first, boot + layer.last))
            layer = layer.payload
    assert sorted(rows) == wanted(situation, v6=False)


def test_the_sampling_option_reads_as_announced() -> None:
    stage = scene(2)
    do.web(stage, stage.start, stage.end, 20)
    sampled = enact(stage, Meter(sampling=100))
    exporting = Exporting(protocol="netflow9", times="uptime", names=False)
    message = export_messages(sampled, exporting)[0]
    packet = netflow.netflowv9_defragment([netflow.NetflowHeader(message.payload)])[0]
    _scope, sampling = packet.getlayer(netflow.NetflowDataflowsetV9).records[:2]
    assert int(sampling.fields["SAMPLING_INTERVAL"]) == 100
