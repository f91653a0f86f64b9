"""From a captured frame to the export messages in it: IP, fragments, UDP, TCP, SCTP.

Facts the design follows:
- an export is known by its content, never by its port: a UDP payload whose first two octets read 5, 9 or 10
  and whose header is plausible. Once a sender has sent one, its damaged messages are passed on too, to be
  counted;
- capture files often hold other traffic; it is passed over and counted as one problem of the file;
- a packet cut short by the capture's snap length has lost part of its message and is left out;
- nearly all exports come in UDP, IPv4 and untagged Ethernet from a session already known: they take a short
  way through one unpack and one slice;
- checksums are not checked: network cards fill them in after the capture point.
"""

from __future__ import annotations

from collections.abc import Sequence
from struct import Struct
from typing import Final

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.readers.fragments import Fragments
from flowdiag.collector.readers.framing import VERSIONS, looks_like_export
from flowdiag.collector.readers.links import IPV4, IPV6, Locate, ethernet
from flowdiag.collector.readers.sctp import messages_of_sctp
from flowdiag.collector.readers.session_table import SessionTable
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.tcp import Streams

NOT_AN_EXPORT: Final = "UDP packets that carry no flow export were ignored"
CUT_SHORT: Final = "export packets cut short by the capture's snap length were left out"
INCOMPLETE: Final = "datagrams with missing, overlapping or too many fragments were left out"

TCP: Final = 6
UDP: Final = 17
SCTP: Final = 132

_FRAGMENT_HEADER: Final = 44
_AUTHENTICATION: Final = 51
# Hop-by-hop, routing, destination options (RFC 8200 4), mobility (RFC 6275), host identity (RFC 7401), shim6
# (RFC 5533): all give their length in units of 8 octets beyond the first 8.
_EXTENSION_HEADERS: Final = frozenset((0, 43, 60, 135, 139, 140))

_IPV4: Final = Struct(">BxHHHxBxx").unpack_from
_IPV6: Final = Struct(">4xHB").unpack_from
_UDP: Final = Struct(">4xH").unpack_from
_TCP: Final = Struct(">4xI4xBB").unpack_from
_VERSION: Final = Struct(">H").unpack_from

# The headers of nearly all exports, read at once: untagged Ethernet, IPv4 without options, UDP. Ethernet
# type, IP version and header length, fragment field, protocol, addresses and ports, UDP length, export
# version.
_EXPORT_LAYOUT: Final = Struct(">12xHB5xHxB2x12sH2xH")
_EXPORT: Final = _EXPORT_LAYOUT.unpack_from
_EXPORT_OCTETS: Final = _EXPORT_LAYOUT.size
_EXPORT_BODY: Final = 42  # 14 Ethernet, 20 IPv4, 8 UDP

_new = tuple.__new__
_NOTHING: Final[tuple[Datagram, ...]] = ()


class Dissector:
    """Takes the packets of one run of captures. Sessions, fragments and TCP streams carry over from file to
    file.

    source is the file being read and is set by the reader of each.
    """

    def __init__(self) -> None:
        self.sessions = SessionTable()
        self._known = self.sessions.known
        self.source: Source
        self._fragments = Fragments()
        self._streams = Streams()

    def packet(
        self, locate: Locate, data: bytes, start: int, end: int, time_ms: int | None, base: int
    ) -> Sequence[Datagram]:
        """The export messages that the frame data[start:end] completes; data[0] is octet base of the file."""
        if locate is ethernet and end - start >= _EXPORT_OCTETS:
            kind, first, fragment, protocol, key, length, export_version = _EXPORT(data, start)
            if kind == 0x0800 and first == 0x45 and protocol == UDP and not fragment & 0x3FFF:
                session = self._known.get(key)
                body = start + _EXPORT_BODY
                stop = body + length - 8
                if session is not None and export_version in VERSIONS and body < stop <= end:
                    return (_new(Datagram, (session, data[body:stop], time_ms, base + body)),)
        version, position = locate(data, start, end)
        if version == IPV4:
            return self._ipv4(data, position, end, time_ms, base)
        if version == IPV6:
            return self._ipv6(data, position, end, time_ms, base)
        return _NOTHING

    def finish(self, time_ms: int | None, offset: int) -> Sequence[Datagram]:
        """At the end of a file.

        What can still be had from its TCP streams; notes fragments that never came.
        """
        incomplete = self._fragments.finish()
        if incomplete:
            self.source.problem(None, INCOMPLETE, incomplete)
        return self._streams.finish(time_ms, offset, self.source)

    def _ipv4(self, data: bytes, start: int, end: int, time_ms: int | None, base: int) -> Sequence[Datagram]:
        if end - start < 20:
            return _NOTHING
        first, total, _, fragment, protocol = _IPV4(data, start)
        header = (first & 0x0F) * 4
        # A total length of 0 comes from captures on the sending host, where the card does the segmentation.
        stop = start + total if total else end
        if first >> 4 != IPV4 or header < 20 or stop < start + header or start + header > end:
            return _NOTHING
        addresses = data[start + 12 : start + 20]
        body = start + header
        if fragment & 0x3FFF:
            if stop > end:
                return self._cut_short(protocol, data, body, end, base)
            key = addresses + data[start + 4 : start + 6] + bytes((protocol,))
            whole = self._fragments.add(
                key, (fragment & 0x1FFF) * 8, bool(fragment & 0x2000), data[body:stop], time_ms
            )
            if whole is None:
                return _NOTHING
            return self._transport(
                protocol, addresses, whole, 0, len(whole), len(whole), time_ms, base + start
            )
        return self._transport(protocol, addresses, data, body, stop, end, time_ms, base)

    def _ipv6(self, data: bytes, start: int, end: int, time_ms: int | None, base: int) -> Sequence[Datagram]:
        if end - start < 40 or data[start] >> 4 != IPV6:
            return _NOTHING
        length, following = _IPV6(data, start)
        stop = start + 40 + length if length else end
        addresses = data[start + 8 : start + 40]
        position = start + 40
        while position + 8 <= end:
            if following in _EXTENSION_HEADERS:
                following, position = data[position], position + 8 + 8 * data[position + 1]
            elif following == _AUTHENTICATION:
                following, position = data[position], position + 8 + 4 * data[position + 1]
            elif following == _FRAGMENT_HEADER:
                (placed,) = _VERSION(data, position + 2)
                following, identification = data[position], data[position + 4 : position + 8]
                position += 8
                if placed & 0xFFF9 == 0:  # an atomic fragment (RFC 6946) is a whole datagram
                    continue
                if stop > end:
                    return self._cut_short(following, data, position, end, base)
                key = addresses + identification + bytes((following,))
                whole = self._fragments.add(
                    key, placed & 0xFFF8, bool(placed & 1), data[position:stop], time_ms
                )
                if whole is None:
                    return _NOTHING
                return self._transport(
                    following, addresses, whole, 0, len(whole), len(whole), time_ms, base + start
                )
            else:
                return self._transport(following, addresses, data, position, stop, end, time_ms, base)
        return _NOTHING

    def _transport(
        self,
        protocol: int,
        addresses: bytes,
        data: bytes,
        start: int,
        stop: int,
        end: int,
        time_ms: int | None,
        base: int,
    ) -> Sequence[Datagram]:
        """A whole IP payload data[start:stop], of which the capture holds data[start:end]."""
        if protocol == UDP:
            return self._udp(addresses, data, start, stop, end, time_ms, base)
        if protocol == TCP and stop <= end and stop - start >= 20:
            sequence, offset, flags = _TCP(data, start)
            body = start + (offset >> 4) * 4
            if start + 20 <= body <= stop:
                key = addresses + data[start : start + 4]
                return self._streams.segment(
                    key, sequence, flags, data[body:stop], time_ms, base + body, self.source
                )
        if protocol == SCTP and stop <= end:
            return messages_of_sctp(addresses, data[start:stop], time_ms, base + start, self.source)
        return _NOTHING

    def _udp(
        self, addresses: bytes, data: bytes, start: int, stop: int, end: int, time_ms: int | None, base: int
    ) -> Sequence[Datagram]:
        if end - start < 8:
            return _NOTHING
        (length,) = _UDP(data, start)
        body = start + 8
        if length >= 8:  # 0 is allowed in jumbograms (RFC 2675) and seen with segmentation in the card
            stop = min(stop, start + length)
        if stop > end:
            return self._cut_short(UDP, data, start, end, base)
        key = addresses + data[start : start + 4]
        session = self._known.get(key)
        payload = data[body:stop]
        if session is None and looks_like_export(payload, time_ms):
            session = self.sessions.add(key)
        if session is None or len(payload) < 2 or _VERSION(payload)[0] not in VERSIONS:
            self.source.problem(base + body, NOT_AN_EXPORT)
            return _NOTHING
        return (Datagram(session, payload, time_ms, base + body),)

    def _cut_short(self, protocol: int, data: bytes, start: int, end: int, base: int) -> Sequence[Datagram]:
        """A packet of which the capture holds data[start:end] only: noted if it looks like an export."""
        if protocol == UDP and end - start >= 10 and _VERSION(data, start + 8)[0] in VERSIONS:
            self.source.problem(base + start, CUT_SHORT)
        return _NOTHING
