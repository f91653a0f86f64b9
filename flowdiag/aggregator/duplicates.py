"""Records that repeat others although element 61 does not say so: counted once.

Facts the rules follow:
- one metering process counts a packet once, so records that are equal in every field and stand in one export message
  are different packets (exporters without an idle timeout report packets one by one, RFC 3954 3.2), unless most of the
  records of several packets come so, in pairs; a message that comes twice is dropped whole, when it is read;
- two metering points, or two observation domains, that see the same packets give records with the same
  addresses, ports, protocol, code point, octets and packets, at nearly the same times. A single metering process
  never does: packets of one key within the idle timeout are one record, and pieces cut by the active timeout
  follow one another;
- two exporters that see the same packets cut their flows at other moments, so their records differ while the
  sums per conversation agree.
The last two are common practice, no source; they only ever drop what has its counterpart.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.aggregator.conversation_keys import conversation_key, mixed
from flowdiag.aggregator.records import MESSAGE_NUMBERS, NO_MESSAGE
from flowdiag.aggregator.site_flows import SiteFlows, select

# Twins start and end within this of each other: more than two points of one router differ, less than the
# shortest idle timeout (a second), within which packets of one key are one record.
NEARLY_MS: Final = 500
# More copies than this in a row, at different times or in different messages, are single packets reported one by one.
MOST_COPIES: Final = 4
# Where so much of the records of several packets, over some time, has its like in its own message, all is metered at two
# points and sent together: no single point has two equal flows of one conversation at once.
METERED_TWICE: Final = 0.5
# A systematic repetition shows in a sample; up to so many rows all are looked at.
ALWAYS_LOOKED_AT: Final = 200_000
SAMPLE_ONE_IN: Final = 16  # a power of two
_ODD: Final = 0x2545_F491  # spreads the bits; any large odd number


def without_duplicates(flows: SiteFlows) -> tuple[SiteFlows, int]:
    """The flows without repetitions, and how many were dropped. Messages are of no use after that and left out."""
    repeated = _duplicates(flows)
    flows = replace(flows, message=None)
    if not len(repeated):
        return flows, 0
    kept = np.ones(len(flows), np.bool_)
    kept[repeated] = False
    return flows.at(np.flatnonzero(kept)), len(repeated)


def _duplicates(flows: SiteFlows) -> NDArray[np.intp]:
    found = repetitions(flows, sampled(flows))
    if not len(found) or len(flows) <= ALWAYS_LOOKED_AT:
        return found
    return repetitions(flows, np.flatnonzero(flows.link >= 0))


def conversation_keys(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.uint64]:
    """A key of conversation, code point, link and direction, for some rows."""
    conversation = conversation_key(
        flows.inside[rows],
        flows.outside[rows],
        flows.inside_port[rows],
        flows.outside_port[rows],
        flows.protocol[rows],
    )
    return mixed(
        conversation.view(np.int64),
        (flows.dscp[rows].astype(np.int64) + 1) << 16
        | (flows.link[rows].astype(np.int64) + 1) << 2
        | (flows.direction[rows].astype(np.int64) + 1),
    )


def sampled(flows: SiteFlows) -> NDArray[np.intp]:
    """Rows on links of some conversations, one in SAMPLE_ONE_IN; all rows where there are few."""
    if len(flows) <= ALWAYS_LOOKED_AT:
        return np.flatnonzero(flows.link >= 0)

    def in_sample(chunk: SiteFlows) -> NDArray[np.bool_]:
        # By numbers that all records of a conversation share, so that all of them are in the sample or none.
        common = chunk.inside_port ^ chunk.outside_port ^ chunk.inside ^ (chunk.outside << 2)
        chosen: NDArray[np.bool_] = ((common * np.int32(_ODD)) >> 16) & (SAMPLE_ONE_IN - 1) == 0
        return chosen & (chunk.link >= 0)

    return np.flatnonzero(select(flows, in_sample))


def repeated(keys: NDArray[np.uint64]) -> NDArray[np.intp]:
    """Places of the keys that occur more than once, ascending."""
    ordered = np.sort(keys)
    several = np.unique(ordered[1:][ordered[1:] == ordered[:-1]])
    if not len(several):
        return np.zeros(0, np.intp)
    index = np.minimum(np.searchsorted(several, keys), len(several) - 1)
    return np.flatnonzero(several[index] == keys)


def repetitions(
    flows: SiteFlows, rows: NDArray[np.intp], places: NDArray[np.intp] | None = None
) -> NDArray[np.intp]:
    """Those of the rows (in ascending order) that repeat others of them at nearly the same time.

    places: where each of the rows stands in the export, where the flows are a part of it; None: as they stand.
    """
    places = rows if places is None else places
    keys = mixed(conversation_keys(flows, rows), flows.octets[rows], flows.packets[rows])
    repeats = repeated(keys)
    if not len(repeats):
        return np.zeros(0, np.intp)
    lasting = int(np.count_nonzero(_is_lasting(flows, rows)))
    rows, keys, places = rows[repeats], keys[repeats], places[repeats]
    start, end = flows.start_ms[rows], flows.end_ms[rows]
    whole = mixed(keys.view(np.int64), start, end, *(getattr(flows, name)[rows] for name in _OTHER_FIELDS))
    order = np.lexsort((rows, whole, end, start, keys))
    rows, keys, start, end, whole = rows[order], keys[order], start[order], end[order], whole[order]
    places = places[order]
    near = (keys[1:] == keys[:-1]) & (np.abs(np.diff(start)) <= NEARLY_MS)
    near &= np.abs(np.diff(end)) <= NEARLY_MS
    single = flows.packets[rows] <= flows.sampling[rows]
    together = near & (whole[1:] == whole[:-1]) & _sent_together(flows, rows, places, single)
    pairs = int(np.count_nonzero(together & _is_lasting(flows, rows)[1:]))
    if 2 * pairs >= METERED_TWICE * max(lasting, 1):
        together[:] = False
    if _one_by_one(near, together, single):
        near &= together | ~single[1:] | (start[1:] == start[:-1])
    return np.sort(rows[_all_but_the_fullest(near, together)])


def _is_lasting(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which rows are of several packets over some time: of those one point meters no two alike at once."""
    lasting: NDArray[np.bool_] = flows.packets[rows] > flows.sampling[rows]
    return lasting & (flows.end_ms[rows] > flows.start_ms[rows])


# What else a record has besides its conversation, counters and times.
_OTHER_FIELDS: Final = ("ingress", "egress", "tcp_flags", "end_reason", "application", "sampling")


def _sent_together(
    flows: SiteFlows, rows: NDArray[np.intp], places: NDArray[np.intp], single: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Whether each row but the first came in one message with the row before it, or right behind it where each is of
    one packet and so may have begun the next message, or where messages are not known."""
    if flows.message is None:
        return np.zeros(len(rows) - 1, np.bool_)
    message = flows.message[rows].astype(np.int64)
    step, apart = np.diff(message), np.diff(places)
    known = message[1:] != NO_MESSAGE
    # Numbers come again after many messages, but not within the rows that one can hold.
    same = known & (step == 0) & (apart < MESSAGE_NUMBERS)
    following = known & ((step == 1) | (step == 1 - MESSAGE_NUMBERS)) & single[1:]
    unknown = ~known & (step == 0)
    in_message: NDArray[np.bool_] = same | ((following | unknown) & (apart == 1))
    return in_message


def _one_by_one(near: NDArray[np.bool_], together: NDArray[np.bool_], single: NDArray[np.bool_]) -> bool:
    """Whether the export reports packets one by one: more single packets of one conversation and size within moments
    than there can be copies of one. Whoever has an idle timeout makes one record of them."""
    run = np.concatenate([[0], np.cumsum(~near)])
    apart = np.concatenate([[True], ~together])
    return bool((np.bincount(run, apart & single) > MOST_COPIES).any())


def _all_but_the_fullest(near: NDArray[np.bool_], together: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which rows repeat others. near, together: of each row but the first, with the row before it.

    Rows that were sent together are different packets. Of several such lots, nearly at one time, the one with the
    most rows counts, the first of equal ones; more than MOST_COPIES lots are no copies.
    """
    run = np.concatenate([[0], np.cumsum(~near)])
    lot = np.concatenate([[0], np.cumsum(~together)])
    run_of_lot = run[np.flatnonzero(np.concatenate([[True], ~together]))]
    by_size = np.lexsort((-np.bincount(lot), run_of_lot))
    first = np.concatenate([[True], np.diff(run_of_lot[by_size]) > 0])
    dropped = np.ones(len(by_size), np.bool_)
    dropped[by_size[first]] = False
    dropped &= np.bincount(run_of_lot)[run_of_lot] <= MOST_COPIES
    repeats: NDArray[np.bool_] = dropped[lot]
    return repeats
