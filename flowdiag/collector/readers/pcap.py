"""Classic pcap (draft-ietf-opsawg-pcap): micro- and nanoseconds, both byte orders.

Facts the design follows:
- the magic number tells byte order and time unit; the low 16 bits of the last header field are the link type;
- each packet has a header of 16 octets: seconds, fraction, octets captured, octets on the wire;
- nothing marks the start of a packet, so a damaged packet header ends the sound part unless a place is found
  from which two headers in a row are plausible;
- another file may stand behind a capture, or behind a part of one: there the next packet header is none, so a packet
  counts only once what follows it has been looked at;
- the seconds of a packet header read like the version of an export message for three seconds of each 18 hours; the rest of a
  message does not read like that of a packet header: its clock or its sequence number would be the octets captured.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from struct import Struct
from typing import Any, Final

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.readers.beginnings import NEEDED, PCAP_MAGICS, begins, find_beginning
from flowdiag.collector.readers.framing import begins_message
from flowdiag.collector.readers.links import LINK_TYPES
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import Window
from flowdiag.errors import ExportError

FILE_HEADER: Final = 24
PACKET_HEADER: Final = 16
# libpcap's own bound on the snap length (from memory). A greater packet is damage.
MAX_PACKET: Final = 262_144

DAMAGE: Final = "octets that are no packet were passed over up to the next packet"
DAMAGED_END: Final = "octets at the end of the capture that are no packet were left out"
TRUNCATED: Final = "the capture ends inside a packet; that packet was left out"

ENDS_EARLY: Final = "the capture ends inside a packet, which was left out; another file follows and was read"

# Packets of a capture follow each other; whose times are further apart are looked at more closely, in seconds.
USUAL_STEP_S: Final = 86_400

# Enough to know any file that may follow.
FOLLOWING_OCTETS: Final = 28

_Unpack = Callable[[bytes, int], tuple[Any, ...]]


def read_pcap(window: Window, source: Source, dissector: Dissector) -> Generator[Datagram, None, bool]:
    """The export messages of a classic pcap, with capture times in ms; the window stands at its header.

    Gives whether another file follows; the window then stands at its beginning. Raises ExportError for a header that
    is cut off or names a link type that is not known. A truncated or damaged rest becomes a problem of the source.
    """
    window.fill(FILE_HEADER)
    header = window.data[:FILE_HEADER]
    if len(header) < FILE_HEADER:
        raise ExportError(
            "the capture ends inside its header",
            file=source.name,
            offset=window.base + len(header),
            expected=f"a pcap header of {FILE_HEADER} octets",
            advice="copy or capture the file again",
        )
    order, unit = PCAP_MAGICS[header[:4]]
    link_type = Struct(order + "I").unpack_from(header, 20)[0] & 0xFFFF
    locate = LINK_TYPES.get(link_type)
    if locate is None:
        raise unknown_link_type(link_type, source, window.base + 20)
    packet_header = Struct(order + "IIII").unpack_from
    magics = bytes(magic[0] for magic, (of, _) in PCAP_MAGICS.items() if of == order)
    dissector.source = source
    packet = dissector.packet
    time_ms = None
    position = FILE_HEADER
    earliest, latest = 1, 0  # seconds that a packet may usually have: none before the first one
    another = False
    while not another:
        packets = 0
        data, base, end, final = window.data, window.base, len(window.data), window.ended
        damaged = False
        following = packet_header(data, position) if end - position >= PACKET_HEADER else None
        while following is not None:
            seconds, fraction, captured, _ = following
            if not earliest <= seconds <= latest:
                if not final and end - position < FOLLOWING_OCTETS:
                    break
                if another := _another(data, position, end, following, unit):
                    break
                earliest, latest = max(seconds - USUAL_STEP_S, 1), seconds + USUAL_STEP_S
            if captured <= MAX_PACKET:
                # The short way, of packets that are followed by a usual one.
                last = end - PACKET_HEADER
                while (stop := position + PACKET_HEADER + captured) <= last:
                    following_s, following_fraction, following_captured, _ = packet_header(data, stop)
                    if (
                        not earliest <= following_s <= latest
                        or following_captured > MAX_PACKET
                        or data[stop - FILE_HEADER] in magics
                    ):
                        break
                    time_ms = seconds * 1000 + fraction // unit
                    packets += 1
                    yield from packet(locate, data, position + PACKET_HEADER, stop, time_ms, base)
                    position = stop
                    seconds, fraction, captured = following_s, following_fraction, following_captured
            start = position + PACKET_HEADER
            stop = start + captured
            if captured > MAX_PACKET or not (captured or seconds):  # zeros: space that was never written
                damaged = True
                break
            if stop > end:
                damaged = final
                break
            if end - stop >= PACKET_HEADER:
                following = packet_header(data, stop)
                # The last: a packet cut off by as much as a file header has is followed by a packet header all the same.
                odd = (
                    following[2] > MAX_PACKET
                    or not earliest <= following[0] <= latest
                    or begins(data, stop - FILE_HEADER, end)
                )
            elif final:
                following, odd = None, stop < end
            else:
                break
            if odd and find_beginning(data, position, stop, end) >= 0:
                damaged = True  # the packet has swallowed the beginning of another file
                break
            position = stop
            time_ms = seconds * 1000 + fraction // unit
            packets += 1
            yield from packet(locate, data, start, stop, time_ms, base)
        if source.too_dense(packets):
            window.give_up()
            position = 0
            break
        if damaged:
            position, another = _resynchronise(window, position, source, packet_header, order, time_ms)
        elif final and not another:
            another = position < end and follows(data, position, end)
            break
        elif not another:
            window.slide(position)
            position = 0
    if another:
        window.slide(position)
        position = 0
    elif position < len(window.data):
        source.problem(window.base + position, TRUNCATED)
    yield from dissector.finish(time_ms, window.base + (0 if another else len(window.data)))
    return another


def follows(data: bytes, at: int, end: int) -> bool:
    """Whether another file begins at data[at], where a packet might stand too; FOLLOWING_OCTETS from there suffice."""
    return begins(data, at, end) or begins_message(data, at, end)


def _another(data: bytes, at: int, end: int, header: tuple[Any, ...], unit: int) -> bool:
    """Whether another file begins where a packet header stands that is not of a usual time. header: as it reads; unit: of its
    fraction, in a millisecond."""
    if begins(data, at, end):
        return True
    _, fraction, captured, length = header
    is_packet = fraction < unit * 1000 and 0 < captured <= min(length, MAX_PACKET)
    return not is_packet and begins_message(data, at, end)


def _resynchronise(
    window: Window, position: int, source: Source, packet_header: _Unpack, order: str, time_ms: int | None
) -> tuple[int, bool]:
    """Where in the window the next plausible packet or another file starts after damage at a position, or the
    window's end; whether it is another file. Notes what was passed over.

    Plausible: captured within the last known packet's 18 hours (the upper half of the seconds is the same),
    no longer than it was on the wire, and followed by another such packet or by the end of the file. The
    window slides only when it is read to its end, so that much damage in a chunk costs no more than little.
    """
    start = window.base + position
    truncated = (
        window.ended
        and len(window.data) - position >= PACKET_HEADER
        and 0 < packet_header(window.data, position)[2] <= MAX_PACKET
    )
    half = _upper_half(time_ms, order)
    searched = position
    position += 1
    while True:
        end, final = len(window.data), window.ended
        position, certain = _find_packet(window.data, position, end, final, packet_header, half)
        another = find_beginning(window.data, searched, position, end)
        if another >= 0:
            source.problem(start, ENDS_EARLY)
            return another, True
        if certain:
            source.problem(start, DAMAGE if position < end else TRUNCATED if truncated else DAMAGED_END)
            return position, False
        if source.too_damaged(end - searched):
            window.give_up()
            return 0, False
        passed = max(min(position, end - NEEDED), 0)
        window.slide(passed)
        position, searched = position - passed, 0


def _upper_half(time_ms: int | None, order: str) -> tuple[bytes, int]:
    """The upper two octets of the seconds as they stand in a packet header, and where in it; empty if
    unknown.
    """
    if time_ms is None:
        return b"", 0
    half = (time_ms // 1000 & 0xFFFFFFFF).to_bytes(4, "big")[:2]
    return (half[::-1], 2) if order == "<" else (half, 0)


def _find_packet(
    data: bytes, position: int, end: int, final: bool, packet_header: _Unpack, half: tuple[bytes, int]
) -> tuple[int, bool]:
    """Where in data[position:end] a plausible packet starts, and whether that is certain (see find_message)."""
    octets, at_half = half
    while octets:
        at = data.find(octets, position + at_half, end)
        if at < 0:
            break
        position = at - at_half
        if end - position < PACKET_HEADER:
            return (end, True) if final else (position, False)
        if _is_plausible(packet_header, data, position):
            follower = position + PACKET_HEADER + packet_header(data, position)[2]
            if follower == end and final:
                return position, True
            if end - follower < PACKET_HEADER and not final:
                return position, False
            if (
                end - follower >= PACKET_HEADER
                and data.startswith(octets, follower + at_half)
                and _is_plausible(packet_header, data, follower)
            ):
                return position, True
        position += 1
    return (end, True) if final else (max(position, end - PACKET_HEADER), False)


def _is_plausible(packet_header: _Unpack, data: bytes, position: int) -> bool:
    _, _, captured, original = packet_header(data, position)
    return bool(0 < captured <= original <= MAX_PACKET)


def unknown_link_type(link_type: int, source: Source, offset: int) -> ExportError:
    return ExportError(
        f"captured on a link of type {link_type}, which is not supported",
        file=source.name,
        offset=offset,
        expected="Ethernet, Linux cooked, raw IP, loopback or PPP",
        advice="capture on an Ethernet interface",
    )
