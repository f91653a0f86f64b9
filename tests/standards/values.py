"""Octets of an information element as the values that the RFCs print (RFC 7011 6.1)."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address

from flowdiag.collector.decode.cursor import Cursor
from flowdiag.collector.decode.elements import element, element_name
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.messages import IPFIX, read_header
from flowdiag.collector.decode.structured import RecordReader, flattened
from flowdiag.collector.decode.templates import (
    FIRST_TEMPLATE_ID,
    V9_SCOPE,
    Field,
    Template,
    ipfix_definitions,
    netflow9_definitions,
)

V9_SCOPES = {3: "v9scope:3"}


def printed(field: Field, octets: bytes) -> object:
    """An element's value as JSON can hold it."""
    known = element(field.id, field.enterprise)
    kind = known.type if known else "unsigned32" if field.enterprise == V9_SCOPE else "octetArray"
    if kind.startswith("unsigned"):
        return int.from_bytes(octets, "big")
    if kind in ("ipv4Address", "ipv6Address"):
        return str(ip_address(octets))
    if kind == "string":
        return octets.decode()
    if kind == "float64":
        return struct.unpack("!f" if len(octets) == 4 else "!d", octets)[0]
    if kind.startswith("dateTime"):
        return _time(kind, octets)
    return octets.hex()


def _time(kind: str, octets: bytes) -> str:
    value = int.from_bytes(octets, "big")
    if kind == "dateTimeSeconds":
        return datetime.fromtimestamp(value, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    if kind == "dateTimeMilliseconds":
        return datetime.fromtimestamp(value / 1000, UTC).isoformat(timespec="milliseconds")[:-6] + "Z"
    micro = round((value & 0xFFFF_FFFF) * 1_000_000 / 2**32)
    whole = datetime(1900, 1, 1, tzinfo=UTC) + timedelta(seconds=value >> 32, microseconds=micro)
    return whole.isoformat(timespec="microseconds")[:-6] + "Z"


def name_of(field: Field) -> str:
    return V9_SCOPES[field.id] if field.enterprise == V9_SCOPE else element_name(field.id, field.enterprise)


def data_sets(octets: bytes) -> Iterator[list[dict[str, object]]]:
    """Messages one after another: the data sets of each as template id and records of [name, value]."""
    templates: dict[int, Template] = {}
    reader = RecordReader(templates.get, Limits())
    while octets:
        header = read_header(octets if octets[1] != IPFIX else octets[: int.from_bytes(octets[2:4], "big")])
        read = ipfix_definitions if header.version == IPFIX else netflow9_definitions
        first = 2 if header.version == IPFIX else 0
        found: list[dict[str, object]] = []
        for place in header.sets:
            cursor = Cursor(octets, place.start, place.end)
            if place.id >= FIRST_TEMPLATE_ID:
                records = [
                    [[name_of(field), printed(field, value)] for field, value in flattened(record)]
                    for record in reader.records(cursor, templates[place.id])
                ]
                found.append({"template": place.id, "records": records})
            else:
                for definition in read(cursor, options=place.id != first):
                    assert isinstance(definition, Template)
                    templates[definition.id] = definition
        yield found
        octets = octets[int.from_bytes(octets[2:4], "big") :] if header.version == IPFIX else b""
