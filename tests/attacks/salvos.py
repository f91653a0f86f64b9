"""Hostile datagrams without end, one kind a function, each with the address that it seems to come from.

They are made from a seed and so the same in each run; what they say is sound IPFIX unless they are meant not to be.
"""

from __future__ import annotations

import random
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from itertools import count, cycle
from typing import Final, NamedTuple

from tests.attacks.honest import TEMPLATE_ID, Honest
from tests.collector.decode.wire import FieldPair, a_set, ipfix, options_template, template
from tests.collector.hostile import STREAMS

HOSTILE: Final = "127.0.2.1"
# Template ids are 16 bits (RFC 7011 3.4.1); these leave the honest exporters' own alone.
TEMPLATES: Final = range(TEMPLATE_ID + 1, TEMPLATE_ID + 1 + 12_000)
TEMPLATES_A_MESSAGE: Final = 100
# More exporters than the collector keeps anything of.
SOURCES: Final = 2_300
MTU_ROOM: Final = 1_400
UDP_ROOM: Final = 65_507
ANYTHING: Final = 4_096
# Messages of each that are recorded before the first comes again.
REPLAYED: Final = 20
# How many of a wide template are different.
WIDE_FIELDS: Final = 8_000
# Record of a source, destination, octets and packets: one that can be decoded, and is no honest one's.
FIELDS: Final[tuple[FieldPair, ...]] = ((8, 4), (12, 4), (1, 4), (2, 4))
RECORD: Final = bytes((203, 0, 113, 1, 203, 0, 113, 2)) + (7).to_bytes(4, "big") + (1).to_bytes(4, "big")


class Shot(NamedTuple):
    """source: an address of loopback, or an exporter whose own socket sends it; fresh: from another port each time."""

    source: str | Honest
    payload: bytes
    fresh: bool = False


# What sends, and is sent at: the honest exporters, over UDP.
Salvo = Callable[[Sequence[Honest]], Iterator[Shot]]


def forged_sources(honest: Sequence[Honest]) -> Iterator[Shot]:
    """A small datagram of a sound record from each of ever new addresses."""
    for number in count():
        yield Shot(_address(number), _taught(), fresh=True)


def forged_sources_coming_again(honest: Sequence[Honest]) -> Iterator[Shot]:
    """The same from some thousand addresses, in turn."""
    for number in count():
        yield Shot(_address(number % SOURCES), _taught(sequence=number // SOURCES), fresh=True)


def silent_sources(honest: Sequence[Honest]) -> Iterator[Shot]:
    """A message without anything in it from each of ever new addresses."""
    for number in count():
        yield Shot(_address(number), ipfix(export_s=_now()), fresh=True)


def unused_templates(honest: Sequence[Honest]) -> Iterator[Shot]:
    """Templates that nothing is ever sent by, of one exporter and domain."""
    return (Shot(HOSTILE, message) for message in _templates())


def unused_templates_of_the_honest(honest: Sequence[Honest]) -> Iterator[Shot]:
    """The same from the honest exporters' own addresses and domain, from another port."""
    return (Shot(one.address, message) for message in _templates() for one in honest)


def unused_templates_in_the_session(honest: Sequence[Honest]) -> Iterator[Shot]:
    """The same from their own ports: in the transport session and domain of the template that decodes."""
    return (Shot(one, _numbered(message, one.sent)) for message in _templates() for one in honest)


def wide_templates(honest: Sequence[Honest]) -> Iterator[Shot]:
    """The longest template that a datagram holds, another one each time."""
    for number in cycle(TEMPLATES):
        fields = [(1 + (number + k) % 400, 1 + k % 3) for k in range(WIDE_FIELDS)]
        yield Shot(HOSTILE, ipfix(a_set(2, template(number, fields)), export_s=_now()))


def options(honest: Sequence[Honest]) -> Iterator[Shot]:
    """Names of interfaces and rates of samplers, always new ones."""
    return (Shot(HOSTILE, message) for message in _options())


def options_of_the_honest(honest: Sequence[Honest]) -> Iterator[Shot]:
    """The same from the honest exporters' own addresses and domain, from another port."""
    return (Shot(one.address, message) for message in _options() for one in honest)


def garbage(honest: Sequence[Honest]) -> Iterator[Shot]:
    """Octets of any kind and number, some behind a sound header, from some addresses."""
    draw = random.Random(1)
    for number in count():
        octets = draw.randbytes(draw.randrange(MTU_ROOM))
        beginning = draw.choice([b"", b"\x00\x0a", b"\x00\x09", b"\x00\x05", ipfix()[:12]])
        yield Shot(_address(number % 50), beginning + octets)


def domains(honest: Sequence[Honest]) -> Iterator[Shot]:
    """A template and a record in each of ever new observation domains."""
    for number in count(1):
        yield Shot(HOSTILE, _taught(domain=number))


def domains_of_the_honest(honest: Sequence[Honest]) -> Iterator[Shot]:
    """The same in the honest exporters' own transport sessions."""
    for number in count(2):
        for one in honest:
            yield Shot(one, _taught(domain=number))


def redefinitions(honest: Sequence[Honest]) -> Iterator[Shot]:
    """A template that is another one each time, with data, under the honest exporters' id."""
    for message in _redefined():
        yield Shot(HOSTILE, message)


def redefinitions_of_the_honest(honest: Sequence[Honest]) -> Iterator[Shot]:
    """The same from their own addresses and domain, from another port."""
    return (Shot(one.address, message) for message in _redefined() for one in honest)


def untaught_data(honest: Sequence[Honest]) -> Iterator[Shot]:
    """Data of templates that never come, from many addresses."""
    for number in count():
        content = a_set(TEMPLATES[number % len(TEMPLATES)], bytes(MTU_ROOM))
        yield Shot(_address(number % SOURCES), ipfix(content, export_s=_now()), fresh=True)


def duplicates(honest: Sequence[Honest]) -> Iterator[Shot]:
    """What the honest exporters sent last once more: a network that doubles datagrams."""
    while True:
        for one in honest:
            yield Shot(one, one.last)


def replays(honest: Sequence[Honest]) -> Iterator[Shot]:
    """What the honest exporters sent some time ago once more: somebody who has recorded it."""
    recorded: dict[str, deque[bytes]] = {one.address: deque(maxlen=REPLAYED) for one in honest}
    while True:
        for one in honest:
            recorded[one.address].append(one.last)
            yield Shot(one, recorded[one.address][0])


def ports(honest: Sequence[Honest]) -> Iterator[Shot]:
    """A sound record from the honest exporters' own addresses and domain, each from another port."""
    while True:
        for one in honest:
            yield Shot(one.address, _taught(), fresh=True)


def slow_records(honest: Sequence[Honest]) -> Iterator[Shot]:
    """The longest datagrams, full of the shortest records of variable length: much to decode for little to send."""
    fields = (*FIELDS[2:], (82, 65_535))
    records = (7).to_bytes(4, "big") * 2 + b"\x00"
    full = a_set(TEMPLATE_ID, records * ((UDP_ROOM - 64) // len(records)))
    while True:
        yield Shot(HOSTILE, ipfix(a_set(2, template(TEMPLATE_ID, fields)), export_s=_now()))
        for number in range(100):
            yield Shot(HOSTILE, ipfix(full, sequence=number * 7_000, export_s=_now()))


def exhausting(honest: Sequence[Honest]) -> Iterator[Shot]:
    """What is meant to fill the decoder's tables one by one, of an address for each."""
    running = {name: make() for name, make in STREAMS.items() if name not in _NOT_OVER_UDP}
    while running:
        for place, name in enumerate(list(running)):
            message = next(running[name], None)
            if message is None:
                del running[name]
            else:
                yield Shot(f"127.0.3.{place + 1}", message[1][:UDP_ROOM])


_NOT_OVER_UDP: Final = ("templates_over_tcp", "everything")


def _address(number: int) -> str:
    """Of 127.16.0.0/12."""
    number %= 1 << 20
    return f"127.{16 + (number >> 16)}.{number >> 8 & 255}.{number & 255}"


def _now() -> int:
    return int(time.time())


def _taught(*, sequence: int = 0, domain: int = 1) -> bytes:
    """A template and a record."""
    sets = a_set(2, template(TEMPLATE_ID, FIELDS)), a_set(TEMPLATE_ID, RECORD)
    return ipfix(*sets, sequence=sequence, domain=domain, export_s=_now())


def _numbered(message: bytes, sequence: int) -> bytes:
    """The message with another sequence number (RFC 7011 3.1)."""
    return message[:8] + sequence.to_bytes(4, "big") + message[12:]


def _templates() -> Iterator[bytes]:
    """TEMPLATES again and again, some a message; a definition changes each time it comes."""
    for turn in count():
        for first in range(0, len(TEMPLATES), TEMPLATES_A_MESSAGE):
            chosen = TEMPLATES[first : first + TEMPLATES_A_MESSAGE]
            definitions = (template(number, ((1 + (number + turn) % 300, 4),)) for number in chosen)
            yield ipfix(a_set(2, *definitions), export_s=_now())


def _options() -> Iterator[bytes]:
    names, samplers = TEMPLATES[0], TEMPLATES[1]
    taught = a_set(
        3, options_template(names, ((10, 4), (82, 65_535))), options_template(samplers, ((302, 4), (34, 4)))
    )
    for turn in count():
        numbers = [(50 * turn + k) % (1 << 32) for k in range(1, 51)]
        told = (number.to_bytes(4, "big") + b"\x08" + f"{number:08x}".encode() for number in numbers)
        rates = (number.to_bytes(4, "big") + (10).to_bytes(4, "big") for number in numbers)
        sets = [a_set(names, *told), a_set(samplers, *rates)]
        yield ipfix(*([] if turn % 100 else [taught]), *sets, sequence=100 * turn, export_s=_now())


def _redefined() -> Iterator[bytes]:
    for turn in count():
        fields = (*FIELDS, (4, 1 + turn % 7))
        taught = a_set(2, template(TEMPLATE_ID, fields))
        yield ipfix(taught, a_set(TEMPLATE_ID, RECORD + bytes(1 + turn % 7)), sequence=turn, export_s=_now())
