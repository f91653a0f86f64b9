"""The states of all sites."""

from __future__ import annotations

from typing import Final

from flowdiag.text.figures import count
from flowdiag.text.wording.matters import MATTERS, matter

ALL_SITES: Final = "All sites"
LEAD: Final = "What each site is on now, and what happened in its last day."
COUNTS: Final = "Sites by state"
EVERY: Final = "every state"
CLIENT: Final = "Client"
EVERY_CLIENT: Final = "every client"
STATE: Final = "State"
TIME: Final = "Of"
NOW: Final = "now"
LAST_DAY: Final = "the last day"
SHOW: Final = "Show"
SITE: Final = "Site"
SORT: Final = "Sorted by"
SORTS: Final = {"gravest": "gravest first", "name": "site", "client": "client", "since": "newest first"}
STANDING: Final = "Now and in the last day"
HEAD_NOW: Final = "Now"
HEAD_DAY: Final = "Last day"
NOTHING: Final = "No site is in this state."
NO_SITES: Final = "There are no sites yet."
EARLIER: Final = "Previous"
LATER: Final = "Next"
PAGES: Final = "Pages of the list"
NOTE: Final = "Read the note"
STILL: Final = "still"
PAUSED: Final = "Not refreshed while this page is hidden."
LOST: Final = "The desk does not answer; what is shown is from before."
MEANING: Final = "What these states mean"
QUIET: Final = "nothing is carried"
LOOK_FAILED: Final = "a look at the sites failed"
NOT_YET: Final = "not looked at yet"

STANDINGS: Final = {
    "down": "down",
    "unheard": MATTERS["not-heard"],
    "backup": MATTERS["on-backup"],
    "attack": "attack traffic",
    "full": MATTERS["link-full"],
    "below-plan": MATTERS["below-plan"],
    "silent": "backup silent",
    "leaking": MATTERS["backup-leak"],
    "other": "other finding",
    "busy": MATTERS["link-busy"],
    "main": "on its main line",
    "unknown": "not known",
}
# Findings that have no state of their own are told by what they are.
FINDINGS: Final = (
    "flapping", "realtime-contention", "single-host", "unanswered-connections", "keepalive-irregular",
    "keepalive-excess", "asymmetric-path", "export-gap",
)  # fmt: skip
MEANINGS: Final = {
    "down": "No link carries anything although the site is at work.",
    "unheard": "The router's records stopped for longer than it is used to: power, line or collector.",
    "backup": "The main line carries nothing usual and the backup carries the site.",
    "attack": "A flood from many sources, or one host that tries very many addresses: for the security contact.",
    "full": "A line is at its plan for minutes on end.",
    "below-plan": "Traffic stops at a level clearly under the plan.",
    "silent": "Keepalives on the backup are missing or not answered: it may fail on the day that it is needed.",
    "leaking": "Ordinary traffic runs over the backup while the main line works.",
    "other": "Something else that a note tells; the list says what, such as calls on a full line or records that are missing.",
    "busy": "A line is busy, with some room left.",
    "main": "Ordinary traffic on the main line.",
    "unknown": "The records do not tell, or nobody has looked yet.",
}  # fmt: skip

STRIP: Final = "The picture of the last day"
# What stands in it, by how it is drawn; the newest is at its right.
DRAWN: Final = {
    "main": "the main line in use",
    "quiet": "nothing carried, and nothing against that",
    "backup": "on its backup",
    "down": "down: nothing carried although the site is at work",
    "unheard": "not heard",
    "unknown": "nothing known",
}
STRIP_ENDS: Final = "Its left end is a day before its right end, which is where the records end."


def since(time: str, *, before: bool) -> str:
    """time: as the site's clock shows it; before: it may have begun earlier."""
    return f"since {time} or earlier" if before else f"since {time}"


def of_finding(standing: str, code: str) -> str:
    return matter(code) if code in FINDINGS else STANDINGS[standing]


def happened(word: str, times: int, span: str) -> str:
    """word: what happened; span: of the only one, or of the longest."""
    return f"{word} {span}" if times == 1 else f"{word} {count(times, 'time')}, longest {span}"


def told(standing: str, number: int) -> str:
    return f"{STANDINGS[standing]}: {count(number, 'site')}"


def status(age_s: float | None, day_age_s: float | None) -> str:
    """How old what is shown is. None: some site was not looked at yet."""
    if age_s is None:
        return "Some sites have not been looked at yet."
    said = f"Every site was looked at within the last {_age(age_s)}"
    return f"{said}." if day_age_s is None else f"{said}, its last day within {_age(day_age_s)}."


def _age(seconds: float) -> str:
    whole = int(seconds) + 1
    return count(whole, "second") if whole < 120 else count(whole // 60 + 1, "minute")


def shown(first: int, last: int, of: int) -> str:
    return f"{first} to {last} of {count(of, 'site')}" if of else ""


def strip(spells: str) -> str:
    """What the picture of a day says to whoever does not see it."""
    return f"Last day: {spells}" if spells else "Last day: not known"


def spell(standing: str, span: str) -> str:
    return f"{STANDINGS[standing]} {span}"


def order(name: str) -> str:
    return f"{SORT} {SORTS[name]}"
