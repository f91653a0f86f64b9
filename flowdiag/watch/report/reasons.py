"""What the morning list says: why a site's backup would not carry it today, light enough for a server to import."""

from __future__ import annotations

from typing import Final, Literal

from msgspec import Struct

from flowdiag.diagnoser.finding import Confidence

# Gravest first: nothing carries the site now; nothing would take over; it would not for long; nobody can see whether it would;
# it will not for long; it does, with nothing behind it; and nobody knows how much it could.
Code = Literal[
    "outage", "keepalive-unanswered", "keepalive-missing", "allowance-used-up", "allowance-nearly-used", "not-heard",
    "backup-leak", "flapping", "on-backup", "backup-plan-unknown",
]  # fmt: skip
GRAVEST_FIRST: Final[tuple[Code, ...]] = (
    "outage", "keepalive-unanswered", "keepalive-missing", "allowance-used-up", "allowance-nearly-used", "not-heard",
    "backup-leak", "flapping", "on-backup", "backup-plan-unknown",
)  # fmt: skip
# Why nothing can be said of a site: its profile, or its part of the store, cannot be used; no flow of it is in the store; the
# records do not tell links apart; nothing tests its backup, and nothing was carried by it.
Unsure = Literal["unusable", "no-records", "links", "no-keepalives"]
SURE_LAST: Final[tuple[Unsure, ...]] = ("unusable", "no-records", "links", "no-keepalives")

_HEARD: Final[frozenset[Unsure]] = frozenset({"links", "no-keepalives"})  # their records are there
LEAST_SILENT: Final = 2  # of one site alone nobody can tell


class Acknowledged(Struct, frozen=True):
    """Somebody knows of an incident. code, link: what it is about, link None for every link; until_ms: until when, None for
    until it ends; muted: nothing is told of it until then."""

    code: str
    link: str | None
    by: str
    reason: str
    until_ms: int | None = None
    muted: bool = False


class Allowance(Struct, frozen=True):
    """What a backup used of its month's allowance. share: of it; day, days: of the month; used_up_ms: when, at the month's
    pace; least: whether more may have been used."""

    octets: int
    allowance_gb: float
    share: float
    day: int
    days: int
    used_up_ms: int | None
    least: bool


class Reason(Struct, frozen=True):
    """Why a site is on the list. since_ms: None where there is no such time; before: it may have begun earlier; ended_ms: of
    what was so in the last day and is over, None for what goes on; what: for the engineer, with figures; client: what to say on
    the phone."""

    code: Code
    link: str | None
    since_ms: int | None
    before: bool
    confidence: Confidence
    what: str
    client: str
    allowance: Allowance | None = None
    acknowledged: Acknowledged | None = None
    ended_ms: int | None = None


class ListedSite(Struct, frozen=True):
    """reasons: gravest first, at least one. place: of its profile below the folder of profiles."""

    place: str
    site: str
    client: str
    timezone: str
    reasons: tuple[Reason, ...]


class UnsureSite(Struct, frozen=True):
    """why: in a word; said: in one line."""

    place: str
    site: str
    client: str
    why: Unsure
    said: str


class MorningList(Struct, frozen=True):
    """now_ms: ms since 1970 UTC. sites: how many there are; listed: gravest first; unsure: of whom nobody can tell; well: how
    many backups would carry their site as far as records tell; without_backup: how many sites have none."""

    now_ms: int
    sites: int
    listed: tuple[ListedSite, ...]
    unsure: tuple[UnsureSite, ...]
    well: int
    without_backup: int

    @property
    def nobody_heard_ms(self) -> int | None:
        """When the last of all sites was heard, where none of two or more is heard any more: it is the collector then, or the
        way to it, and not the sites. None where one is heard, or nobody can tell."""
        silent = [
            reason.since_ms or 0
            for site in self.listed
            for reason in site.reasons
            if reason.code == "not-heard"
        ]
        heard = self.well + sum(one.why in _HEARD for one in self.unsure)
        if heard or len(silent) < max(len(self.listed), LEAST_SILENT):
            return None
        return max(silent)


def in_order(listed: ListedSite) -> tuple[int, float, int, str]:
    """Gravest first; of equal ones the one nearest to, or farthest beyond, its allowance, then the longest."""
    reason = listed.reasons[0]
    share = reason.allowance.share if reason.allowance is not None else 0.0
    since = reason.since_ms if reason.since_ms is not None else 0
    return GRAVEST_FIRST.index(reason.code), -share, since, listed.place
