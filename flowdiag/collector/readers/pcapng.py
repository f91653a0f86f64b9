"""pcapng (draft-ietf-opsawg-pcapng): sections, interfaces, and the packet blocks in use and out of use.

Facts the design follows (from the draft, from memory):
- a file is blocks: type (4), total length (4), body, total length again (4), all multiples of 4;
- each section header gives the byte order of its section and forgets the interfaces before it;
- an interface has a link type, a snap length, a time resolution (option 9: a power of ten, or of two if the
  top bit is set; default microseconds) and a time offset in seconds (option 14);
- packets stand in enhanced blocks (6), simple blocks (3: first interface, no time) or obsolete blocks (2);
- blocks of other types are passed over by their length;
- another file may stand behind a capture, or behind a part of one.
"""

from __future__ import annotations

import struct
from collections.abc import Generator
from typing import Final

from msgspec import Struct

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.readers.beginnings import (
    NEEDED,
    PCAPNG_BYTE_ORDERS,
    find_beginning,
)
from flowdiag.collector.readers.links import LINK_TYPES, Locate
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.pcap import FOLLOWING_OCTETS, follows
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import Window

SECTION: Final = 0x0A0D0D0A
INTERFACE: Final = 1
OBSOLETE_PACKET: Final = 2
SIMPLE_PACKET: Final = 3
ENHANCED_PACKET: Final = 6

# Types of blocks beyond these are rare enough to be looked at for the beginning of another file.
COMMON_BLOCKS: Final = frozenset((SECTION, *range(1, 16)))

# libpcap refuses greater blocks too (from memory); no block that matters here comes near.
MAX_BLOCK: Final = 16 << 20
MAX_INTERFACES: Final = 4_096  # of one section
MAX_RESOLUTION_EXPONENT: Final = 63  # 2^-63 s is finer than any clock; beyond it the option is damage

DAMAGED: Final = "a damaged block: the rest of the capture was left out"
ENDS_EARLY: Final = "a damaged or cut-off block was left out; another capture follows and was read"
TRUNCATED: Final = "the capture ends inside a block; that block was left out"
NO_INTERFACE: Final = "packets of an interface that the capture does not describe were left out"
UNKNOWN_LINK: Final = "packets of an interface whose link type is not supported were left out"
TOO_MANY_INTERFACES: Final = "interfaces beyond the greatest number supported were left out"

DAMAGED_PACKET: Final = "packets that do not fit their block were left out"

_PACKETS: Final = frozenset((ENHANCED_PACKET, SIMPLE_PACKET, OBSOLETE_PACKET))
_OPTION_RESOLUTION: Final = 9
_OPTION_OFFSET: Final = 14
_MICROSECONDS: Final = 1_000_000


class _Interface(Struct, frozen=True):
    """locate is None for an unsupported link type.

    Units: time units in a second; offset_ms is added to times.
    """

    locate: Locate | None
    snap_length: int
    units: int
    offset_ms: int

    def time_ms(self, high: int, low: int) -> int:
        return (high << 32 | low) * 1000 // self.units + self.offset_ms


class _Section:
    def __init__(self, order: str) -> None:
        self.order = order
        self.interfaces: list[_Interface] = []
        self.block = struct.Struct(order + "II").unpack_from
        self.word = struct.Struct(order + "I").unpack_from
        self.interface = struct.Struct(order + "H2xI").unpack_from
        self.option = struct.Struct(order + "HH").unpack_from
        self.seconds = struct.Struct(order + "q").unpack_from
        self.enhanced = struct.Struct(order + "IIIII").unpack_from
        self.obsolete = struct.Struct(order + "H2xIIII").unpack_from


def read_pcapng(window: Window, source: Source, dissector: Dissector) -> Generator[Datagram, None, bool]:
    """The export messages of a pcapng capture, with capture times in ms (None for simple blocks).

    Gives whether another file follows; the window then stands at its beginning. A truncated or damaged rest becomes a
    problem of the source.
    """
    dissector.source = source
    packet = dissector.packet
    section = _Section("<")
    time_ms: int | None = None
    damage: str | None = None
    another = False
    while damage is None and not another:
        blocks = 0
        data, base, end, final = window.data, window.base, len(window.data), window.ended
        position = 0
        while end - position >= 12:
            kind, length = section.block(data, position)
            if kind == SECTION:  # reads the same in either byte order
                order = PCAPNG_BYTE_ORDERS.get(data[position + 8 : position + 12])
                if order is None:
                    damage = DAMAGED
                    break
                section = _Section(order)
                kind, length = section.block(data, position)
            elif kind not in COMMON_BLOCKS:
                if not final and end - position < FOLLOWING_OCTETS:
                    break
                if another := follows(data, position, end):
                    break
            if length < 12 or length % 4 or length > MAX_BLOCK:
                damage = DAMAGED
                break
            stop = position + length
            if stop > end:
                damage = TRUNCATED if final else None
                break
            if section.word(data, stop - 4)[0] != length:
                damage = DAMAGED
                break
            if end - stop < 4 and not final:
                break
            if (
                stop < end
                and (end - stop < 4 or section.word(data, stop)[0] not in COMMON_BLOCKS)
                and find_beginning(data, position + 1, stop, end) >= 0
            ):
                damage = DAMAGED  # cut off, and what stands at its end by chance is of another file
                break
            body = position + 8
            blocks += 1
            if kind in _PACKETS:
                found = _packet(section, kind, data, body, stop - 4)
                if isinstance(found, str):
                    source.problem(base + body, found)
                else:
                    locate, start, packet_end, time_ms = found
                    yield from packet(locate, data, start, packet_end, time_ms, base)
            elif kind == INTERFACE:
                _add_interface(section, data, body, stop - 4, source, base)
            position = stop
        if source.too_dense(blocks):
            window.give_up()
            break
        if final and position < end and damage is None and not another:
            damage = TRUNCATED
        if damage is not None:
            another = _find_another(window, position + 1)
            source.problem(base + position, ENDS_EARLY if another else damage)
        elif final and not another:
            break
        else:
            window.slide(position)
    yield from dissector.finish(time_ms, window.base)
    return another


def _find_another(window: Window, position: int) -> bool:
    """After damage: whether another file begins in the window or behind it; the window then stands there."""
    while True:
        end = len(window.data)
        found = find_beginning(window.data, position, end, end)
        if found >= 0:
            window.slide(found)
            return True
        if window.ended:
            return False
        window.slide(max(position, end - NEEDED))
        position = 0


def _packet(
    section: _Section, kind: int, data: bytes, body: int, stop: int
) -> tuple[Locate, int, int, int | None] | str:
    """Link layer, start, end and time of the packet in the block body data[body:stop].

    Or why it is left out.
    """
    high: int | None = None
    low: int | None = None
    if kind == SIMPLE_PACKET:
        if stop - body < 4:
            return DAMAGED_PACKET
        number, start = 0, body + 4
        captured = section.word(data, body)[0]
        if section.interfaces and section.interfaces[0].snap_length:
            captured = min(captured, section.interfaces[0].snap_length)
    else:
        if stop - body < 20:
            return DAMAGED_PACKET
        unpack = section.enhanced if kind == ENHANCED_PACKET else section.obsolete
        number, high, low, captured, _ = unpack(data, body)
        start = body + 20
    if number >= len(section.interfaces):
        return NO_INTERFACE
    interface = section.interfaces[number]
    if interface.locate is None:
        return UNKNOWN_LINK
    if start + captured > stop:
        return DAMAGED_PACKET
    time_ms = None if high is None or low is None else interface.time_ms(high, low)
    return interface.locate, start, start + captured, time_ms


def _add_interface(section: _Section, data: bytes, body: int, stop: int, source: Source, base: int) -> None:
    if stop - body < 8:
        source.problem(base + body, DAMAGED_PACKET)
        return
    if len(section.interfaces) >= MAX_INTERFACES:
        source.problem(base + body, TOO_MANY_INTERFACES)
        return
    link_type, snap_length = section.interface(data, body)
    units, offset_ms = _MICROSECONDS, 0
    position = body + 8
    while stop - position >= 4:
        code, length = section.option(data, position)
        value = position + 4
        if code == 0 or value + length > stop:
            break
        if code == _OPTION_RESOLUTION and length == 1:
            exponent = data[value] & 0x7F
            if exponent <= MAX_RESOLUTION_EXPONENT:
                units = (2 if data[value] & 0x80 else 10) ** exponent
        elif code == _OPTION_OFFSET and length == 8:
            offset_ms = section.seconds(data, value)[0] * 1000
        position = value + length + -length % 4
    section.interfaces.append(_Interface(LINK_TYPES.get(link_type), snap_length, units, offset_ms))
