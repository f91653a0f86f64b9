"""Looking closer at a span of time, and picking one on a picture."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from flowdiag.text.figures import bare_rate, count, percent, tenths, volume

LOOK_CLOSER: Final = "Look closer"
TIMES: Final = "Other times"
EARLIER: Final = "Earlier"
LATER: Final = "Later"
WIDER: Final = "Wider"
NARROWER: Final = "Narrower"
WHOLE_DAY: Final = "Whole day"
ASK_NOTE: Final = "Ask for the note of this time"
CHOSEN: Final = "Only"
REMOVE: Final = "remove"
ANOTHER: Final = "Another time"
WHEN: Final = "When"
WHEN_HINT: Final = "The site's own clock: 14:10-14:50, yesterday afternoon, last hour, 3 March 14:00 to 15:00"
LOOK: Final = "Look"

PICTURES: Final = "Rate against the plan"
OF_ALL: Final = "The pictures and the figures of the links are of all that they carried."
FIGURES: Final = "Figures of the links"
NO_PICTURE: Final = "There are no records of this time."
NO_FIGURES: Final = "There are no records of this time, so there are no figures either."
RANKINGS: Final = "Who, where and what"
NOBODY: Final = "Nothing of this time fits."
AS_CSV: Final = "CSV"
BOUNDS: Final = "What bounds these figures"
RELOAD: Final = "Show them as soon as they are there"
MORE: Final = "All rows"
LARGEST: Final = "The largest only"

TITLES: Final = {
    "talkers": "Talkers (inside)",
    "applications": "Applications",
    "destinations": "Destinations (outside)",
    "conversations": "Conversations",
}
KEY_COLUMNS: Final = {
    "talkers": ("Host",),
    "applications": ("Application",),
    "destinations": ("Destination",),
    "conversations": ("Host", "Destination", "Application"),
}
# What rows lead on by, as the page's address has it.
CHOICES: Final = {
    "host": "host",
    "destination": "destination",
    "application": "application",
    "link": "link",
    "direction": "direction",
}
DIRECTIONS: Final = {"down": "download", "up": "upload"}
MEASURES: Final = {"octets": "Volume", "packets": "Packets", "flows": "Flows"}
SHARE: Final = "Share"
MEAN: Final = "Mean Mbit/s"
SEEN: Final = "First to last"
EVERYTHING_ELSE: Final = "everything else"

BEGINS_LATE: Final = "the time ends before it begins"
NO_SUCH_TIME: Final = "no export can have flows of such a time"
TOO_LONG: Final = "that is too long a time to look at closely"
NO_TABLE: Final = "there is no such table"

PICK: Final = "Pick a time on the picture"
PICK_HINT: Final = "Arrow keys move one end, with Shift both; Enter looks closer, Escape clears."
BEGIN: Final = "Begin of the picked time"
END: Final = "End of the picked time"
CLEAR: Final = "Clear"
DRAG_HINT: Final = (
    "Drag over a picture to pick a time and look closer at it; or press its button and move the ends by keys."
)


def direction(name: str) -> str:
    return DIRECTIONS.get(name, name)


def rate(mbps: float) -> str:
    return bare_rate(mbps)


def share(part: float) -> str:
    return tenths(part)


def amount(octets: int) -> str:
    return volume(octets)


def number(value: int) -> str:
    return f"{value:,}"


def chosen_of_all(chosen: int, everything: int) -> str:
    """How much the choice is of the whole."""
    part = f", {tenths(chosen / everything)} of this time's {volume(everything)}" if everything else ""
    return f"{volume(chosen)}{part}"


def lacking(octets: int) -> str:
    return (
        f"Of so long a time the largest conversations alone are known by name: what is chosen here may have up to "
        f"{volume(octets)} more."
    )


def partly(part: float) -> str:
    """part: of the time, that has records."""
    return f"Only {percent(part)} of this time is covered by records: volumes and minutes are lower bounds."


def bound(octets: int) -> str:
    return f"A row may lack up to {volume(octets)}, and none that is missing has more."


def seen(moments: Iterable[str]) -> str:
    """The first and the last; one where they are the same."""
    return " to ".join(moments)


def longest(days: int) -> str:
    return f"up to {count(days, 'day')}"
