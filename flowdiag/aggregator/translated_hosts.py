"""Which inside host each record on the outer side of an address translation belongs to.

Three rules, each for what the one before leaves open (common practice, no source):
- copies: a record on the inner side with the same remote end, protocol, way, octets and packets at nearly the same time is
  the same packets before translation. A kept port settles it among several;
- conversations: a record without a copy (cut at another moment, lost) belongs to the host of its conversation's others;
- wholes: a conversation none of whose records has a copy is compared as one: by a kept port that nobody has by chance,
  or by the times and octets of the whole. Also where only the requests, not the answers, were metered inside.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.conversation_keys import mixed
from flowdiag.aggregator.translated_copies import NO_HOST, TELLING_PACKETS, by_copies
from flowdiag.aggregator.translated_ends import Ends, Mask, Sessions, the_one

# Conversations as a whole begin and end within this of each other on both sides of a router.
WHOLE_MS: Final = 1_000
# Octets and packets of a whole may differ by what the router dropped between the two points, or records that were
# lost; where the kept port says nearly all, by anything that is not another conversation altogether.
WHOLE_PART: Final = 0.95
KEPT_PORT_PART: Final = 0.5
# More conversations than this with one remote end and port at a time cannot be told apart by such rules.
MOST_CANDIDATES: Final = 16

Numbers = NDArray[np.int64]


class Named(Struct, frozen=True, eq=False):
    """host: number of the host's address, NO_HOST where none is found; port: its port. Both [outer]."""

    host: NDArray[np.int32]
    port: NDArray[np.int32]


def named(outer: Ends, inner: Ends) -> Named:
    """The host of each record on the outer side. inner: all records that name a host, copies of each other included."""
    inner = inner.at(np.flatnonzero(np.isin(inner.remote_keys(), np.unique(outer.remote_keys()))))
    host, port, certain, used = by_copies(outer, inner)
    theirs = Sessions.of(outer)
    ours = Sessions.of(inner)
    # What a conversation's certain records agree on holds for all of them.
    agreed, their_port = theirs.agreed(host, port, certain)
    open_ones = np.flatnonzero(~theirs.any(certain))
    if len(open_ones) and len(inner):
        free = np.flatnonzero(~ours.any(used))
        for rule in (_by_kept_port, _by_whole):
            match = rule(theirs, open_ones, ours, free)
            got = open_ones[match >= 0]
            agreed[got], their_port[got] = ours.end[match[match >= 0]], ours.port[match[match >= 0]]
            open_ones = open_ones[match < 0]
    of_session, port_of_session = agreed[theirs.of_row], their_port[theirs.of_row]
    known = of_session != NO_HOST
    return Named(
        np.where(known, of_session, host).astype(np.int32),
        np.where(known, np.where(port_of_session >= 0, port_of_session, outer.port), port).astype(np.int32),
    )


def _by_kept_port(
    theirs: Sessions, asked: NDArray[np.intp], ours: Sessions, free: NDArray[np.intp]
) -> Numbers:
    """For each of the sessions asked for, the free one with its remote end and port at the same time, -1 for none."""
    keys_theirs, keys_ours = (
        mixed(sessions.remote[rows].view(np.int64), sessions.port[rows])
        for sessions, rows in ((theirs, asked), (ours, free))
    )
    pairs = _pairs(keys_theirs, keys_ours)
    left, right = asked[pairs[0]], free[pairs[1]]
    fits = theirs.telling[left] & (theirs.first_ms[left] <= ours.last_ms[right] + WHOLE_MS)
    fits &= ours.first_ms[right] <= theirs.last_ms[left] + WHOLE_MS
    fits &= _agree(theirs, left, ours, right, KEPT_PORT_PART)
    return _only_choice(pairs[0][fits], right[fits], ours, len(asked))


def _by_whole(theirs: Sessions, asked: NDArray[np.intp], ours: Sessions, free: NDArray[np.intp]) -> Numbers:
    """The same by first and last packet and by octets each way; only where each is the other's one choice."""
    pairs = _pairs(theirs.remote[asked], ours.remote[free])
    left, right = asked[pairs[0]], free[pairs[1]]
    fits = np.abs(theirs.first_ms[left] - ours.first_ms[right]) <= WHOLE_MS
    fits &= np.abs(theirs.last_ms[left] - ours.last_ms[right]) <= WHOLE_MS
    fits &= _agree(theirs, left, ours, right, WHOLE_PART)
    seen = (theirs.packets[:, left] >= TELLING_PACKETS) & (ours.packets[:, right] > 0)
    fits &= seen.any(axis=0)
    chosen = _only_choice(pairs[0][fits], right[fits], ours, len(asked))
    twice = np.bincount(chosen[chosen >= 0], minlength=len(ours)) > 1
    return np.where((chosen >= 0) & twice[chosen], -1, chosen)


def _agree(
    theirs: Sessions, left: NDArray[np.intp], ours: Sessions, right: NDArray[np.intp], part: float
) -> Mask:
    """Whether octets and packets agree in each way that both show: the lesser at least that part of the greater."""
    agree = np.ones(len(left), np.bool_)
    for outer, inner in ((theirs.octets, ours.octets), (theirs.packets, ours.packets)):
        one, other = outer[:, left], inner[:, right]
        apart = (one > 0) & (other > 0) & (np.minimum(one, other) < part * np.maximum(one, other))
        agree &= ~apart.any(axis=0)
    return agree


def _pairs(left: NDArray[np.uint64], right: NDArray[np.uint64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Places of all pairs of equal keys; none of keys that more than MOST_CANDIDATES on the right share."""
    order = np.argsort(right, kind="stable")
    ordered = right[order]
    low = np.searchsorted(ordered, left, "left")
    count = np.searchsorted(ordered, left, "right") - low
    count[count > MOST_CANDIDATES] = 0
    at_left = np.repeat(np.arange(len(left)), count)
    nth = np.arange(len(at_left)) - np.repeat(np.cumsum(count) - count, count)
    return at_left, order[low[at_left] + nth]


def _only_choice(session: NDArray[np.intp], choice: NDArray[np.intp], ours: Sessions, size: int) -> Numbers:
    """The first choice of each session whose choices are all of one host; -1 for the others."""
    one = the_one(session, ours.end[choice], size)
    chosen = np.full(size, -1, np.int64)
    chosen[session[::-1]] = choice[::-1]
    chosen[one < 0] = -1
    return chosen
