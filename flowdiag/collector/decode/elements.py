"""The information elements: name, type, semantics and units of each number (elements.csv).

Facts the design follows:
- an element is known by its enterprise number and its id (RFC 7011 3.2); enterprise 0 is the IANA registry;
- enterprise 29305 is the registry again, for the reverse direction of a biflow (RFC 5103 6.1);
- the table holds the registry as of RFC 5102, 5477, 5610, 6313, 6759, 7125, 7133, 7270, 8158 and others.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Final, NamedTuple

IANA: Final = 0
REVERSE: Final = 29305


class Element(NamedTuple):
    """One row of the registry; semantics and units are empty where the registry gives none."""

    id: int
    name: str
    type: str
    semantics: str
    units: str


@cache
def registry() -> dict[int, Element]:
    """All known elements of the IANA registry by id."""
    text = files(__package__).joinpath("elements.csv").read_text("utf-8")
    rows = (line.split(",") for line in text.splitlines()[1:])
    return {int(row[0]): Element(int(row[0]), *row[1:]) for row in rows}


def element(number: int, enterprise: int = IANA) -> Element | None:
    """The element, or None if it is unknown. A reverse element has its forward element's type (RFC 5103 6.1)."""
    if enterprise == IANA:
        return registry().get(number)
    if enterprise == REVERSE and (forward := registry().get(number)):
        return forward._replace(name="reverse" + forward.name[:1].upper() + forward.name[1:])
    return None


def element_name(number: int, enterprise: int = IANA) -> str:
    """The element's name; "enterprise/id" where it is unknown."""
    known = element(number, enterprise)
    return known.name if known else f"{enterprise}/{number}"
