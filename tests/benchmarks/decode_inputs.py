"""The exports that the decoder is measured on: 2 million records in several forms, 24 a message."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.scenario.bulk import PER_MESSAGE, TEMPLATE_ID, write_bulk

RECORD_OCTETS: Final = 56
HEADER_OCTETS: Final = 16
TEMPLATES: Final = 5
DOMAIN: Final = 1
# A name of an interface in each record, of any of these lengths.
NAMES: Final = (b"", b"lan", b"wan0", b"ge-0/0/1", b"lte-backup")
INTERFACE_NAME: Final = 82
VARIABLE: Final = 65535


def fixed_ipfix(folder: Path, records: int) -> Path:
    """An IPFIX file of one fixed template of 56 octets."""
    return _once(folder / f"fixed-{records}.ipfix", lambda path: write_bulk(path, records))


def fixed_netflow9(folder: Path, records: int) -> Path:
    """NetFlow v9 datagrams one after another, one fixed template of 56 octets."""
    return _once(
        folder / f"fixed-{records}.v9", lambda path: write_bulk(path, records, "netflow9", pcap=False)
    )


def capture(folder: Path, records: int) -> Path:
    """The same v9 datagrams in a classic pcap."""
    return _once(folder / f"capture-{records}.pcap", lambda path: write_bulk(path, records, "netflow9"))


def five_templates(folder: Path, records: int) -> Path:
    """IPFIX of five templates that take turns from message to message, their fields in different orders."""
    return _once(
        folder / f"turns-{records}.ipfix", lambda path: _interleaved(path, fixed_ipfix(folder, records), 1)
    )


def five_in_a_message(folder: Path, records: int) -> Path:
    """IPFIX of five templates, all of them in every message: four sets of 5 records and one of 4."""
    return _once(
        folder / f"each-{records}.ipfix", lambda path: _interleaved(path, fixed_ipfix(folder, records), 5)
    )


def varying(folder: Path, records: int) -> Path:
    """IPFIX of one template that ends with a variable-length interface name."""
    return _once(
        folder / f"varying-{records}.ipfix", lambda path: _with_names(path, fixed_ipfix(folder, records))
    )


def _once(path: Path, write: Any) -> Path:
    if not path.exists():
        write(path)
    return path


def _fields_and_messages(path: Path) -> tuple[list[bytes], NDArray[np.uint8], NDArray[np.uint8]]:
    """Field specifiers of the bulk file's template; headers (messages, 16) and records (messages, 24, 56)."""
    octets = path.read_bytes()
    first = int.from_bytes(octets[2:4], "big")
    fields = [octets[place : place + 4] for place in range(HEADER_OCTETS + 8, first, 4)]
    size = HEADER_OCTETS + 4 + PER_MESSAGE * RECORD_OCTETS
    messages = np.frombuffer(octets, np.uint8, offset=first).reshape(-1, size)
    records = messages[:, HEADER_OCTETS + 4 :].reshape(-1, PER_MESSAGE, RECORD_OCTETS)
    return fields, messages[:, :HEADER_OCTETS], records


def _announced(templates: list[list[bytes]]) -> bytes:
    definitions = b"".join(
        struct.pack("!HH", TEMPLATE_ID + number, len(fields)) + b"".join(fields)
        for number, fields in enumerate(templates)
    )
    body = struct.pack("!HH", 2, 4 + len(definitions)) + definitions
    return struct.pack("!HHIII", 10, HEADER_OCTETS + len(body), 0, 0, DOMAIN) + body


def _interleaved(path: Path, bulk: Path, sets: int) -> None:
    """Five templates whose fields begin at the first, third, ... field of the bulk file's template."""
    fields, headers, records = _fields_and_messages(bulk)
    starts = [0, *np.cumsum([int.from_bytes(field[2:], "big") for field in fields])]
    turned = [np.roll(records, -int(starts[2 * number]), axis=2) for number in range(TEMPLATES)]
    shares = [len(part) for part in np.array_split(np.arange(PER_MESSAGE), sets)]
    with path.open("wb") as out:
        out.write(_announced([fields[2 * n :] + fields[: 2 * n] for n in range(TEMPLATES)]))
        for index, header in enumerate(headers):
            body, place = [], 0
            for number, count in enumerate(shares):
                template = (index + number) % TEMPLATES
                body.append(struct.pack("!HH", TEMPLATE_ID + template, 4 + count * RECORD_OCTETS))
                body.append(turned[template][index, place : place + count].tobytes())
                place += count
            content = b"".join(body)
            out.write(
                header[:2].tobytes() + struct.pack("!H", HEADER_OCTETS + len(content)) + header[4:].tobytes()
            )
            out.write(content)


def _with_names(path: Path, bulk: Path) -> None:
    fields, headers, records = _fields_and_messages(bulk)
    names = [bytes([len(name)]) + name for name in NAMES]
    with path.open("wb") as out:
        out.write(_announced([[*fields, struct.pack("!HH", INTERFACE_NAME, VARIABLE)]]))
        number = 0
        for header, block in zip(headers, records, strict=True):
            body = []
            for record in block:
                body += [record.tobytes(), names[number % len(names)]]
                number += 1
            content = b"".join(body)
            out.write(
                header[:2].tobytes()
                + struct.pack("!H", HEADER_OCTETS + 4 + len(content))
                + header[4:].tobytes()
            )
            out.write(struct.pack("!HH", TEMPLATE_ID, 4 + len(content)) + content)
