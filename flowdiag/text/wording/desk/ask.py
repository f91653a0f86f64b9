"""Finding a site, asking about it, and reading the note."""

from __future__ import annotations

from typing import Final

from flowdiag.text.figures import count, percent

FIND: Final = "Find a site"
FIND_LABEL: Final = "Name, client, label or address"
FIND_HINT: Final = "Three letters are enough."
SEARCH: Final = "Search"
NO_SITES: Final = "No site has that in its name, client, labels or addresses."
MORE_SITES: Final = "There are more; write more of the name."
SITE: Final = "Site"
CLIENT: Final = "Client"
ZONE: Final = "Time zone"

ASK: Final = "Ask about this site"
WHEN: Final = "When was it slow?"
WHEN_HINT: Final = (
    "The site's own clock: now, last hour, 14:10-14:50, yesterday afternoon, 3 March 14:00 to 15:00"
)
USUAL_WHEN: Final = "last hour"
QUICK: Final = ("now", "last hour", "today", "yesterday")
SAID: Final = "What did the client say?"
TICKET: Final = "Ticket reference"
BESIDE: Final = "Compare with"
BESIDE_HINT: Final = (
    "Empty for no comparison; the same time last week, yesterday, monday, or any time such as 14:10-14:50"
)
MISTAKE: Final = "Mistake"
WHEN_FIELD: Final = "when"
BESIDE_FIELD: Final = "beside"
FIELDS: Final = {WHEN_FIELD: "When", BESIDE_FIELD: BESIDE}
FORMS_OF_TIME: Final = "14:10-14:50, yesterday afternoon, last hour, 3 March 14:00 to 15:00"
LAST_WEEK: Final = "the same time last week"
DAY_BEFORE: Final = "the same time the day before"
READ_NOTE: Final = "Read the note"
HERE_IT_IS: Final = "It is"
AT_THE_SITE: Final = "at the site now"
LINKS: Final = "Links"

NOTE: Final = "Ticket note"
COPY: Final = "Copy"
COPIED: Final = "Copied"
COPY_TEXT: Final = "Copy as text"
COPY_MARKDOWN: Final = "Copy as Markdown"
TO_COPY: Final = "The client's part, to paste"
AS_TEXT: Final = "Whole note as text"
AS_MARKDOWN: Final = "Whole note as Markdown"
# To a client a note is their part of it.
CLIENT_TO_COPY: Final = "The note, to paste"
CLIENT_AS_TEXT: Final = "Note as text"
CLIENT_AS_MARKDOWN: Final = "Note as Markdown"
AS_JSON: Final = "JSON"
AS_PAGE: Final = "As one file"
ONE_PAGE: Final = "One page, to print"
CLIENT_PAGE: Final = "One page for the client, to print"
SAVE: Final = "save as file"
PICTURE: Final = "The line at that time"
ASK_AGAIN: Final = "Ask again"
OTHER_TIME: Final = "Ask about another time"
PLACED: Final = "No records have come from this site for a while. The time was counted back from the newest record, not from now."
MADE: Final = "Made"
STAYS: Final = "This address stays; link to it from the ticket."
WORKING: Final = "Looking at the records"
LEAVE: Final = "Leave it"
LEFT: Final = "You left this question before it was answered."

TOO_MUCH_MEMORY: Final = "the answer needs more memory than a question may take"


def fault(field: str, what: str) -> str:
    """What is wrong with what was typed in a field."""
    said = what if what.endswith((".", "?")) else f"{what}."
    return f"{FIELDS[field]}: {said[:1].upper()}{said[1:]}"


def no_time(words: str) -> str:
    return f"{words!r} is not a time; write it as {FORMS_OF_TIME}."


def still_to_come(moment: str, day: str | None, clock: str | None) -> str:
    """moment: time of day; day: None for today; clock: the same time yesterday that may be meant."""
    meant = f"; did you mean yesterday {clock}?" if clock else "."
    return f"{moment} {'today' if day is None else f'on {day}'} is still to come{meant}"


def after_the_newest(moment: str) -> str:
    return f"{moment} is after this site's newest record."


def ends_first(begin: str, end: str) -> str:
    return f"The time ends before it begins: it would begin on {begin} and end on {end}."


def overlaps(span: str) -> str:
    return f"{span} overlaps the time asked about; name another time, or none."


def failed(kind: str) -> str:
    """kind: of the error, which is in the desk's log."""
    return f"the answer failed ({kind}), and the desk's log says where"


def progress(part: float | None) -> str:
    """How far an answer is."""
    return WORKING if part is None else f"{WORKING}: {percent(part)}"


def sites(number: int) -> str:
    return count(number, "site")
