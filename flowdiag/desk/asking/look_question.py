"""A look at some sites for the board: as many of them as go into a slice of time, so that a person never waits for the board."""

from __future__ import annotations

import time
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from flowdiag.desk.asking.question import Progress, Question
from flowdiag.watch.state import DayState, SiteState

if TYPE_CHECKING:
    from flowdiag.site.profile import Profile

SLICE_S: Final = 0.35  # after which no other site is begun; the largest takes some tenths of a second more
_KEPT_PROFILES: Final = 5_000


class ToLookAt(Struct, frozen=True):
    """file, digest: of the site's profile; known: digest of the files that the state which is known is of."""

    key: str
    file: str
    digest: str
    known: str | None


class Seen(Struct, frozen=True):
    """digest: of the files. now, day: one of them, as was asked; None where the state that is known holds. fault: why there is
    none, in one line."""

    key: str
    digest: str | None = None
    now: SiteState | None = None
    day: DayState | None = None
    fault: str | None = None


class LookQuestion(Question, frozen=True):
    """day: whether the last day is asked for, else the last hour."""

    store: str
    now_ms: int
    sites: tuple[ToLookAt, ...]
    day: bool

    @property
    def background(self) -> bool:
        return True

    def answer(self, progress: Progress) -> list[Seen]:
        """What was seen of the first of the sites, at least of one."""
        until = time.monotonic() + SLICE_S
        seen = []
        for site in self.sites:
            seen.append(self._look(site))
            if time.monotonic() >= until:
                break
        return seen

    def _look(self, site: ToLookAt) -> Seen:
        from flowdiag.errors import FlowdiagError
        from flowdiag.watch.look import look, look_at_day

        try:
            profile = _profile(site.file, site.digest)
            if self.day:
                day = look_at_day(self.store, profile, self.now_ms, site.known)
                return Seen(site.key, site.known) if day is None else Seen(site.key, day.digest, day=day.day)
            looked = look(self.store, profile, self.now_ms, site.known)
            return (
                Seen(site.key, site.known) if looked is None else Seen(site.key, looked.digest, looked.state)
            )
        except FlowdiagError as error:
            return Seen(site.key, fault=str(error))


@lru_cache(_KEPT_PROFILES)
def _profile(file: str, digest: str) -> Profile:
    from flowdiag.site.reading import read_profile

    return read_profile(file)
