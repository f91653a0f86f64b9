"""IPFIX over TCP in a capture (RFC 7011 10.4): each connection's octets put in order and cut into messages.

Facts the design follows:
- only the exporter sends; the other direction carries no messages and is forgotten at its first octets;
- a connection seen from its SYN starts with a message header, or it is no IPFIX;
- a capture that starts in the middle of a connection, or misses a segment, starts between two headers: the
  next message is searched for by the rule of RFC 5655 10.3 (a header whose length leads to another header);
- sequence numbers count octets modulo 2^32 (RFC 9293 3.4), so they are compared by their signed difference.
"""

from __future__ import annotations

from bisect import insort
from collections import OrderedDict
from typing import Final

from msgspec import Struct, field

from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.readers.framing import IPFIX, IPFIX_HEADER, begins_ipfix_message
from flowdiag.collector.readers.messages import find_message
from flowdiag.collector.readers.session_table import split_key
from flowdiag.collector.readers.source import Source

MAX_STREAMS: Final = 1_024  # directions of connections followed at one time; the longest idle goes first
MAX_HELD_OCTETS: Final = 64 << 20  # of all streams: parts of messages and segments that came too early
MAX_EARLY_OCTETS: Final = 1 << 20  # of one stream waiting for a missing segment: a large receive window
MAX_EARLY_SEGMENTS: Final = 1_024
# A stream in which no message was found within this many octets is not IPFIX: four times the longest message.
MAX_SEARCH_OCTETS: Final = 4 * 65_536
# Nor is one in which so many places looked like a header that led to another, and began no message: of the longest
# message that is met in its middle, one place in sixteen.
MAX_FALSE_HEADERS: Final = 4_096

FIN: Final = 0x01
SYN: Final = 0x02
RST: Final = 0x04

MISSING: Final = "TCP segments missing from the capture: messages in them were left out"
LOST_TRACK: Final = "octets of a TCP stream that are no IPFIX message were passed over"
EVICTED: Final = "TCP streams given up because too many were open at one time"

_IPFIX_ONLY: Final = frozenset((IPFIX,))
_HALF: Final = 1 << 31
_MODULUS: Final = 1 << 32


class _Stream(Struct):
    """One direction of one connection. Positions are sequence numbers counted on beyond 2^32."""

    expected: int  # position of the next octet
    from_start: bool
    initial: int | None = None
    session: Session | None = None  # set once a message was found
    in_step: bool = False  # the buffer starts with a message header
    given_up: bool = False  # not IPFIX
    buffer: bytearray = field(default_factory=bytearray)
    early: dict[int, bytes] = field(default_factory=dict)  # segments by position
    early_positions: list[int] = field(default_factory=list)  # of these, ascending
    early_octets: int = 0
    searched: int = 0
    false_headers: int = 0

    @property
    def held(self) -> int:
        return len(self.buffer) + self.early_octets


class Streams:
    """The TCP streams of a run of captures, by address and port key (see session_table)."""

    def __init__(self) -> None:
        self._streams: OrderedDict[bytes, _Stream] = OrderedDict()
        self._held = 0
        self._connections = 0

    def segment(
        self,
        key: bytes,
        sequence: int,
        flags: int,
        payload: bytes,
        time_ms: int | None,
        offset: int,
        source: Source,
    ) -> list[Datagram]:
        """Take one segment; gives the messages that it completes, with its own time and offset."""
        stream = self._stream(key, sequence, flags, bool(payload), source)
        if stream is None:
            return []
        before = stream.held
        if flags & SYN:
            sequence = (sequence + 1) % _MODULUS
        if payload and not stream.given_up:
            self._take(stream, sequence, payload, offset, source)
        messages = self._messages(stream, key, time_ms, offset, source, final=False)
        if flags & (FIN | RST) and not stream.early:
            messages += self._messages(stream, key, time_ms, offset, source, final=True)
            self._streams.pop(key)
            self._held -= before
            return messages
        self._held += stream.held - before
        if self._held > MAX_HELD_OCTETS:
            self._evict(source)
        return messages

    def finish(self, time_ms: int | None, offset: int, source: Source) -> list[Datagram]:
        """At the end of a capture: what waits for segments that never came, as far as messages can be found.

        The streams stay, so that the next capture of the run continues them.
        """
        messages: list[Datagram] = []
        for key, stream in self._streams.items():
            before = stream.held
            while stream.early and not stream.given_up:
                self._skip_gap(stream, offset, source)
                messages += self._messages(stream, key, time_ms, offset, source, final=False)
            if not stream.in_step and not stream.given_up:
                messages += self._messages(stream, key, time_ms, offset, source, final=True)
            self._held += stream.held - before
        return messages

    def _stream(
        self, key: bytes, sequence: int, flags: int, has_payload: bool, source: Source
    ) -> _Stream | None:
        stream = self._streams.get(key)
        if flags & SYN:
            if stream is None or stream.initial != sequence:
                if stream is not None:
                    self._held -= stream.held
                stream = self._streams[key] = _Stream((sequence + 1) % _MODULUS, True, initial=sequence)
        elif stream is None:
            if not has_payload:
                return None
            stream = self._streams[key] = _Stream(sequence, False)
        self._streams.move_to_end(key)
        if len(self._streams) > MAX_STREAMS:
            self._evict(source)
        return stream

    def _evict(self, source: Source) -> None:
        _, stream = self._streams.popitem(last=False)
        self._held -= stream.held
        if stream.session is not None:
            source.problem(None, EVICTED)

    def _take(self, stream: _Stream, sequence: int, payload: bytes, offset: int, source: Source) -> None:
        ahead = _distance(stream.expected % _MODULUS, sequence)
        if ahead > 0:
            position = stream.expected + ahead
            known = stream.early.get(position, b"")
            if not known:
                insort(stream.early_positions, position)
            if len(known) < len(payload):
                stream.early[position] = payload
                stream.early_octets += len(payload) - len(known)
            if stream.early_octets > MAX_EARLY_OCTETS or len(stream.early) > MAX_EARLY_SEGMENTS:
                self._skip_gap(stream, offset, source)
            return
        _append(stream, payload[-ahead:] if ahead else payload)
        _append_early(stream)

    def _skip_gap(self, stream: _Stream, offset: int, source: Source) -> None:
        if stream.session is not None:
            source.problem(offset, MISSING)
        stream.expected = stream.early_positions[0]
        stream.in_step = stream.from_start = False
        stream.buffer.clear()
        _append_early(stream)

    def _messages(
        self, stream: _Stream, key: bytes, time_ms: int | None, offset: int, source: Source, *, final: bool
    ) -> list[Datagram]:
        messages: list[Datagram] = []
        while not stream.given_up:
            if not stream.in_step and not self._find_step(stream, final):
                break
            buffer = stream.buffer
            if len(buffer) < IPFIX_HEADER:
                break
            length = buffer[2] << 8 | buffer[3]
            if buffer[0] or buffer[1] != IPFIX or length < IPFIX_HEADER:
                source.problem(offset, LOST_TRACK)
                stream.in_step = stream.from_start = False
                continue
            if len(buffer) < length:
                break
            if stream.session is None:
                stream.session = self._session(key)
            messages.append(Datagram(stream.session, bytes(buffer[:length]), time_ms, offset))
            del buffer[:length]
        if stream.given_up:
            stream.buffer.clear()
            stream.early.clear()
            stream.early_positions.clear()
            stream.early_octets = 0
        return messages

    def _session(self, key: bytes) -> Session:
        self._connections += 1
        exporter, collector, port, collector_port = split_key(key)
        return Session(exporter, port, collector, collector_port, "tcp", self._connections)

    def _find_step(self, stream: _Stream, final: bool) -> bool:
        """Brings a message header to the front of the buffer; False if none is there (yet)."""
        buffer = stream.buffer
        if stream.from_start:
            if len(buffer) < IPFIX_HEADER + 4 and not final:
                return False
            stream.in_step = begins_ipfix_message(buffer, 0, len(buffer))
            stream.given_up = not stream.in_step
            return stream.in_step
        octets, position = bytes(buffer), 0
        while not stream.in_step and stream.false_headers <= MAX_FALSE_HEADERS:
            position, certain = find_message(octets, position, len(octets), final=final, versions=_IPFIX_ONLY)
            if not certain or position >= len(octets):
                break
            stream.in_step = begins_ipfix_message(octets, position, len(octets))
            position += not stream.in_step
            stream.false_headers += not stream.in_step
        del buffer[:position]
        stream.searched += position
        if stream.in_step:  # the next search, after a gap, is another one
            stream.searched = stream.false_headers = 0
        elif stream.searched + len(buffer) > MAX_SEARCH_OCTETS or stream.false_headers > MAX_FALSE_HEADERS:
            stream.given_up = True
        return stream.in_step


def _distance(start: int, end: int) -> int:
    """end - start of two sequence numbers, signed."""
    difference = (end - start) % _MODULUS
    return difference - _MODULUS if difference >= _HALF else difference


def _append(stream: _Stream, octets: bytes) -> None:
    stream.buffer += octets
    stream.expected += len(octets)


def _append_early(stream: _Stream) -> None:
    """Moves the held segments that now follow without a gap into the buffer."""
    while stream.early_positions and stream.early_positions[0] <= stream.expected:
        position = stream.early_positions.pop(0)
        octets = stream.early.pop(position)
        stream.early_octets -= len(octets)
        known = stream.expected - position
        if known < len(octets):
            _append(stream, octets[known:] if known else octets)
