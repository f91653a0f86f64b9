"""Which link is the primary one and which a backup: by when each carried ordinary traffic, with evidence and alternative.

Facts the guesses rest on (common practice, no source): a backup waits, so it carries ordinary traffic only while the primary
carries none, and probes at a steady pace otherwise; links that share the load carry it at the same time. What was in use
longer, or first, is the primary one. An export of one afternoon cannot know what the rest of the week is like: each guess
says what it would be if that was an exception.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.build import build_usage
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spread import WindowGrid
from flowdiag.site.profile import Profile, Role
from flowdiag.text.wording import draft as wording

IDLE_KBPS: Final = 8.0  # keepalives and their like; ordinary traffic is more
# Windows are a sixtieth of the export: fine enough for a failover within a minute, coarse enough that a link in use is
# seldom idle in one.
WINDOWS: Final = 60
SHORTEST_MS, LONGEST_MS = 5_000, 60_000
LOAD_SHARING: Final = 0.5  # part of a link's busy time in which the first one is busy too
IN_USE: Final = 0.25  # part of the first link's busy time; a link that is busy less often is not shared
LITTLE: Final = 0.25  # part of all octets; with probes on this link alone, a leak onto a backup
CLEARLY_LONGER: Final = 1.5  # times as long in use; less is decided by who was first
MAX_SPELLS: Final = 3  # times of day that a comment lists


class Activity(Struct, frozen=True, eq=False):
    """What each link carried in each window. ordinary, probes: bool [link, window]; octets: float [link], IP.

    probes: little, but something.
    """

    start_ms: int
    window_ms: int
    ordinary: NDArray[np.bool_]
    probes: NDArray[np.bool_]
    octets: NDArray[np.float64]

    def minutes(self, windows: NDArray[np.bool_]) -> str:
        return f"{int(windows.sum()) * self.window_ms / 60_000:.3g}"

    @property
    def whole(self) -> str:
        return f"{self.ordinary.shape[1] * self.window_ms / 60_000:.3g}"

    def times(self, windows: NDArray[np.bool_]) -> str:
        """14:05 to 14:27, 15:01 to 15:20 UTC"""
        steps = np.flatnonzero(np.diff(np.concatenate([[False], windows, [False]]).astype(np.int8)))
        spells = steps.reshape(-1, 2)
        told = [(self._time(begin), self._time(end)) for begin, end in spells[:MAX_SPELLS].tolist()]
        return wording.times(told, len(spells) - MAX_SPELLS)

    def _time(self, window: int) -> str:
        moment = datetime.fromtimestamp((self.start_ms + window * self.window_ms) / 1000, UTC)
        return moment.strftime("%H:%M" if self.window_ms % 60_000 == 0 else "%H:%M:%S")


class RoleGuess(Struct, frozen=True):
    """reason: the evidence; alternative: what else it may be, and what to write then."""

    role: Role
    reason: str
    alternative: str


class LinkTraits(Struct, frozen=True):
    """What is known of a link beside its traffic. hinted: named like a backup; paced: probes at a steady pace go over it."""

    called: str
    hinted: bool
    paced: bool


def activity(flows: SiteFlows, profile: Profile, first_ms: int | None, last_ms: int | None) -> Activity:
    """The activity of each link of the profile over the export."""
    begin = first_ms or 0
    end = max(last_ms or 0, begin + 1)
    window_ms = int(np.clip((end - begin) / WINDOWS // SHORTEST_MS * SHORTEST_MS, SHORTEST_MS, LONGEST_MS))
    usage = build_usage(flows, profile, WindowGrid.covering(begin, end, window_ms))
    octets = usage.wire_octets.sum(axis=1)
    ordinary = octets * 8 / window_ms > IDLE_KBPS
    return Activity(
        usage.start_ms, window_ms, ordinary, (octets > 0) & ~ordinary, usage.ip_octets.sum(axis=(1, 2))
    )


def guess_roles(links: Sequence[LinkTraits], seen: Activity) -> list[tuple[int, RoleGuess]]:
    """(position, guess) of each link, the first primary one first, then by octets."""
    if len(links) == 1:
        return [(0, RoleGuess("primary", wording.ONLY_LINK, wording.IF_ANOTHER))]
    first, why = _first(links, seen)
    others = sorted((n for n in range(len(links)) if n != first), key=lambda n: (-seen.octets[n], n))
    guesses = [(n, _other(n, first, links, seen)) for n in others]
    lead = RoleGuess("primary", wording.joined(_use(first, seen), why), wording.IF_ON_BACKUP)
    ordered = sorted(guesses, key=lambda guess: guess[1].role != "primary")
    return [(first, lead), *ordered]


def _first(links: Sequence[LinkTraits], seen: Activity) -> tuple[int, str]:
    """The link that is most like the primary one, and why."""
    numbers = list(range(len(links)))
    unnamed = [n for n in numbers if not links[n].hinted]
    if len(unnamed) == 1:
        return unnamed[0], wording.NAMED_LIKE_A_LINE
    numbers = unnamed or numbers
    # Who sends probes alone while another link works is waiting, or while all are quiet; a primary that is out sends nothing.
    quiet = not seen.ordinary.any()
    waiting = [
        n
        for n in numbers
        if links[n].paced
        and (quiet or (seen.probes[n] & np.delete(seen.ordinary, n, axis=0).any(axis=0)).any())
    ]
    if 0 < len(waiting) < len(numbers):
        numbers = [n for n in numbers if n not in waiting]
        if len(numbers) == 1:
            return numbers[0], wording.OTHER_PROBED
    busy = seen.ordinary.sum(axis=1)
    longest = max(numbers, key=lambda n: (busy[n], seen.octets[n], -n))
    rivals = [n for n in numbers if n != longest and busy[n] and busy[n] * CLEARLY_LONGER > busy[longest]]
    if quiet:
        return longest, wording.MOST_OCTETS
    if not rivals:
        return longest, wording.LONGEST
    began = {n: int(np.argmax(seen.ordinary[n])) for n in (longest, *rivals)}
    earliest = min(began, key=lambda n: (began[n], -seen.octets[n], n))
    if began[earliest] == min(began[n] for n in began if n != earliest):
        return earliest, wording.MOST_OCTETS
    return earliest, wording.EARLIEST


def _use(number: int, seen: Activity) -> str:
    share = seen.octets[number] / (float(seen.octets.sum()) or 1.0)
    return wording.use(share, seen.minutes(seen.ordinary[number]), seen.whole)


def _other(number: int, first: int, links: Sequence[LinkTraits], seen: Activity) -> RoleGuess:
    own, lead, called = seen.ordinary[number], seen.ordinary[first], links[first].called
    together, alone = own & lead, own & ~lead
    use = _use(number, seen)
    if links[number].hinted and not links[first].hinted:
        return RoleGuess("backup", wording.named_like_a_backup(use), wording.IF_IN_USE)
    if not own.any():
        return RoleGuess("backup", wording.nothing_in(seen.whole), wording.IF_ON_OTHER_DAYS)
    little = seen.octets[number] < LITTLE * seen.octets.sum()
    if together.sum() <= LOAD_SHARING * own.sum():
        reason = wording.while_none(called, seen.times(alone), only=not together.any())
        return RoleGuess("backup", reason, wording.IF_IN_USE)
    if together.sum() < IN_USE * lead.sum():
        return RoleGuess("backup", wording.less_often(use, called), wording.IF_IN_USE)
    if little and links[number].paced and not links[first].paced:
        return RoleGuess("backup", wording.leaks(use), wording.IF_MEANT)
    return RoleGuess("primary", wording.shares_load(use, called), wording.IF_NOT_MEANT)
