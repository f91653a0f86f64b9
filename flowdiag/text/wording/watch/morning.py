"""The morning list: headings, what each reason means, what to do, and what to say on the phone."""

from __future__ import annotations

from typing import Final

from flowdiag.text.action import Action
from flowdiag.text.clock import Clock
from flowdiag.text.figures import count, percent, volume
from flowdiag.text.sentences.backup import BACKUP_DEAD, BACKUP_TEST, LEAK, LINE_DOWN, STUCK, UNSTEADY
from flowdiag.text.wording.matters import matter

TITLE: Final = "Morning list"
LEAD: Final = "Sites whose backup would not carry them today, gravest first."
INTERNAL: Final = "Internal: names all clients"
NUMBER: Final = "#"
COLUMNS: Final = ("Site", "What", "Since", "How sure", "To do", "To say on the phone")
NOBODY: Final = "No site is on the list: as far as the records tell, each backup would carry its site."
NOBODY_SURE: Final = "No site is on the list, but of {} nobody can tell whether the backup would carry it."
CANNOT_TELL: Final = "Sites of which nobody can tell"
CANNOT_TELL_NONE: Final = "There is no site of which nobody can tell."
HOW: Final = "How to read this"
METHOD: Final = (
    "From flow records of each site's router: what it was on and what was found in the last hour and the last day before its "
    "newest records, by the same findings as in a ticket note.",
    "A backup is tested by its keepalives alone, and by the traffic that it carries: a keepalive that is answered shows that the "
    "line is up, not how much it could carry.",
    "Allowances count flow records from the first of the local month. The carrier may count otherwise, and from another day: "
    "its own count decides.",
    "A site that is not on the list is one of which no such thing is known.",
)
SURE: Final = {"high": "sure", "medium": "likely", "low": "not sure"}

# Those that are no finding; all others are called as everywhere (matters.py).
_REASONS: Final = {
    "allowance-used-up": "allowance used up",
    "allowance-nearly-used": "allowance nearly used",
    "backup-plan-unknown": "backup's plan not known",
}
UNSURE: Final = {
    "unusable": "cannot be looked at",
    "no-records": "no flow record of it is in the store",
    "links": "the records do not tell what it is on",
    "no-keepalives": "its profile lists no keepalive, and its backup carried nothing in the last day",
}
ACTIONS: Final[dict[str, tuple[Action, ...]]] = {
    "outage": LINE_DOWN,
    "keepalive-unanswered": BACKUP_DEAD,
    "keepalive-missing": BACKUP_TEST,
    "allowance-used-up": (
        Action(
            "account manager", "Ask the carrier what it does beyond the allowance, and buy what the month needs."
        ),
        Action("engineer", "Find out what used it: a failover, a leak, or more keepalives than planned."),
    ),
    "allowance-nearly-used": (
        Action("account manager", "Buy what the rest of the month needs, or agree that the backup may slow down."),
        Action("engineer", "Find out what used it: a failover, a leak, or more keepalives than planned."),
    ),
    "not-heard": (
        Action("helpdesk", "Ask the client whether the site has power and Internet, then look at the router."),
        Action("engineer", "If the site works, find out why its flow records do not arrive."),
    ),
    "backup-leak": LEAK,
    "flapping": UNSTEADY,
    "on-backup": STUCK,
    "backup-plan-unknown": (
        Action("account manager", "Find the backup's plan and write its rates into the site's profile."),
    ),
}  # fmt: skip

COLLECTOR: Final = (
    Action(
        "engineer",
        "Look at the collector first, and at the way to it: none of the sites on this list is heard.",
    ),
)


def reason(code: str) -> str:
    return _REASONS.get(code) or matter(code)


def nobody_heard(sites: int, since_words: str) -> str:
    return (
        f"Nothing has come from any of these {count(sites, 'site')} {since_words}: look at the collector, and at the way to it, "
        "first; do not call these clients for it."
    )


def summary(sites: int, listed: int, well: int, unsure: int, without: int) -> str:
    return (
        f"{count(sites, 'site')}: {listed:,} on this list, {well:,} with a backup that nothing speaks against, "
        f"{unsure:,} of which nobody can tell, {without:,} without a backup."
    )


def nobody(unsure: int) -> str:
    """In place of an empty list. unsure: of how many sites nobody can tell."""
    return NOBODY_SURE.format(count(unsure, "site")) if unsure else NOBODY


def at(now_ms: int) -> str:
    """When it was made; the list is of sites in several zones."""
    clock = Clock("UTC")
    return f"{clock.day(now_ms)}, {clock.time(now_ms // 60_000 * 60_000)} UTC"


def since(clock: Clock, ms: int, now_ms: int, *, before: bool) -> str:
    """since 14:05 NZDT; with its day where that is not the day of now_ms."""
    time = moment(clock, min(clock.told(ms), now_ms), now_ms)
    return f"since {time} or earlier" if before else f"since {time}"


def span(clock: Clock, begin_ms: int, end_ms: int, now_ms: int) -> str:
    """10:00 to 13:00 NZDT, with its day where that is not the day of now_ms."""
    return clock.span(begin_ms, end_ms, day=clock.local(begin_ms).date() != clock.local(now_ms).date())


def moment(clock: Clock, ms: int, now_ms: int) -> str:
    """14:05 NZDT, or Tue 3 Mar 14:05 NZDT"""
    time = f"{clock.time(ms)} {clock.zone(ms)}"
    return time if clock.local(ms).date() == clock.local(now_ms).date() else f"{clock.short_day(ms)} {time}"


def action(step: Action) -> str:
    return f"{step.who.capitalize()}: {step.text}"


def more_unsure(word: str, sites: int) -> str:
    return f"{count(sites, 'site')}: {UNSURE[word]}"


def not_heard(since_words: str) -> tuple[str, str]:
    return (
        f"No flow record of its router has come {since_words}.",
        f"Your router has told us nothing {since_words}, so we cannot see whether your lines work.",
    )


def plan_unknown(link: str) -> tuple[str, str]:
    return (
        f'The profile has no plan rates of the backup link "{link}".',
        "We do not have the rates of your backup line on record, so we cannot say how much of your work it would carry.",
    )


def carried_meanwhile(octets: float, *, least: bool) -> str:
    """Beside a leak: what the month has so far. least: whether it may be more."""
    return f"The backup carried {'at least ' if least else ''}{volume(octets)} in the month so far."


def allowance(
    link: str, octets: float, allowance_gb: float, day: tuple[int, int], used_up: str | None, *, least: bool
) -> tuple[str, str]:
    """day: of the month, and how many it has; used_up: when, at the month's pace, in words; None where it lasts. least:
    whether more may have been used."""
    share = octets / (allowance_gb * 1e9)
    at_least = "at least " if least else ""
    summary = (
        f'The backup link "{link}" carried {at_least}{volume(octets)} by day {day[0]} of {day[1]} of the month: '
        f"{at_least}{percent(share)} of its {allowance_gb:g} GB."
    )
    if share >= 1.0:
        return (
            summary,
            "Your backup line has used up its data allowance of this month, so it may be slow or stop when you need it.",
        )
    client = f"Your backup line has used {at_least}{percent(share)} of its data allowance of this month."
    if used_up is None:
        return f"{summary} At the month's pace it lasts until the month ends.", client
    return (
        f"{summary} At the month's pace it is used up {used_up}.",
        f"{client} At this pace it is used up {used_up}.",
    )


TODAY: Final = "today"


def on_day(day: str) -> str:
    return f"on {day}"


def known_from(clock: Clock, ms: int) -> str:
    return f"Records of the month begin on {clock.short_day(ms)}."


COUNTED_TWICE: Final = "Several sources report this link, so that packets may have been counted twice."


def acknowledged(by: str, reason: str, until: str | None, *, muted: bool) -> str:
    """until: in words; None where it is until the incident ends."""
    done = "Muted" if muted else "Acknowledged"
    return f"{done} by {by}{f' until {until}' if until else ''}: {reason}"


def say(client: str) -> str:
    return f"Say: {client}"
