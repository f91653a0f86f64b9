"""Who asks: roles, and the sites that a person or a program may see."""

from __future__ import annotations

from typing import Final, Literal, get_args

from msgspec import Struct

from flowdiag.site.catalogue import KnownSite

Role = Literal["helpdesk", "engineer", "accounts", "client"]
ROLES: Final[tuple[Role, ...]] = get_args(Role)
STAFF: Final[frozenset[Role]] = frozenset({"helpdesk", "engineer", "accounts"})
EVERY_SITE: Final = "*"
BELOW: Final = "/*"  # behind a folder's name: all sites of that client


class Person(Struct, frozen=True):
    """name: as the audit log has it; sites: paths of profiles below their folder without suffix, a folder's name with "/*" for
    all of a client's, "*" for all; none where it is empty. whole_notes: a client may read the engineer's part too.
    """

    name: str
    roles: frozenset[Role]
    sites: tuple[str, ...]
    whole_notes: bool = False

    def sees(self, site: KnownSite) -> bool:
        return any(_covers(pattern, site.place) for pattern in self.sites)

    @property
    def is_staff(self) -> bool:
        return bool(self.roles & STAFF)

    @property
    def reads_whole_notes(self) -> bool:
        return self.is_staff or self.whole_notes


def _covers(pattern: str, place: str) -> bool:
    if pattern == EVERY_SITE:
        return True
    if pattern.endswith(BELOW):
        return place.startswith(pattern[:-1])
    return pattern == place
