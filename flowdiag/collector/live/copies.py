"""Copies of datagrams: the same octets in the same transport session again (RFC 7011 9, RFC 3954 9).

Facts the design follows:
- UDP may deliver a datagram twice, or much later once more, and so may whoever records and replays it. Its sequence
  number and export time make two messages of an exporter differ even where their records are alike, so what is equal
  to the last octet is a copy;
- what only defines counts nothing, and may come as often as its exporter likes: an exporter whose clock stands still
  sends the same definitions to the last octet (RFC 7011 8.4);
- a message may be put off and its copy not, or the other way round, so copies are told apart as they come, before that;
- who sends what is compared as well, or others could send an exporter's messages before it does. What is remembered of
  a message is a hash that nobody outside can choose a second message for: Python's own, with its secret (PEP 456).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.decode.malformed import Malformed
from flowdiag.collector.decode.messages import NETFLOW5, read_header
from flowdiag.collector.decode.templates import FIRST_TEMPLATE_ID

# Messages of all exporters after which those before may be forgotten: six seconds of a flood of 40,000 a second, minutes
# of what comes else; the queues of a network hold less. Some 70 octets each, and twice as many are known at times.
REMEMBERED: Final = 1 << 18


class Copies:
    """The messages that came last."""

    def __init__(self, remembered: int = REMEMBERED) -> None:
        self._remembered = remembered
        self._new: set[int] = set()
        self._old: set[int] = set()
        self._session: Session | None = None
        self._sender = 0

    def without(self, datagrams: Iterable[Datagram], copies: list[Datagram]) -> Iterator[Datagram]:
        """Messages that did not come before; the others are put into copies."""
        for datagram in datagrams:
            if self.add(datagram) or not has_data(datagram.payload):
                yield datagram
            else:
                copies.append(datagram)

    def add(self, datagram: Datagram) -> bool:
        """A message has come. False if it came before."""
        session = datagram.session
        if session is not self._session:
            self._session, self._sender = session, hash(session)
        digest = hash(datagram.payload) ^ self._sender
        if digest in self._new or digest in self._old:
            return False
        self._new.add(digest)
        if len(self._new) >= self._remembered:
            self._old, self._new = self._new, set()
        return True


def has_data(payload: bytes) -> bool:
    """Whether a message is sound and does more than define."""
    try:
        header = read_header(payload)
    except Malformed:
        return False
    return header.version == NETFLOW5 or any(bounds.id >= FIRST_TEMPLATE_ID for bounds in header.sets)
