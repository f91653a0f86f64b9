"""The sessions and observation domains that a decoder knows, bounded: who has flow records outlives who has none.

Facts the design follows:
- senders, ports and domain numbers can be made up without end (RFC 7011 11.4). Of too many domains one without records
  goes first, then the one that was not used for the longest time (eviction.py); sessions go with their last domain, and
  those that never sent a sound message first of all;
- messages and flows of a domain that was forgotten may still wait for their batch, so it stays until that has been read;
- the report of a domain without records is forgotten with it, those of others stay, up to as many again.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from flowdiag.collector.datagram import Session
from flowdiag.collector.decode.domain import Domain, Stream
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.eviction import EvictionOrder
from flowdiag.collector.report import ExportReport, SessionReport

FORGOTTEN: Final = "observation domains beyond the number that is kept were forgotten"


class Roster:
    """The known sessions and domains. domains: by number, which is never used again; forgotten ones until sweep()."""

    def __init__(self, report: ExportReport, limits: Limits) -> None:
        self._report = report
        self._most = limits.domains
        self._streams: dict[Session, Stream] = {}
        self._idle: dict[Session, None] = {}  # those that have no domain
        self._eviction: EvictionOrder[int] = EvictionOrder(self._uses)
        self._number = 0
        self._leaving: deque[tuple[int, Domain]] = deque()
        self._departed: deque[SessionReport] = deque()
        self.domains: dict[int, Domain] = {}

    @property
    def met(self) -> int:
        """How many domains were new so far."""
        return self._number

    def stream(self, session: Session) -> Stream | None:
        return self._streams.get(session)

    def streams_full(self) -> bool:
        """Whether another session has no room even after those without domains have gone."""
        if len(self._streams) >= self._most:
            for session in self._idle:
                del self._streams[session]
            self._idle.clear()
        return len(self._streams) >= self._most

    def add_stream(self, session: Session) -> Stream:
        stream = self._streams[session] = Stream(session)
        self._idle[session] = None
        return stream

    def domains_full(self) -> bool:
        return len(self._eviction) >= self._most

    def add_domain(self, stream: Stream, version: int, number: int, report: SessionReport) -> Domain:
        domain = Domain(stream, version, number, self._number, report)
        self._number += 1
        self._streams.setdefault(stream.session, stream)
        self._idle.pop(stream.session, None)
        stream.domains[version][number] = self.domains[domain.index] = domain
        self._eviction.add(domain.index)
        self._report.sessions.append(report)
        return domain

    def prove(self, domain: Domain) -> None:
        """Notes that a domain has records."""
        if domain.index in self._eviction:
            self._eviction.prove(domain.index)

    def forget_one(self, stretch: int) -> Domain:
        """Forgets the domain that goes next. stretch: number of the one that may still hold messages of it."""
        index = self._eviction.next_to_go()
        self._eviction.drop(index)
        domain = self.domains[index]
        stream = domain.stream
        del stream.domains[domain.version][domain.number]
        if not any(stream.domains.values()) and self._streams.get(stream.session) is stream:
            del self._streams[stream.session]
        self._leaving.append((stretch, domain))
        return domain

    def sweep(self, stretch: int) -> None:
        """Drops the domains that were forgotten in a stretch or before: it has been read."""
        gone: set[int] = set()
        while self._leaving and self._leaving[0][0] <= stretch:
            _, domain = self._leaving.popleft()
            del self.domains[domain.index]
            for sequences in domain.stream.sequences.values():
                sequences.forget_domain(domain.index, whole=not any(domain.stream.domains.values()))
            report = domain.report
            self._departed.append(report)
            if not report.records and not report.option_records:
                gone.add(id(self._departed.pop()))
            elif len(self._departed) > self._most:
                gone.add(id(self._departed.popleft()))
        self._remove(gone)

    def forget_reports(self) -> None:
        """Drops the reports of forgotten domains: they were taken."""
        self._remove({id(report) for report in self._departed})
        self._departed.clear()

    def _remove(self, gone: set[int]) -> None:
        if gone:
            self._report.sessions[:] = [report for report in self._report.sessions if id(report) not in gone]

    def _uses(self, index: int) -> object:
        return self.domains[index].expected
