"""What the API's description and its refusals say."""

from __future__ import annotations

from typing import Final

TITLE: Final = "flowdiag desk"
ABOUT: Final = (
    "What the pages of a flowdiag desk show, as JSON. An answer that takes longer than a second is 202 with `Location`: ask "
    "there again after `Retry-After` seconds, and at least every 20 s, or it is given up. Refusals are problem "
    "details (RFC 9457)."
)
# In place of what pages say to people.
SIGN_IN_FIRST: Final = "no credentials: send a token (Authorization: Bearer …) or the cookie of a session"
NOT_FOR_THIS_ROLE: Final = "the caller's role does not allow this operation"
NO_SUCH_OPERATION: Final = "there is no such operation; /api/openapi.json lists them"
NOTHING_THERE: Final = "there is nothing of that name"
CLIENT_FORMS: Final = "the whole note is for the provider's staff; ask for it as text or markdown"
ENDS_BEFORE: Final = "the time ends before it begins"

SITES: Final = (
    "The sites that the caller may see, in order of their names; those whose name begins with the words first"
)
SITE: Final = "One site"
TIMES: Final = "What words of time mean now, by the site's clock"
NOTE: Final = "The ticket note of a site and time, which is then kept at `Content-Location`"
KEPT: Final = "A note that somebody asked for, as it was then"
USAGE: Final = "Each link's rate over time against its plan"
RANKING: Final = "Talkers, applications, destinations or conversations, ranked"
STATES: Final = "What each site is on now, and what happened in its last day"
REVIEW: Final = "The account review of the sites that the caller may see"
INCIDENTS: Final = (
    "What the watch told to have begun and not to have ended, and what is acknowledged or muted of it"
)
EVENTS: Final = "What the watch told, the newest first"
SILENCE: Final = "Acknowledges or mutes an incident until a time"
MORNING: Final = "The sites whose backup would not carry them today, gravest first"
DRILL: Final = "What a change over to the backup showed"
OPENAPI: Final = "This description"

SITE_KEY: Final = "key of the site, as the list of sites has it"
NOTE_KEY: Final = "identifier of the note"
INCIDENT_KEY: Final = "key of an incident"
SINCE: Final = "told from then on, with an offset from UTC; the last day without it"
KIND_OF_SILENCE: Final = "acknowledged: no reminders until then; muted: nothing is told until then"
UNTIL: Final = "a time to come, with an offset from UTC"
WHY: Final = "why, for whoever reads it tomorrow"
FIND: Final = "words that name, client, labels or addresses have"
LIMIT: Final = "at most so many"
OFFSET: Final = "so many are passed over"
WHEN: Final = "as people say it: now, last hour, 14:10-14:50, yesterday afternoon"
FROM: Final = "begin, with an offset from UTC"
TO: Final = "end, not included, with an offset from UTC"
SAID: Final = "what the client said"
TICKET: Final = "reference of the ticket"
BESIDE: Final = "another time to compare with, as `flowdiag diagnose --compare` takes it"
AS: Final = "the form of the answer, in place of the Accept header"
STEP: Final = "length of the windows in seconds"
LINK: Final = "name of a link, for that one only"
DIRECTION: Final = "for one direction only"
KIND: Final = "what is ranked"
BY: Final = "what it is ranked by"
MONTH: Final = "year and month such as 2026-03; the newest 31 days without it"
CLIENT: Final = "key of a client, for that one's sites only"

ANSWER: Final = "The answer"
LATER: Final = "It is being worked out: ask at `Location` again after `Retry-After` seconds"
WRONG: Final = "The query cannot be used"
SIGN_IN: Final = "Nobody has signed in, or the token does not hold"
NOT_ALLOWED: Final = "Not for the caller's role"
NOT_FOUND: Final = "There is no such thing, or it is not the caller's"
GIVEN_UP: Final = "The answer was given up meanwhile"
BUSY: Final = "It cannot be answered now, or not at all"


def no_number(name: str) -> str:
    return f"{name}: the value is not a number in its range"


def none_of_its_values(name: str) -> str:
    return f"{name}: the value is not one of those allowed"


def wrong_length(name: str) -> str:
    return f"{name}: the value is empty or too long"


def not_as_written(name: str) -> str:
    return f"{name}: the value is not written as it should be"


def no_moment(name: str) -> str:
    return f"{name}: the value is not a time with an offset from UTC"


def unknown(name: str) -> str:
    return f"{name}: this operation has no such parameter"


def twice(name: str) -> str:
    return f"{name}: the parameter is given twice"


def missing(names: list[str]) -> str:
    said = "the parameter is missing" if len(names) == 1 else "these parameters are missing"
    return f"{' and '.join(names)}: {said}"


def for_roles(roles: list[str]) -> str:
    return f"For: {', '.join(roles)}."
