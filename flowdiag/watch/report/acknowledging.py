"""What somebody knows of, put beside the reasons of a morning list: from what the watch keeps, light enough for a server."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from msgspec.structs import replace

from flowdiag.watch.event import Incident, Matter
from flowdiag.watch.going_on import open_incidents
from flowdiag.watch.ledger import Ledger
from flowdiag.watch.part import read_parts
from flowdiag.watch.report.reasons import Acknowledged, ListedSite, MorningList, Reason
from flowdiag.watch.silenced import Silence, read_silences

Known = Mapping[str, Sequence[Acknowledged]]


def acknowledged_in(ledger: Ledger, now_ms: int) -> dict[str, list[Acknowledged]]:
    """By the place of each site, what is acknowledged or muted of its open incidents. Raises StoreError."""
    silences = read_silences(ledger)
    found: dict[str, list[Acknowledged]] = {}
    parts = [part for _, part in read_parts(ledger)] if silences else []
    for one in open_incidents(parts, silences, now_ms):
        if one.silence is not None:
            found.setdefault(one.event.place, []).append(acknowledged(one.incident, one.silence))
    return found


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
