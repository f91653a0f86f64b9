"""TCP transfers on shared links: in each step they divide what is left, max-min fair, each within its own
cap.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.addresses import V4_PREFIX
from flowdiag.scenario.ledger import BULK_UP, BY_ROUTE
from flowdiag.scenario.network import Network
from flowdiag.scenario.site import LEAST_OCTETS, OVERHEAD_OCTETS, Site

CHUNK: Final = np.dtype(
    [
        ("conversation", "i8"),
        ("link", "i1"),
        ("start", "f8"),
        ("end", "f8"),
        ("down_octets", "f8"),
        ("up_octets", "f8"),
        ("down_packets", "f8"),
        ("up_packets", "f8"),
    ]
)

ACK_OCTETS: Final = 40.0  # IP and TCP header; one for two segments (RFC 1122 4.2.3.2)
SEGMENTS_PER_ACK: Final = 2


def carry_transfers(
    conversations: NDArray[Any],
    numbers: NDArray[np.int64],
    site: Site,
    network: Network,
    wire: NDArray[np.float64],
) -> NDArray[Any]:
    """Carries the bulk conversations with these numbers; adds their wire octets to wire in place.

    wire: [link, direction, step], on entry what steady traffic takes. Returns dtype CHUNK, one row per step
    moved.
    """
    numbers = numbers[np.argsort(conversations["start"][numbers], kind="stable")]
    rows = conversations[numbers]
    first_step = np.maximum((rows["start"] - network.start_ms) // network.step_ms, 0).astype(np.int64)
    upward = rows["kind"] == BULK_UP
    remaining = np.where(upward, rows["up_octets"], rows["down_octets"])
    most = rows["cap"] * (network.step_ms / 1000)
    data_cost, ack_cost = _costs(rows, site)
    fixed = rows["link"].astype(np.int64)
    last_grant = np.zeros(len(rows))
    room = np.maximum(network.capacity - wire, 0)
    flat_room = room.reshape(-1, network.steps)
    taken = np.zeros_like(flat_room)

    log_rows: list[NDArray[np.int64]] = []
    log: list[tuple[int, NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]] = []
    active = np.zeros(0, np.int64)
    admitted, step = 0, int(first_step[0]) if len(rows) else network.steps
    while step < network.steps:
        until = int(np.searchsorted(first_step, step, "right"))
        if until > admitted:
            fresh = np.arange(admitted, until)
            if network.keeps_on_failback and network.route[step] > 0:
                fixed[fresh[fixed[fresh] == BY_ROUTE]] = network.route[step]
            active = np.concatenate([active, fresh])
            admitted = until
        if not len(active):
            if admitted >= len(rows):
                break
            step = int(first_step[admitted])
            continue
        link = np.where(fixed[active] == BY_ROUTE, network.route[step], fixed[active])
        moving = active[link >= 0]
        link = link[link >= 0]
        edge = network.start_ms + step * network.step_ms
        late = np.clip((rows["start"][moving] - edge) / network.step_ms, 0, 0.95)
        want = np.minimum(remaining[moving], most[moving] * (1 - late))
        data = link * 2 + upward[moving]
        ack = link * 2 + ~upward[moving]
        costs = data_cost[moving, link], ack_cost[moving, link]
        granted = share_out(want, data, ack, *costs, flat_room[:, step])
        size = len(flat_room)
        taken[:, step] = np.bincount(data, granted * costs[0], size) + np.bincount(
            ack, granted * costs[1], size
        )
        remaining[moving] -= granted
        done = remaining[moving] < 1
        # How much of the step a finished transfer used: its last octets at the rate it had before.
        pace = np.maximum(np.where(last_grant[moving] > 0, last_grant[moving], most[moving]), 1)
        used = np.where(done, np.clip(granted / pace, 0.02, 1), 1.0)
        last_grant[moving] = granted
        log_rows.append(moving)
        log.append((step, link, granted, used))
        if done.any():
            active = active[remaining[active] >= 1]
        step += 1
    wire += taken.reshape(wire.shape)
    return _as_chunks(log_rows, log, rows, numbers, upward, network)


def share_out(
    want: NDArray[np.float64],
    data: NDArray[np.int64],
    ack: NDArray[np.int64],
    data_cost: NDArray[np.float64],
    ack_cost: NDArray[np.float64],
    room: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Max-min fair grants of IP octets, shape [n].

    want: IP octets; data, ack: numbers of the resources that data and acknowledgements use; *_cost: wire
    octets there per IP octet of data; room: wire octets per resource. Bertsekas and Gallager's progressive
    filling (from memory).
    """
    size = len(room)
    use = np.bincount(data, want * data_cost, size) + np.bincount(ack, want * ack_cost, size)
    if (use <= room).all():
        return want
    left = room.copy()
    granted = np.zeros(len(want))
    waiting = np.arange(len(want))
    while len(waiting):
        d, a = data[waiting], ack[waiting]
        cost = np.bincount(d, data_cost[waiting], size) + np.bincount(a, ack_cost[waiting], size)
        level = np.divide(left, cost, out=np.full(size, np.inf), where=cost > 0)
        fair = np.minimum(level[d], level[a])
        small = want[waiting] <= fair
        chosen = small if small.any() else fair <= fair.min() * (1 + 1e-9)
        rows = waiting[chosen]
        granted[rows] = np.minimum(want[rows], fair[chosen])
        left -= np.bincount(data[rows], granted[rows] * data_cost[rows], size)
        left -= np.bincount(ack[rows], granted[rows] * ack_cost[rows], size)
        np.maximum(left, 0, out=left)
        waiting = waiting[~chosen]
    return granted


def _costs(rows: NDArray[Any], site: Site) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Wire octets per IP octet of data, in the data and in the acknowledgement direction, [transfer, link] each."""
    segment = rows["segment"][:, None]
    overhead = np.array([OVERHEAD_OCTETS[link.framing] for link in site.links], float)
    least = np.array([LEAST_OCTETS[link.framing] for link in site.links], float)
    data = (np.maximum(segment, least) + overhead) / segment
    ack = (np.maximum(ACK_OCTETS, least) + overhead) / (segment * SEGMENTS_PER_ACK)
    return data, ack


def _as_chunks(
    log_rows: list[NDArray[np.int64]],
    log: list[tuple[int, NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]],
    rows: NDArray[Any],
    numbers: NDArray[np.int64],
    upward: NDArray[np.bool_],
    network: Network,
) -> NDArray[Any]:
    if not log:
        return np.zeros(0, CHUNK)
    row = np.concatenate(log_rows)
    link = np.concatenate([entry[1] for entry in log])
    granted = np.concatenate([entry[2] for entry in log])
    used = np.concatenate([entry[3] for entry in log])
    step = np.repeat([entry[0] for entry in log], [len(entry[1]) for entry in log])
    moved = granted > 0
    row, link, granted, used, step = row[moved], link[moved], granted[moved], used[moved], step[moved]
    edge = network.start_ms + step * network.step_ms
    chunks = np.zeros(len(row), CHUNK)
    chunks["conversation"] = numbers[row]
    chunks["link"] = link
    chunks["start"] = np.maximum(edge, np.minimum(rows["start"][row], edge + 0.95 * network.step_ms))
    chunks["end"] = chunks["start"] + (edge + network.step_ms - chunks["start"]) * used
    packets = granted / rows["segment"][row]
    acks = packets / SEGMENTS_PER_ACK
    for name, is_data in (("down", ~upward[row]), ("up", upward[row])):
        chunks[f"{name}_octets"] = np.where(is_data, granted, acks * ACK_OCTETS)
        chunks[f"{name}_packets"] = np.where(is_data, packets, acks)
    return chunks


def is_v4(addresses: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Which rows of an address table, uint8 [n, 16], are IPv4 mapped. Shape [n]."""
    prefix = np.frombuffer(V4_PREFIX, np.uint8)
    mapped: NDArray[np.bool_] = (addresses[:, :12] == prefix).all(axis=1)
    return mapped
