"""What is told of a site at one time: small values that can be written down, compared and read again."""

from __future__ import annotations

from typing import Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.diagnoser.finding import Confidence, Severity

# main: ordinary traffic on a primary; quiet: nothing ordinary on any link, and nothing against that; unheard: the exporter says
# nothing; unknown: the records do not tell.
On = Literal["main", "quiet", "backup", "down", "unheard", "unknown"]

# What is said of a site, gravest first: what takes the line away, then what nobody can see, what hurts now, and what will hurt on
# the day that the main line fails.
Standing = Literal[
    "down", "unheard", "backup", "attack", "full", "below-plan", "silent", "leaking", "other", "busy", "main", "unknown"
]  # fmt: skip
GRAVEST_FIRST: Final[tuple[Standing, ...]] = (
    "down", "unheard", "backup", "attack", "full", "below-plan", "silent", "leaking", "other", "busy", "main", "unknown",
)  # fmt: skip
_OF_CODE: Final[dict[str, Standing]] = {
    "outage": "down",
    "on-backup": "backup",
    "flapping": "backup",
    "inbound-flood": "attack",
    "outbound-scan": "attack",
    "link-full": "full",
    "below-plan": "below-plan",
    "keepalive-missing": "silent",
    "keepalive-unanswered": "silent",
    "backup-leak": "leaking",
    "link-busy": "busy",
    "not-heard": "unheard",
}
_OF_ON: Final[dict[On, Standing]] = {
    "main": "main", "quiet": "main", "backup": "backup", "down": "down", "unheard": "unheard", "unknown": "unknown",
}  # fmt: skip
# Held against what it was on: a site that was heard all day and used its main line is on its main line.
_ORDINARY: Final[frozenset[Standing]] = frozenset({"main", "unknown"})


class Mark(Struct, frozen=True):
    """A finding that is told of a site.

    began_ms, ended_ms: ms since 1970 UTC, ended_ms None while it goes on; before: it may have begun earlier, before
    anything that was read. client: the sentence for the client; summary: the engineer's, with figures; who: the engineer's
    sentence on whose traffic leaks, of other findings empty; octets: that leaked, of other findings None.
    """

    code: str
    severity: Severity
    confidence: Confidence
    link: str | None
    direction: str | None
    began_ms: int
    ended_ms: int | None
    before: bool
    client: str
    summary: str
    who: str = ""
    octets: int | None = None

    @property
    def standing(self) -> Standing:
        return standing_of(self.code)


class Spell(Struct, frozen=True):
    """What a site was on in [begin_ms, end_ms)."""

    on: On
    begin_ms: int
    end_ms: int


class SiteState(Struct, frozen=True):
    """What is known of a site's last hour.

    on: at judged_ms, when the newest records that were looked at end; since_ms: since when, None where it was so at begin_ms,
    when the time looked at begins. heard_ms: last sign of life of the exporter, None where the store has none; heard_since_ms:
    from when on it said nothing for no longer than LEAST_UNHEARD_MS (look.py); unheard_ms: from when on it is not heard, if
    nothing comes: its silence is longer then than its own habit explains. marks: gravest first.
    """

    on: On = "unknown"
    since_ms: int | None = None
    judged_ms: int | None = None
    heard_ms: int | None = None
    unheard_ms: int | None = None
    begin_ms: int | None = None
    heard_since_ms: int | None = None
    marks: tuple[Mark, ...] = ()

    def at(self, now_ms: int) -> SiteState:
        """The same at a later time, if no record came since: an exporter that has said nothing for too long is not heard, and
        then nothing else is known either."""
        if self.unheard_ms is None or now_ms < self.unheard_ms:
            return self
        return replace(self, on="unheard", since_ms=self.heard_ms, marks=())

    @property
    def ongoing(self) -> tuple[Mark, ...]:
        return tuple(mark for mark in self.marks if mark.ended_ms is None)

    @property
    def standing_on(self) -> Standing:
        return _OF_ON[self.on]

    @property
    def standings(self) -> tuple[Standing, ...]:
        """What is said of the site now, gravest first; never empty."""
        return gravest_first({self.standing_on, *(mark.standing for mark in self.ongoing)})


class DayState(Struct, frozen=True):
    """The last day before end_ms, when the newest records that were looked at end: what the site was on, and what was found."""

    begin_ms: int
    end_ms: int
    spells: tuple[Spell, ...] = ()
    marks: tuple[Mark, ...] = ()

    @property
    def standings(self) -> tuple[Standing, ...]:
        """What is said of the day, gravest first; never empty."""
        return gravest_first(
            {*(_OF_ON[spell.on] for spell in self.spells), *(mark.standing for mark in self.marks)}
        )


def standing_of(code: str) -> Standing:
    """What a finding of a code, or a silent exporter ("not-heard"), says of a site."""
    return _OF_CODE.get(code, "other")


def gravest_first(said: set[Standing]) -> tuple[Standing, ...]:
    """Without what goes without saying beside something else."""
    told = said - _ORDINARY or ({"main"} if "main" in said else {"unknown"})
    return tuple(standing for standing in GRAVEST_FIRST if standing in told)
