"""Data sets whose template has not come yet, bounded for all domains together; the oldest go first."""

from __future__ import annotations

from collections import deque

from flowdiag.collector.decode.domain import Domain, HeldSet
from flowdiag.collector.decode.limits import MAX_IDS_NAMED, Limits


class Holding:
    """What is held, by number in order of arrival; domains know the numbers of their own."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._held: dict[int, tuple[Domain, int, HeldSet]] = {}
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
            self._evict()

    def release(self, domain: Domain, template_id: int) -> list[HeldSet]:
        """Takes out the data sets of a template id, in order of arrival."""
        sets = [self._held.pop(number)[2] for number in domain.held.pop(template_id, ())]
        self._octets -= sum(len(held.octets) for held in sets)
        return sets

    def sets_of(self, domain: Domain) -> int:
        return sum(len(numbers) for numbers in domain.held.values())

    def _evict(self) -> None:
        number = next(iter(self._held))
        domain, template_id, held = self._held.pop(number)
        self._octets -= len(held.octets)
        numbers = domain.held[template_id]
        numbers.popleft()
        if not numbers:
            del domain.held[template_id]
        if len(domain.evicted) <= MAX_IDS_NAMED:
            domain.evicted.add(template_id)
        domain.evicted_sets += 1
        domain.report.undecoded_sets += 1
