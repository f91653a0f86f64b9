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
WHEN_NAMES: Final = "the field above names"
BEGIN: Final = "the begin"
END: Final = "the end"
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


def failed(kind: str) -> str:
    """kind: of the error, which is in the desk's log."""
    return f"the answer failed ({kind}), and the desk's log says where"


def progress(part: float | None) -> str:
    """How far an answer is."""
    return WORKING if part is None else f"{WORKING}: {percent(part)}"


def sites(number: int) -> str:
    return count(number, "site")
