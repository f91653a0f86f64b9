"""Big-endian columns of flow records: the field values that NetFlow v9 and IPFIX data records are put
together from.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.scenario.exporting import Exporting
from flowdiag.scenario.ledger import APPLICATIONS

V4, V6 = 4, 6
USER_DEFINED_ENGINE: Final = 6  # RFC 6759 4.1: names of this engine are local to the device


class Field(Struct, frozen=True):
    """One field specifier of a template: information element, octets on the wire, and the column it takes."""

    element: int
    octets: int
    column: str


# Element numbers: IPFIX registry; up to 127 the same in NetFlow v9 (RFC 7012 4, RFC 3954 8).
_ADDRESSES: Final = {
    V4: (Field(8, 4, "src4"), Field(12, 4, "dst4")),
    V6: (Field(27, 16, "src6"), Field(28, 16, "dst6")),
}
_TIMES: Final = {
    "uptime": (Field(22, 4, "start_uptime"), Field(21, 4, "end_uptime")),
    "milliseconds": (Field(152, 8, "start_ms"), Field(153, 8, "end_ms")),
    "seconds": (Field(150, 4, "start_s"), Field(151, 4, "end_s")),
    "deltas": (Field(158, 4, "start_delta"), Field(159, 4, "end_delta")),
}


def flow_fields(exporting: Exporting, family: int) -> tuple[Field, ...]:
    """The template of one address family."""
    ipfix = exporting.protocol == "ipfix"
    fields = [
        *_ADDRESSES[family],
        Field(7, 2, "src_port"),
        Field(11, 2, "dst_port"),
        Field(4, 1, "protocol"),
        Field(5, 1, "tos"),
        Field(6, 2 if ipfix else 1, "flags"),
        Field(1, 8, "octets"),  # four would wrap within a minute at 1 Gbit/s
        Field(2, 8 if ipfix else 4, "packets"),
        *_TIMES[exporting.times],
    ]
    if exporting.interfaces:
        fields += [Field(10, 4, "ingress"), Field(14, 4, "egress")]
    if exporting.direction_field:
        fields.append(Field(61, 1, "direction"))
    if exporting.reason_field:
        fields.append(Field(136, 1, "end_reason"))
    if exporting.application_field:
        fields.append(Field(95, 4, "application"))
    return tuple(fields)


def pack_records(
    records: NDArray[Any],
    fields: tuple[Field, ...],
    addresses: NDArray[np.uint8],
    times: dict[str, NDArray[Any]],
) -> bytes:
    """Data records of one template, one after another.

    records: dtype RECORD [n]; addresses: uint8 [m, 16]; times: the time columns of the template, each [n].
    """
    layout = np.dtype([(field.column, _wire_type(field)) for field in fields])
    packed = np.zeros(len(records), layout)
    for field in fields:
        packed[field.column] = _column(field.column, records, addresses, times)
    return packed.tobytes()


def _wire_type(field: Field) -> Any:
    if field.column in ("src4", "dst4", "src6", "dst6"):
        return (np.uint8, field.octets)
    return f">u{field.octets}"


def _column(
    name: str, records: NDArray[Any], addresses: NDArray[np.uint8], times: dict[str, NDArray[Any]]
) -> NDArray[Any]:
    if name in times:
        return times[name]
    if name in ("src4", "dst4"):
        return np.asarray(addresses[records[name[:3]], 12:])
    if name in ("src6", "dst6"):
        return np.asarray(addresses[records[name[:3]]])
    if name == "tos":
        return np.asarray(records["dscp"] << 2, np.uint8)
    if name == "application":
        return np.where(records["application"] > 0, application_id(records["application"]), 0)
    return np.asarray(records[name])


def application_id(number: NDArray[Any]) -> NDArray[np.uint32]:
    """applicationId (95) in four octets: classification engine, then a three-octet selector (RFC 6759 4.1)."""
    return (USER_DEFINED_ENGINE << 24 | number.astype(np.uint32)).astype(np.uint32)


def application_rows() -> list[tuple[int, str]]:
    """(applicationId, name) of every application that has a name."""
    return [(USER_DEFINED_ENGINE << 24 | number, name) for number, name in enumerate(APPLICATIONS) if name]
