"""What stands around every page: its head, the way to the others, and why something is refused."""

from __future__ import annotations

from typing import Final

PROGRAM: Final = "flowdiag"
SKIP: Final = "Skip to the content"
PAGES: Final = "Pages"
SITES: Final = "Find a site"
ALL_SITES: Final = "All sites"
EVENTS: Final = "Events"
MORNING: Final = "Morning list"
ACCOUNTS: Final = "Accounts"
UPLOAD: Final = "Upload an export"
SIGN_OUT: Final = "Sign out"
SIGNED_IN: Final = "Signed in as"
REFUSED: Final = "This cannot be shown"
BACK: Final = "Back to the sites"

SIGN_IN_FIRST: Final = "sign in first"
NOT_FOR_YOU: Final = "this page is not for your role"
NO_SUCH_SITE: Final = "there is no such site, or it is not one of yours"
NO_SUCH_CLIENT: Final = "there is no such client, or not all of its sites are yours"
NO_SUCH_PAGE: Final = "there is no such page"
NO_SUCH_NOTE: Final = "this note is not kept any more, or its address is wrong"
OUR_FAULT: Final = (
    "something went wrong here; it was logged, so tell whoever looks after this desk when it happened"
)
TOO_LARGE: Final = "what was sent is too large"
NOT_OUR_FORM: Final = "this form is not from this page, or you have signed in anew since; load the page again"

TOO_SLOW: Final = "what was sent came too slowly"
TOO_MANY: Final = "too many requests at once; try again in a moment"
NO_FORM: Final = "what was sent is no form"
NO_SUCH_TOKEN: Final = "this token is not known, or has expired"
NOT_THIS_SERVER: Final = "This is not a name of this server; whoever runs it can add one by --host."
NO_SUCH_METHOD: Final = "This is not done here."
FROM_ELSEWHERE: Final = "This was sent by a page from elsewhere."


def sentence(what: str) -> str:
    """What is wrong, on a page of its own or above a form."""
    return what[:1].upper() + what[1:]


def title(page: str) -> str:
    """Of a browser's tab."""
    return f"{page} · {PROGRAM}"


# Pages in the order of the way to them, and the roles that they are for.
_WAYS: Final = (
    ("/", SITES, frozenset({"helpdesk", "engineer", "accounts", "client"})),
    ("/all-sites", ALL_SITES, frozenset({"helpdesk", "engineer", "accounts"})),
    ("/events", EVENTS, frozenset({"helpdesk", "engineer", "accounts"})),
    ("/morning", MORNING, frozenset({"helpdesk", "engineer", "accounts"})),
    ("/accounts", ACCOUNTS, frozenset({"engineer", "accounts"})),
    ("/upload", UPLOAD, frozenset({"helpdesk", "engineer"})),
)


def ways(roles: frozenset[str]) -> list[tuple[str, str]]:
    """Address and name of each page that somebody with these roles may see."""
    return [(address, name) for address, name, whose in _WAYS if roles & whose]


def is_at(address: str) -> str:
    return f"The desk is at {address}"


def signs_in_once(link: str) -> str:
    """What a desk prints that nobody else can reach."""
    return f"Sign in once at {link}"
