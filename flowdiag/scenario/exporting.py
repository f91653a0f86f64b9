"""The router's exporting process: which record goes into which message, and what is lost on the way.

Records wait at most a flush interval (or until a message is full); templates and options go first and are
sent again at an interval (RFC 7011 8.4 and RFC 3954 9 ask for that over UDP).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal, NamedTuple

import numpy as np
from msgspec import Struct
from numpy.random import Generator
from numpy.typing import NDArray

Protocol = Literal["netflow5", "netflow9", "ipfix"]
Times = Literal["uptime", "milliseconds", "seconds", "deltas"]


class Message(NamedTuple):
    """time_ms: when it arrives, true time, ms since 1970 UTC."""

    time_ms: int
    payload: bytes


class Exporting(Struct, frozen=True):
    """How the router exports. Times are true times; clock_offset_ms is what the router's clock is ahead.

    silent: [from, to) in ms when nothing reaches the collector; counted: the router went on counting sequence
    numbers then. loss: part of all messages that is lost at random, within loss_span only where that
    is given. interfaces False: records carry no interface numbers.
    """

    protocol: Protocol = "ipfix"
    times: Times = "milliseconds"
    domain: int = 1
    records_per_message: int = 24
    template_interval_s: int = 300
    flush_ms: int = 1000
    uptime_ms: int = 86_400_000  # how long the router had been up at the start
    clock_offset_ms: int = 0
    loss: float = 0.0
    loss_span: tuple[int, int] | None = None
    silent: tuple[tuple[int, int], ...] = ()
    silent_counted: bool = True
    interfaces: bool = True
    direction_field: bool = False
    reason_field: bool = True
    application_field: bool = False
    names: bool = True
    first_sequence: int = 1000


class Batch(NamedTuple):
    """Records first to last (exclusive, in the encoder's order) that share a message; first == last: templates only."""

    time_ms: int
    first: int
    last: int
    templates: bool


def plan_messages(records: NDArray[Any], exporting: Exporting, start_ms: int, end_ms: int) -> Iterator[Batch]:
    """Cuts records (in order of export) into messages, with template messages between them."""
    slot = (records["export"] - start_ms) // exporting.flush_ms
    position = np.arange(len(records)) - np.searchsorted(slot, slot)
    new = np.ones(len(records), bool)
    new[1:] = (np.diff(slot) != 0) | (position[1:] % exporting.records_per_message == 0)
    first = np.flatnonzero(new)
    last = np.append(first[1:], len(records))
    sent = records["export"][last - 1] if len(records) else np.zeros(0, np.int64)
    every = exporting.template_interval_s * 1000
    due = start_ms
    for time_ms, a, b in zip(sent.tolist(), first.tolist(), last.tolist(), strict=True):
        while due <= time_ms:
            yield Batch(due, a, a, True)
            due += every
        yield Batch(time_ms, a, b, False)
    while due <= end_ms:
        yield Batch(due, len(records), len(records), True)
        due += every


def deliver(messages: list[Message], exporting: Exporting, rng: Generator) -> list[Message]:
    """What reaches the collector: silent times and random loss taken out."""
    kept = [
        message
        for message in messages
        if not any(from_ms <= message.time_ms < to_ms for from_ms, to_ms in exporting.silent)
    ]
    if not exporting.loss:
        return kept
    begin, end = exporting.loss_span or (-np.inf, np.inf)
    arrives = (rng.random(len(kept)) >= exporting.loss).tolist()
    return [
        message
        for message, here in zip(kept, arrives, strict=True)
        if here or not begin <= message.time_ms < end
    ]


def without_uncounted(records: NDArray[Any], exporting: Exporting) -> NDArray[Any]:
    """Records that the exporting process saw: with silent_counted False it was itself down in the silent times."""
    if exporting.silent_counted:
        return records
    seen = np.ones(len(records), bool)
    for from_ms, to_ms in exporting.silent:
        seen &= (records["export"] < from_ms) | (records["export"] >= to_ms)
    return records[seen]
