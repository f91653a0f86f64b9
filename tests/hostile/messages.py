"""Files of export messages, each aimed at one thing that work grows with."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from itertools import count
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.collector.decode.wire import (
    EXPORT_S,
    FLOW_FIELDS,
    FieldPair,
    a_set,
    flow,
    ipfix,
    netflow5,
    netflow9,
    options_template,
    record5,
    template,
    v4_octets,
    with_template9,
)

ROOM = 65_000  # octets of records in a message

# Source, destination, ports, protocol, octets, packets, interfaces in and out, start and end in seconds.
FULL: tuple[FieldPair, ...] = (
    (8, 4), (12, 4), (7, 2), (11, 2), (4, 1), (1, 4), (2, 2), (10, 1), (14, 1), (150, 4), (151, 4),
)  # fmt: skip
FULL_TYPE = np.dtype(
    [(name, kind) for name, kind in zip(
        ("src", "dst", "src_port", "dst_port", "protocol", "octets", "packets", "ingress", "egress", "start", "end"),
        (">u4", ">u4", ">u2", ">u2", "u1", ">u4", ">u2", "u1", "u1", ">u4", ">u4"), strict=True)]
)  # fmt: skip
# The fewest octets that make a flow that counts: addresses, octets, and the time before the export.
LEAST: tuple[FieldPair, ...] = ((8, 4), (12, 4), (1, 1), (158, 1))
LEAST_TYPE = np.dtype([("src", ">u4"), ("dst", ">u4"), ("octets", "u1"), ("before", "u1")])

INSIDE = int.from_bytes(v4_octets("10.0.0.0"), "big")
OUTSIDE = int.from_bytes(v4_octets("198.51.0.0"), "big")


def repeated(octets: int, piece: Callable[[int], bytes]) -> bytes:
    """As many pieces, each told its number, as make so many octets."""
    pieces, made = [], 0
    for number in count():
        pieces.append(piece(number))
        made += len(pieces[-1])
        if made >= octets:
            return b"".join(pieces)
    raise AssertionError


def flows(octets: int, change: Callable[[NDArray[Any], NDArray[np.uint32]], None]) -> bytes:
    """IPFIX of one flow over and over; change: told of the records of a message and of their numbers."""
    a_message = ROOM // FULL_TYPE.itemsize

    def piece(number: int) -> bytes:
        records = np.zeros(a_message, FULL_TYPE)
        records[:] = (INSIDE + 1, OUTSIDE + 1, 1234, 443, 6, 1500, 2, 2, 1, EXPORT_S - 60, EXPORT_S - 1)
        numbers = np.arange(number * a_message, (number + 1) * a_message, dtype=np.uint32)
        change(records, numbers)
        return ipfix(a_set(256, records.tobytes()), sequence=int(numbers[0]))

    return ipfix(a_set(2, template(256, FULL))) + repeated(octets, piece)


def least_flows(octets: int, change: Callable[[NDArray[Any], NDArray[np.uint32]], None]) -> bytes:
    """The same of the smallest records that count."""
    a_message = ROOM // LEAST_TYPE.itemsize

    def piece(number: int) -> bytes:
        records = np.zeros(a_message, LEAST_TYPE)
        records[:] = (INSIDE + 1, OUTSIDE + 1, 100, 1)
        numbers = np.arange(number * a_message, (number + 1) * a_message, dtype=np.uint32)
        change(records, numbers)
        return ipfix(a_set(256, records.tobytes()), sequence=int(numbers[0]))

    return ipfix(a_set(2, template(256, LEAST))) + repeated(octets, piece)


def identical_records(octets: int) -> bytes:
    """The smallest record that counts, over and over."""
    return least_flows(octets, lambda records, numbers: None)


def one_flow_per_host(octets: int) -> bytes:
    """Each record from another inside host to another outside one."""

    def change(records: NDArray[Any], numbers: NDArray[np.uint32]) -> None:
        records["src"] += numbers
        records["dst"] += numbers * 7

    return least_flows(octets, change)


def distinct_tuples(octets: int) -> bytes:
    """Each record another conversation: ports, addresses and protocols in turn."""

    def change(records: NDArray[Any], numbers: NDArray[np.uint32]) -> None:
        records["src"] += numbers % 50_000
        records["dst"] += numbers * 31 % 60_000
        records["src_port"] = numbers * 7 % 65_536
        records["dst_port"] = numbers * 13 % 65_536
        records["protocol"] = np.where(numbers % 2, 6, 17)

    return flows(octets, change)


def long_records(octets: int) -> bytes:
    """Records that last years, up to the longest that 32 bits of seconds can say."""

    def change(records: NDArray[Any], numbers: NDArray[np.uint32]) -> None:
        records["start"] = 1 + numbers % 1_000_000

    return flows(octets, change)


def week_long_records(octets: int) -> bytes:
    """Records of the longest duration that is believed, from distinct hosts."""

    def change(records: NDArray[Any], numbers: NDArray[np.uint32]) -> None:
        records["src"] += numbers % 65_000
        records["start"] = EXPORT_S - 7 * 86_400 + 10

    return flows(octets, change)


def times_all_over(octets: int) -> bytes:
    """Messages and flows of all seconds that 32 bits can say: a hundred and thirty years."""
    a_message = 24

    def piece(number: int) -> bytes:
        second = 86_400 + number * 7_919_993 % (2**32 - 10**6)
        records = np.zeros(a_message, FULL_TYPE)
        records[:] = (INSIDE + 1, OUTSIDE + 1, 1234, 443, 6, 1500, 2, 2, 1, second - 60, second - 1)
        return ipfix(a_set(256, records.tobytes()), sequence=number * a_message, export_s=second)

    return ipfix(a_set(2, template(256, FULL))) + repeated(octets, piece)


def thousand_days(octets: int) -> bytes:
    """Flows evenly over as many days as are kept, each an hour long."""
    a_message = 24

    def piece(number: int) -> bytes:
        second = EXPORT_S - number * 2_711 % (990 * 86_400)
        records = np.zeros(a_message, FULL_TYPE)
        records[:] = (INSIDE + 1, OUTSIDE + 1, 1234, 443, 6, 1500, 2, 2, 1, second - 3600, second - 1)
        records["src"] += np.arange(a_message, dtype=np.uint32)
        return ipfix(a_set(256, records.tobytes()), sequence=number * a_message, export_s=second)

    return ipfix(a_set(2, template(256, FULL))) + repeated(octets, piece)


def duplicated_datagrams(octets: int) -> bytes:
    """Each of some messages a thousand times."""
    pieces = [ipfix(a_set(256, *(flow(k) for k in range(24))), sequence=24 * n) for n in range(40)]
    taught = ipfix(a_set(2, template(256, FLOW_FIELDS)))
    return taught + repeated(octets, lambda number: pieces[number // 1000 % len(pieces)])


def records_of_one_octet(octets: int) -> bytes:
    """Records of one octet, which are no flows."""
    return ipfix(a_set(2, template(256, ((4, 1),)))) + repeated(
        octets, lambda number: ipfix(a_set(256, bytes(ROOM)), sequence=number * ROOM)
    )


def sets_of_one_record(octets: int) -> bytes:
    """Messages full of sets with one record each."""
    one = a_set(256, struct.pack("!IIBB", INSIDE + 1, OUTSIDE + 1, 100, 1))
    body = one * (ROOM // len(one))
    per_message = ROOM // len(one)
    return ipfix(a_set(2, template(256, LEAST))) + repeated(
        octets, lambda number: ipfix(body, sequence=number * per_message)
    )


def messages_of_one_record(octets: int) -> bytes:
    """Messages with one record each, of domains in turn."""
    record = struct.pack("!IIBB", INSIDE + 1, OUTSIDE + 1, 100, 1)
    taught = b"".join(ipfix(a_set(2, template(256, LEAST)), domain=domain) for domain in range(3))
    return taught + repeated(
        octets, lambda number: ipfix(a_set(256, record), sequence=number // 3, domain=number % 3)
    )


def empty_messages(octets: int) -> bytes:
    """Headers and nothing behind them."""
    return repeated(octets, lambda number: ipfix(export_s=EXPORT_S + number))


def template_flood(octets: int) -> bytes:
    """Twelve thousand templates of one domain, and the one that decodes among them."""
    return repeated(
        octets,
        lambda number: (
            ipfix(a_set(2, template(256 + number % 12_000, FULL)))
            + ipfix(a_set(256, bytes(29)), sequence=number)
        ),
    )


def wide_templates(octets: int) -> bytes:
    """Templates of as many fields as a message holds, each another."""
    return repeated(
        octets,
        lambda number: ipfix(a_set(2, template(256 + number % 60_000, [(number % 400 + 1, 1)] * 16_000))),
    )


def wide_records(octets: int) -> bytes:
    """Data of a template of thousands of fields."""
    fields = [*FULL, *((k % 440 + 1, 4) for k in range(4_000))]
    width = 29 + 16_000
    body = bytes(width * (ROOM // width))
    return ipfix(a_set(2, template(256, fields))) + repeated(
        octets, lambda number: ipfix(a_set(256, body), sequence=number * (ROOM // width))
    )


def options_flood(octets: int) -> bytes:
    """Options templates, each another, each with a record of names."""
    name = b"\xff\x01\x00" + b"n" * 256

    def piece(number: int) -> bytes:
        taught = options_template(256 + number % 12_000, ((10, 4), (82, 65535), (83, 65535)))
        told = struct.pack("!I", number + 1) + name * 2
        return ipfix(a_set(3, taught), a_set(256 + number % 12_000, told))

    return repeated(octets, piece)


def interface_names(octets: int) -> bytes:
    """Ever new interfaces with the longest names in the widest characters."""
    name = "\U0001f4a9".encode() * 60
    value = bytes((len(name),)) + name
    taught = ipfix(a_set(3, options_template(300, ((10, 4), (82, 65535), (83, 65535)))))

    def piece(number: int) -> bytes:
        told = b"".join(struct.pack("!I", number * 120 + k + 1) + value * 2 for k in range(120))
        return ipfix(a_set(300, told))

    return taught + repeated(octets, piece)


def domains(octets: int) -> bytes:
    """Each message of another domain, with its template."""
    taught = a_set(2, template(256, FULL))
    record = struct.pack(
        "!IIHHBIHBBII", INSIDE + 1, OUTSIDE + 1, 1, 443, 6, 99, 1, 2, 1, EXPORT_S - 9, EXPORT_S
    )
    return repeated(octets, lambda number: ipfix(taught, a_set(256, record * 2), domain=number))


def interfaces(octets: int) -> bytes:
    """Thousands of interfaces, by reduced lengths of four octets."""
    fields: tuple[FieldPair, ...] = ((8, 4), (12, 4), (1, 1), (10, 4), (14, 4), (158, 1))
    kind = np.dtype(
        [("src", ">u4"), ("dst", ">u4"), ("octets", "u1"), ("in", ">u4"), ("out", ">u4"), ("t", "u1")]
    )
    a_message = ROOM // kind.itemsize

    def piece(number: int) -> bytes:
        records = np.zeros(a_message, kind)
        numbers = np.arange(number * a_message, (number + 1) * a_message, dtype=np.uint32)
        records["src"] = INSIDE + numbers % 250
        records["dst"] = OUTSIDE + numbers % 60_000
        records["octets"] = 200
        records["in"], records["out"] = numbers + 1, numbers * 3 + 2
        return ipfix(a_set(256, records.tobytes()), sequence=int(numbers[0]))

    return ipfix(a_set(2, template(256, fields))) + repeated(octets, piece)


def netflow5_distinct(octets: int) -> bytes:
    """NetFlow v5, each record another flow, each message another engine."""

    def piece(number: int) -> bytes:
        record = bytearray(record5())
        records = []
        for k in range(30):
            record[0:4] = struct.pack("!I", INSIDE + (number * 30 + k) % 16_000_000)
            record[4:8] = struct.pack("!I", OUTSIDE + (number * 37 + k) % 60_000)
            records.append(bytes(record))
        return netflow5(*records, sequence=number * 30, engine=(number % 256, number // 256 % 256))

    return repeated(octets, piece)


def netflow5_headers(octets: int) -> bytes:
    """NetFlow v5 of one record, each of another engine and sampling."""
    record = record5()
    return repeated(
        octets,
        lambda number: netflow5(
            record, sequence=number * 5, engine=(number % 256, number // 256 % 256), sampling=number % 16_384
        ),
    )


def netflow9_without_end(octets: int) -> bytes:
    """What reads like NetFlow v9 headers at each octet pair, and never becomes a message."""
    return netflow9(with_template9()) + struct.pack("!HH", 9, 4) * (octets // 4)


def versions_everywhere(octets: int) -> bytes:
    """IPFIX messages with damage between them that looks like a header at each place."""
    sound = ipfix(a_set(2, template(256, FULL)), a_set(256, bytes(29)))
    return sound + repeated(octets, lambda number: b"\0\x0a\xff\xff" * 300 + b"\1" + sound)


def variable_lengths(octets: int) -> bytes:
    """Records of a thousand values without octets."""
    fields = (*FULL, *((96, 65535),) * 1000)
    width = 29 + 1000
    body = bytes(width * 60)
    return ipfix(a_set(2, template(256, fields))) + repeated(
        octets, lambda number: ipfix(a_set(256, body), sequence=number * 60)
    )


def application_names(octets: int) -> bytes:
    """Another application name in each record."""
    fields = (*LEAST, (96, 12))

    def piece(number: int) -> bytes:
        records = b"".join(
            struct.pack("!IIBB", INSIDE + 1, OUTSIDE + 1, 100, 1) + b"%012x" % (number * 2900 + k)
            for k in range(2900)
        )
        return ipfix(a_set(256, records), sequence=number * 2900)

    return ipfix(a_set(2, template(256, fields))) + repeated(octets, piece)


def nested_lists(octets: int) -> bytes:
    """Structured data within structured data, as deep as a record can hold (RFC 6313)."""
    inner = b"\x03\xff" + b"\0\x06\0\x01" + bytes(8)
    for _ in range(100):
        inner = b"\xff\x01\x23\xff\xff" + b"\xff" + struct.pack("!H", len(inner)) + inner
    value = b"\xff" + struct.pack("!H", len(inner)) + inner
    fields = (*FULL, (291, 65535))
    record = bytes(29) + value
    per_message = ROOM // len(record)
    return ipfix(a_set(2, template(256, fields))) + repeated(
        octets, lambda number: ipfix(a_set(256, record * per_message), sequence=number * per_message)
    )


def lists_in_options(octets: int) -> bytes:
    """Options records of lists of lists of lists."""
    leaf = b"\x03\0\x52\xff\xff" + b"\1a" * 200
    inner = leaf
    for _ in range(20):
        inner = b"\x03\x01\x23\xff\xff" + b"\xff" + struct.pack("!H", len(inner)) + inner
    value = b"\xff" + struct.pack("!H", len(inner)) + inner
    taught = ipfix(a_set(3, options_template(300, ((10, 4), (291, 65535)))))
    record = bytes(4) + value
    many = record * (ROOM // len(record))
    return taught + repeated(octets, lambda number: ipfix(a_set(300, many)))


def held_sets(octets: int) -> bytes:
    """Data sets whose templates never come."""

    def piece(number: int) -> bytes:
        body = b"".join(
            struct.pack("!HHB", 256 + (number * 13_000 + k) % 65_000, 5, 0) for k in range(13_000)
        )
        return ipfix(body, domain=number % 50, sequence=number)

    return repeated(octets, piece)


def sequence_gaps(octets: int) -> bytes:
    """A loss before every message, in many domains."""
    taught = ipfix(a_set(2, template(256, LEAST)))
    return taught + repeated(
        octets, lambda number: ipfix(sequence=number * 7919 % 2**32, domain=number % 4000)
    )


def translations(octets: int) -> bytes:
    """Flows with addresses and ports translated, each another (RFC 8158)."""
    fields: tuple[FieldPair, ...] = (
        (8, 4), (12, 4), (7, 2), (11, 2), (4, 1), (225, 4), (227, 2), (1, 1), (10, 1), (14, 1), (158, 1),
    )  # fmt: skip
    kind = np.dtype(
        [("src", ">u4"), ("dst", ">u4"), ("sp", ">u2"), ("dp", ">u2"), ("p", "u1"), ("out", ">u4"), ("op", ">u2"),
         ("o", "u1"), ("i", "u1"), ("e", "u1"), ("t", "u1")]
    )  # fmt: skip
    a_message = ROOM // kind.itemsize

    def piece(number: int) -> bytes:
        records = np.zeros(a_message, kind)
        numbers = np.arange(number * a_message, (number + 1) * a_message, dtype=np.uint32)
        records[:] = (INSIDE, OUTSIDE, 1, 443, 6, OUTSIDE + 9, 1, 200, 2, 1, 1)
        records["src"] += numbers % 5_000
        records["dst"] += numbers % 60_000
        records["sp"] = numbers * 7 % 65_536
        records["op"] = numbers * 11 % 65_536
        return ipfix(a_set(256, records.tobytes()), sequence=int(numbers[0]))

    return ipfix(a_set(2, template(256, fields))) + repeated(octets, piece)


def attempts(octets: int) -> bytes:
    """Connection attempts in vain, each on another address and port."""

    def change(records: NDArray[Any], numbers: NDArray[np.uint32]) -> None:
        records["src"] += numbers % 200
        records["dst"] = OUTSIDE + numbers * np.uint32(2_654_435_761) % 2**24
        records["dst_port"] = numbers * 7 % 65_536
        records["octets"], records["packets"] = 60, 1
        records["start"] = EXPORT_S - 3600 + numbers % 3000
        records["end"] = records["start"]

    return flows(octets, change)


def taken_in_turn(octets: int) -> bytes:
    """Records of five hundred templates in turn."""
    taught = b"".join(ipfix(a_set(2, template(256 + k, (*LEAST, (4, 1))))) for k in range(500))
    record = struct.pack("!IIBBB", INSIDE + 1, OUTSIDE + 1, 100, 1, 6)
    body = b"".join(a_set(256 + k, record) for k in range(500))
    return taught + repeated(octets, lambda number: ipfix(body, sequence=number * 500))


def redefinitions(octets: int) -> bytes:
    """A template redefined before each data set."""

    def one(k: int) -> bytes:
        record = struct.pack("!IIBB", INSIDE + 1, OUTSIDE + 1, 100, 1) + bytes(1 + k % 2)
        return a_set(2, template(256, (*LEAST, (4, 1 + k % 2)))) + a_set(256, record)

    body = b"".join(one(k) for k in range(1200))
    return repeated(octets, lambda number: ipfix(body, sequence=number * 1200))


KINDS: tuple[Callable[[int], bytes], ...] = (
    identical_records, one_flow_per_host, distinct_tuples, long_records, week_long_records, times_all_over,
    thousand_days, duplicated_datagrams, records_of_one_octet, sets_of_one_record, messages_of_one_record,
    empty_messages, template_flood, wide_templates, wide_records, options_flood, interface_names, domains, interfaces,
    netflow5_distinct, netflow5_headers, netflow9_without_end, versions_everywhere, variable_lengths,
    application_names, nested_lists, lists_in_options, held_sets, sequence_gaps, translations, attempts, taken_in_turn,
    redefinitions,
)  # fmt: skip


def each() -> Iterator[tuple[str, Callable[[int], bytes]]]:
    for make in KINDS:
        yield make.__name__, make
