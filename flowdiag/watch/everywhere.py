"""Whether anybody is heard: when all sites of a store fall silent, it is the collector, or the way to it, and not the sites."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from flowdiag.collector.store.asking import asked_again
from flowdiag.collector.store.opening import open_backend
from flowdiag.durations import MINUTE_MS
from flowdiag.site.profile import Profile
from flowdiag.text.wording.watch import events as wording
from flowdiag.watch.changes import Changed, Place, Rules, changes
from flowdiag.watch.event import NOT_HEARD, SiteMemory
from flowdiag.watch.reading import recent
from flowdiag.watch.state import SiteState

# Of the sites of a portfolio one or another sends something each minute.
NEWEST_MS: Final = 3 * MINUTE_MS
LEAST: Final = 2  # of one site alone nobody can tell
ALL: Final = Place("", wording.ALL_SITES, "UTC")


def _alive(sites: Iterable[SiteMemory]) -> list[SiteMemory]:
    """Those that were heard before and are not told to be silent."""
    return [
        site
        for site in sites
        if site.state.heard_ms is not None
        and not any(one.matter.code == NOT_HEARD and one.is_open for one in site.incidents)
    ]


def listens(sites: Iterable[SiteMemory], now_ms: int) -> bool:
    """Whether the silence of a site would be the site's own: others were heard just now, or there are none."""
    alive = _alive(sites)
    return len(alive) < LEAST or max(site.state.heard_ms or 0 for site in alive) >= now_ms - NEWEST_MS


@asked_again
def anybody_heard(store: str, profiles: Iterable[Profile], now_ms: int) -> bool:
    """The same of sites of which nobody has known anything for a while. Raises StoreError."""
    backend = open_backend(store)
    with backend.reading():
        return any(
            (recent(backend, profile, now_ms).newest_ms or 0) >= now_ms - NEWEST_MS for profile in profiles
        )


def changes_everywhere(
    memory: SiteMemory, sites: Iterable[SiteMemory], now_ms: int, rules: Rules, *, settled: bool
) -> Changed:
    """What is told of all sites together. settled: whether the clock can be relied on."""
    alive = _alive(sites)
    goes_on = any(one.is_open for one in memory.incidents)
    if len(alive) < LEAST and not goes_on:
        return Changed(memory, (), ())
    heard = max((site.state.heard_ms or 0 for site in alive), default=None)
    unheard = max((site.state.unheard_ms or 0 for site in alive), default=None)
    state = SiteState(heard_ms=heard, unheard_ms=unheard, heard_since_ms=heard)
    return changes(memory, state, now_ms, ALL, rules, listening=settled)
