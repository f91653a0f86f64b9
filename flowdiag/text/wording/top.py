"""What `flowdiag top` says around its rankings."""

from __future__ import annotations

from typing import Final

from flowdiag.text.wording.note import DIRECTIONS

TITLES: Final = {
    "talkers": "Talkers (inside)",
    "applications": "Applications",
    "destinations": "Destinations (outside)",
    "conversations": "Conversations",
}
MEASURES: Final = {"octets": "octets", "packets": "packets", "flows": "flows"}
COLUMNS: Final = ("octets", "share", "packets", "flows", "mean", "peak")
SEEN: Final = "first-last"
TOTAL: Final = "total"
EVERYTHING_ELSE: Final = "everything else"
PSEUDONYMS: Final = (
    "Addresses inside the site are replaced by pseudonyms; the same key gives the same ones in every note and "
    "list."
)


def title(kind: str, by: str, link: str | None, direction: str | None) -> str:
    of = "" if link is None else f", link {link}"
    only = "" if direction is None else f", {DIRECTIONS[direction]} only"
    return f"{TITLES[kind]} by {MEASURES[by]}, rates in Mbit/s{of}{only}"


def span(begin: str, end: str) -> str:
    return f"{begin} to {end}"


def folded(keys: int, error: float, by: str) -> str:
    """keys: how many were counted together; error: what a row may lack of `by`."""
    return (
        f"More keys than are kept: {keys:,} were counted together. A row may lack up to {error:,.0f} {MEASURES[by]}, and none "
        "that is missing has more."
    )
