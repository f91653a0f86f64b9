"""Runs of export messages that are alike: what lets a file be read by the column instead of by the message.

Facts the design follows:
- an exporter fills its messages evenly, so in a file of IPFIX messages (RFC 5655) most have the length of the one
  before them and begin with a data set of the same template and length;
- where that holds, the headers of many messages lie at even distances, which numpy reads as one column.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from flowdiag.collector.datagram import Datagram, Session

# Fewer messages cost more as a run than one by one.
LEAST_MESSAGES: Final = 8
# Bounds what looking for a run costs where it ends early.
MOST_MESSAGES: Final = 512
# Header and head of the first set.
_COMPARED: Final = 20


class Run(NamedTuple):
    """IPFIX messages one right behind another, equal in version, length, observation domain and in id and length of
    the first set. Without capture time.

    data: octets that hold them, the first at start; length: octets of each; messages: how many; offset: of the first, as
    Datagram.offset.
    """

    session: Session
    data: bytes
    start: int
    length: int
    messages: int
    offset: int

    def message(self, index: int) -> Datagram:
        """The message of an index, from 0."""
        at = index * self.length
        start = self.start + at
        return Datagram(self.session, self.data[start : start + self.length], None, self.offset + at)

    def part(self, first: int, count: int) -> Run:
        """count messages from the first on."""
        at = first * self.length
        return self._replace(start=self.start + at, messages=count, offset=self.offset + at)

    def sequences(self) -> NDArray[np.uint32]:
        """The sequence number of each message (RFC 7011 3.1: octets 8 to 11 of the header)."""
        return _column(">u4", self.data, self.start + 8, self.length, self.messages).astype(np.uint32)

    def joined(self, first: int, count: int, begin: int, end: int) -> bytes:
        """Octets begin to end of each of count messages from the first on, joined."""
        at = self.start + first * self.length
        return np.ndarray((count, self.length), np.uint8, self.data, at)[:, begin:end].tobytes()


def messages_alike(data: bytes, position: int, length: int, end: int) -> int:
    """How many IPFIX messages of that length from a position on make a run, 0 if none; behind the last one follows
    another of that length, whole before end.
    """
    ahead = position + LEAST_MESSAGES * length
    if (
        length < _COMPARED
        or ahead + length > end
        or data[ahead : ahead + 4] != data[position : position + 4]
        or data[position + length + 12 : position + length + _COMPARED]
        != data[position + 12 : position + _COMPARED]
    ):
        return 0
    most = min((end - position) // length, MOST_MESSAGES + 1)
    heads = _column("u4", data, position, length, most)
    domains_and_sets = _column("u8", data, position + 12, length, most)
    alike = (heads == heads[0]) & (domains_and_sets == domains_and_sets[0])
    messages = (most if alike.all() else int(alike.argmin())) - 1
    return messages if messages >= LEAST_MESSAGES else 0


def one_by_one(messages: Iterable[Datagram | Run]) -> Iterator[Datagram]:
    """The messages, those of runs too."""
    for item in messages:
        if isinstance(item, Run):
            yield from map(item.message, range(item.messages))
        else:
            yield item


def _column(kind: str, data: bytes, start: int, distance: int, count: int) -> NDArray[Any]:
    return np.ndarray((count,), kind, data, start, (distance,))
