"""What the watch knows and told, on pages: open incidents, events, the morning list and changes over to a backup."""

from __future__ import annotations

from typing import Final

from flowdiag.text.figures import count
from flowdiag.text.wording.matters import matter

INCIDENTS: Final = "Open incidents"
NONE_OPEN: Final = "No incident is open."
EVENTS: Final = "Events"
EVENTS_LEAD: Final = "What the watch told: what began, what goes on, and what ended."
NO_EVENTS: Final = "Nothing was told in this time."
MORE_EVENTS: Final = "Events of the last week"
LAST_DAY: Final = "Events of the last day"
MORNING: Final = "Morning list"
MAKING: Final = "Looking at the backups of all sites"
AS_OF: Final = "As of"
DRILL: Final = "What the change over to the backup showed"
DRILLS: Final = "Changes over to the backup line"
MEASURING: Final = "Measuring the change over to the backup"
NO_DRILL: Final = "the flow records of this time show no change over to a backup, or are gone"
SITE: Final = "Site"
WHAT: Final = "What"
SINCE: Final = "Since"
STATE: Final = "State"
TOLD: Final = "Told"
TIME: Final = "When"
NOTE: Final = "Read the note"
ACT: Final = "Acknowledge or mute"
REASON: Final = "Reason"
UNTIL: Final = "Until, by the site's clock"
ACKNOWLEDGE: Final = "Acknowledge"
MUTE: Final = "Mute"
TELL_AGAIN: Final = "Tell it again"
MEANING: Final = "Acknowledged: no reminders until then, its end is told. Muted: nothing is told until then."
TO_LIST: Final = "Back to all sites"
EVERY_SITE: Final = "all sites"
CSV: Final = "As CSV"
JSON: Final = "As JSON"
NEWEST: Final = "Make it anew"
NO_SITES: Final = "There are no sites yet."
FILE: Final = "The page by itself, to be sent"
NOT_READ: Final = "the ledger of the watch could not be read"
NEVER: Final = (
    "No watch has run over this store: nothing is told, and what stands here is what the desk sees by itself."
)
STOPPED: Final = "No watch runs at the moment: what stands here is what it knew when it stopped."
NO_SUCH_INCIDENT: Final = "there is no such incident, or it is not of one of your sites"
NO_REASON: Final = "say why: whoever reads it tomorrow was not there"
NO_TIME: Final = "until when? A time to come, such as 2026-03-03T18:00"
NO_MOMENT: Final = "no such time: the morning list is of a moment of the last 31 days"
STATES: Final = {"began": "began", "ongoing": "goes on", "ended": "ended"}
KINDS: Final = {"acknowledged": "Acknowledged", "muted": "Muted"}
# Of many sites at once.
MORE: Final = "with others behind the same upstream"


def unreadable(fault: str) -> str:
    return f"What the watch knows cannot be read: {fault}"


def open_count(number: int) -> str:
    return count(number, "open incident")


def what(code: str, link: str | None) -> str:
    words = matter(code)
    return words if link is None else f"{words} ({link})"


def silenced(kind: str, by: str, until: str, reason: str) -> str:
    whom = f" by {by}" if by else ""
    return f"{KINDS[kind]}{whom} until {until}: {reason}" if reason else f"{KINDS[kind]}{whom} until {until}"


def span(begin: str, end: str) -> str:
    return f"{begin} to {end}"


def shown(number: int, of: int) -> str:
    return f"{number:,} of {of:,}, the newest first."
