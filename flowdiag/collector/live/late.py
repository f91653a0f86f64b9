"""Data sets that were kept because their template had not come, decoded by what is known now.

Facts the design follows:
- sequence numbers, signs of life and losses of these messages were taken in when they came; all that is new are their
  flow records. So they are decoded beside the stream, by decoders that know the templates and are then let go of;
- a try can bring something only if their exporters have defined something since the last one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Final

from msgspec.structs import replace

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.live.decoders import CHUNK, Decoders, Interrupted
from flowdiag.collector.live.exporter_state import LIMITS, ExporterState
from flowdiag.collector.live.kept import Kept, PuttingAside
from flowdiag.collector.report import ExportReport

# What still finds no template goes back to where it is kept, and waits in no memory.
LATE_LIMITS: Final = replace(LIMITS, held_octets=64 << 10)


def worth_trying(kept: Kept, decoders: Decoders, day: int) -> bool:
    """Whether something kept can be expected to be decoded now. day: today, in days since 1970 UTC."""
    if kept.kind == "later":
        return kept.tried_day != day and any(decoders.lets_in(exporter, day) for exporter in kept.octets_of)
    return any(
        revision and kept.tried.get(exporter) != revision for exporter, revision in _revisions(kept, decoders)
    )


def tried(kept: Kept, decoders: Decoders, day: int) -> None:
    """Notes that a try brought nothing."""
    kept.tried_day = day
    kept.tried = dict(_revisions(kept, decoders))


def _revisions(kept: Kept, decoders: Decoders) -> Iterator[tuple[bytes, int]]:
    for exporter in kept.octets_of:
        state = decoders.get(exporter)
        if state is not None:
            yield exporter, state.knowledge.revision


class LateDecoders:
    """Decoders for one file. decoders: those of the stream; aside: is given what still cannot be decoded."""

    def __init__(self, kept: Kept, decoders: Decoders, aside: PuttingAside) -> None:
        self._kept = kept
        self._decoders = decoders
        self._aside = aside
        self._states: dict[bytes, ExporterState] = {}

    def take(
        self, datagrams: Iterable[Datagram], file: str, ended: Callable[[], bool]
    ) -> Iterator[ExporterState]:
        """See Decoders.take()."""
        left = iter(datagrams)
        while chunk := list(islice(left, CHUNK)):
            if ended():
                raise Interrupted
            by_exporter: dict[bytes, list[Datagram]] = defaultdict(list)
            for datagram in chunk:
                by_exporter[datagram.session.exporter].append(datagram)
            for exporter, messages in by_exporter.items():
                state = self._state(exporter)
                if state is None:
                    for datagram in messages:
                        self._aside.add(self._kept.kind, datagram)
                else:
                    state.take(messages, file)
                    yield state

    def touched(self) -> list[ExporterState]:
        """All of them, in order of their exporters."""
        return [state for _, state in sorted(self._states.items())]

    def _state(self, exporter: bytes) -> ExporterState | None:
        state = self._states.get(exporter)
        known = self._decoders.get(exporter)
        if state is None and known is not None:
            state = self._states[exporter] = ExporterState(self._unread, LATE_LIMITS)
            state.learn(known.knowledge.seed().taught, ())
        return state

    def _unread(self, datagram: Datagram) -> None:
        known = self._decoders.get(datagram.session.exporter)
        proven = self._kept.kind == "known" or (known is not None and known.proven)
        self._aside.add("known" if proven else "new", datagram)


def only_records(report: ExportReport) -> ExportReport:
    """A report without what was counted already when the messages came."""
    sessions = [
        replace(
            session,
            messages=0,
            lost_messages=0,
            lost_records=0,
            duplicates=0,
            restarts=0,
            undecoded_records=0,
        )
        for session in report.sessions
    ]
    return replace(report, sessions=sessions, losses=[], heard_minutes={})
