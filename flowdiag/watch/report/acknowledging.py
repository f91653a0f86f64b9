"""What somebody knows of, put beside the reasons of a morning list: from what the watch keeps, light enough for a server."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from msgspec.structs import replace

from flowdiag.watch.event import Incident, Matter, SiteMemory, as_event
from flowdiag.watch.ledger import Ledger
from flowdiag.watch.part import decoded
from flowdiag.watch.report.reasons import Acknowledged, ListedSite, MorningList, Reason
from flowdiag.watch.silenced import Silence, read_silences, silenced_by

Known = Mapping[str, Sequence[Acknowledged]]


def acknowledged_in(ledger: Ledger, now_ms: int) -> dict[str, list[Acknowledged]]:
    """By the place of each site, what is acknowledged or muted of its open incidents. Raises StoreError."""
    silences = read_silences(ledger)
    found: dict[str, list[Acknowledged]] = {}
    for name in ledger.versions() if silences else ():
        document = ledger.read(name) if name.startswith("part-") else None
        if document is not None:
            for place, memory in decoded(name, document.content).sites.items():
                found[place] = list(_of_site(place, memory, silences, now_ms))
    return {place: known for place, known in found.items() if known}


def _of_site(
    place: str, memory: SiteMemory, silences: Sequence[Silence], now_ms: int
) -> Iterable[Acknowledged]:
    for incident in memory.incidents:
        if incident.is_open:
            silence = silenced_by(as_event(place, memory, incident), silences, now_ms)
            if silence is not None:
                yield acknowledged(incident, silence)


def acknowledged(incident: Incident, silence: Silence) -> Acknowledged:
    matter: Matter = incident.matter
    return Acknowledged(
        code=matter.code,
        link=matter.link,
        by=silence.by,
        reason=silence.reason,
        until_ms=silence.until_ms,
        muted=silence.kind == "muted",
    )


def with_acknowledged(morning: MorningList, known: Known) -> MorningList:
    """A list with what somebody knows of, by the places of its sites."""
    return replace(
        morning, listed=tuple(_site_with(site, known.get(site.place, ())) for site in morning.listed)
    )


def _site_with(site: ListedSite, known: Iterable[Acknowledged]) -> ListedSite:
    of = {(one.code, one.link): one for one in known}

    def with_own(reason: Reason) -> Reason:
        return replace(reason, acknowledged=of.get((reason.code, reason.link)))

    return replace(site, reasons=tuple(map(with_own, site.reasons)))
