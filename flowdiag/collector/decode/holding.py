"""Data sets whose template has not come yet, bounded for all domains together; the oldest go first.

Who goes is counted as undecoded, or given to whoever keeps it elsewhere until its template comes: as a message of its
own, with the header of the one it came in.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Callable
from struct import Struct
from typing import Final

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode.domain import Domain, HeldSet
from flowdiag.collector.decode.limits import MAX_IDS_NAMED, Limits
from flowdiag.collector.decode.messages import IPFIX, IPFIX_HEADER, NETFLOW9_HEADER

Unread = Callable[[Datagram], None]

_SHORT: Final = Struct(">H")
_SET: Final = Struct(">HH")


class Holding:
    """What is held, by number in order of arrival; domains know the numbers of their own.

    unread: is given what can be held no longer; None counts it as undecoded.
    """

    def __init__(self, limits: Limits, unread: Unread | None = None) -> None:
        self._limits = limits
        self._unread = unread
        self._held: OrderedDict[int, tuple[Domain, int, HeldSet]] = OrderedDict()
        self._octets = 0
        self._number = 0

    @property
    def octets(self) -> int:
        return self._octets

    def add(self, domain: Domain, template_id: int, held: HeldSet) -> None:
        self._number += 1
        self._held[self._number] = domain, template_id, held
        self._octets += len(held.octets)
        domain.held.setdefault(template_id, deque()).append(self._number)
        while len(self._held) > self._limits.held_sets or self._octets > self._limits.held_octets:
            self._give_up_first()

    def release(self, domain: Domain, template_id: int) -> list[HeldSet]:
        """Takes out the data sets of a template id, in order of arrival."""
        sets = [self._held.pop(number)[2] for number in domain.held.pop(template_id, ())]
        self._octets -= sum(len(held.octets) for held in sets)
        return sets

    def hand_over(self) -> None:
        """Gives all that is held to whoever keeps it elsewhere."""
        while self._unread is not None and self._held:
            self._give_up_first()

    def forget_domain(self, domain: Domain) -> None:
        """Gives up what is held of a domain."""
        for template_id in list(domain.held):
            for held in self.release(domain, template_id):
                self._give_up(domain, held, [(template_id, held.octets)])

    def sets_of(self, domain: Domain) -> int:
        return sum(len(numbers) for numbers in domain.held.values())

    def _give_up_first(self) -> None:
        """The sets of the first message, as far as they follow one another."""
        domain, template_id, held = self._take_first()
        sets = [(template_id, held.octets)]
        message = domain, held.stretch, held.message
        while self._held:
            domain, template_id, following = next(iter(self._held.values()))
            if (domain, following.stretch, following.message) != message:
                break
            self._take_first()
            sets.append((template_id, following.octets))
        self._give_up(message[0], held, sets)

    def _take_first(self) -> tuple[Domain, int, HeldSet]:
        _, (domain, template_id, held) = self._held.popitem(last=False)
        self._octets -= len(held.octets)
        numbers = domain.held[template_id]
        numbers.popleft()
        if not numbers:
            del domain.held[template_id]
        return domain, template_id, held

    def _give_up(self, domain: Domain, held: HeldSet, sets: list[tuple[int, bytes]]) -> None:
        if self._unread is not None:
            domain.given_away += 1
            message = _message(domain.version, held.header, sets)
            self._unread(Datagram(domain.session, message, held.time_ms, held.offset))
            return
        for template_id, _ in sets:
            if len(domain.evicted) <= MAX_IDS_NAMED:
                domain.evicted.add(template_id)
        domain.evicted_sets += len(sets)
        domain.report.undecoded_sets += len(sets)


def _message(version: int, header: bytes, sets: list[tuple[int, bytes]]) -> bytes:
    """The message that had nothing but these data sets."""
    body = b"".join(_SET.pack(number, len(octets) + 4) + octets for number, octets in sets)
    if version == IPFIX:
        length = _SHORT.pack(IPFIX_HEADER + len(body))
        return header[:2] + length + header[4:IPFIX_HEADER] + body
    return header[:NETFLOW9_HEADER] + body
