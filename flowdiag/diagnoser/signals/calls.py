"""Conversations that are voice or video: real-time traffic, known by the pace and size of its packets both ways.

Shared by realtime-contention and by the changes between links (changeover.py); this module alleges nothing itself. What is
decided is said in findings/realtime_contention.py."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows, select
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.conversations import UDP, conversation_keys
from flowdiag.diagnoser.signals.failovers import part_within

PACKETS_S: Final = (15.0, 1000.0)
PACKETS_S_NAMED: Final = 5.0
PACKET_OCTETS: Final = (60.0, 1300.0)
LEAST_MS: Final = 45_000
# Name look-ups, time, tunnels, QUIC, file and management protocols (IANA port numbers): steady, but nobody
# listens.
NEVER: Final = (
    *(53, 67, 68, 69, 80, 123, 137, 138, 161, 162, 443, 500, 514, 1194, 1701, 1812, 1813, 2049, 2055),
    *(4500, 4739, 4789, 5353, 6343, 9995, 9996, 51820),
)
# SIP (5060, 5061) and STUN/TURN (3478 to 3481, 5349; RFC 8489, the neighbours from memory).
CALL_PORTS: Final = (3478, 3479, 3480, 3481, 5004, 5060, 5061, 5349)
CALL_NAMES: Final = (
    "rtp",
    "sip",
    "voip",
    "voice",
    "call",
    "conferenc",
    "meeting",
    "webrtc",
    "stun",
    "telephony",
)


class Realtime(Struct, frozen=True, eq=False):
    """ways: rows of them, down and up; keys: of the conversations, ascending, each once."""

    ways: tuple[NDArray[np.intp], NDArray[np.intp]]
    keys: NDArray[np.uint64]


def realtime(case: Case, links: Sequence[int], times: tuple[int, int], least_ms: int = LEAST_MS) -> Realtime:
    """The conversations on some links that are real-time both ways in [from, to) ms. least_ms: for how long their records
    cover."""
    flows = case.flows
    ways = [_candidates(case, links, direction, times) for direction in (DOWN, UP)]
    keys = [conversation_keys(flows, rows) for rows in ways]
    named = _named_applications(case)
    real = [_steady(case, rows, key, times, named, least_ms) for rows, key in zip(ways, keys, strict=True)]
    both = np.intersect1d(real[DOWN], real[UP])
    down, up = (rows[np.isin(key, both)] for rows, key in zip(ways, keys, strict=True))
    return Realtime((down, up), both)


def named_as_calls(case: Case, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which rows have ports of calls, or an application that is called so."""
    return _is_named(case, rows, _named_applications(case))


def _candidates(case: Case, links: Sequence[int], direction: int, times: tuple[int, int]) -> NDArray[np.intp]:
    """UDP rows that touch the times and use no port of NEVER."""
    usable = np.ones(65_537, np.bool_)  # by port; the last for -1, unknown
    usable[list(NEVER)] = False

    def candidate(chunk: SiteFlows) -> NDArray[np.bool_]:
        chosen: NDArray[np.bool_] = np.isin(chunk.link, links) & (chunk.direction == direction)
        chosen &= (chunk.protocol == UDP) & (chunk.start_ms < times[1]) & (chunk.end_ms > times[0])
        rows = np.flatnonzero(chosen)
        size = chunk.octets[rows] / np.maximum(chunk.packets[rows], 1.0)
        chosen[rows] = (size >= PACKET_OCTETS[0]) & (size <= PACKET_OCTETS[1])
        chosen[rows] &= usable[chunk.outside_port[rows]] & usable[chunk.inside_port[rows]]
        return chosen

    return np.flatnonzero(select(case.flows, candidate))


def _named_applications(case: Case) -> NDArray[np.bool_]:
    """Per application of the flows: whether its name is one of calls."""
    names = [name.casefold() for name in case.flows.applications]
    return np.array([any(word in name for word in CALL_NAMES) for name in names], dtype=np.bool_)


def _is_named(case: Case, rows: NDArray[np.intp], named: NDArray[np.bool_]) -> NDArray[np.bool_]:
    flows = case.flows
    by_port = np.isin(flows.outside_port[rows], CALL_PORTS) | np.isin(flows.inside_port[rows], CALL_PORTS)
    return by_port | named[flows.application[rows]]


def _steady(
    case: Case,
    rows: NDArray[np.intp],
    keys: NDArray[np.uint64],
    times: tuple[int, int],
    named: NDArray[np.bool_],
    least_ms: int,
) -> NDArray[np.uint64]:
    """Keys of the conversations whose packets come steadily enough within the times."""
    flows = case.flows
    if len(rows) == 0:
        return np.zeros(0, dtype=np.uint64)
    unique, inverse = np.unique(keys, return_inverse=True)
    part = part_within(flows, rows, *times)
    lasting = part * np.maximum(flows.end_ms[rows] - flows.start_ms[rows], 1)
    covered_ms = np.bincount(inverse, lasting, len(unique))
    packets_s = np.bincount(inverse, flows.packets[rows] * part, len(unique)) / np.maximum(
        covered_ms / 1000, 1e-3
    )
    of_calls = np.bincount(inverse, _is_named(case, rows, named), len(unique)) > 0
    least = np.where(of_calls, PACKETS_S_NAMED, PACKETS_S[0])
    steady: NDArray[np.uint64] = unique[
        (covered_ms >= least_ms) & (packets_s >= least) & (packets_s <= PACKETS_S[1])
    ]
    return steady
