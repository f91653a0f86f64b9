"""What happens to export messages between router and file: the router restarts, templates come late, copies, disorder."""

from __future__ import annotations

import struct
from collections.abc import Callable

import numpy as np
from msgspec.structs import replace

from flowdiag.scenario.exporting import Exporting, Message
from flowdiag.scenario.scene import MINUTE
from flowdiag.scenario.write import Situation, export_messages, generator

BOOT_MS = 15_000  # a router forwards so long after its clock of uptime began (invented, no source)
LATE_TEMPLATES_MS = 4 * MINUTE


def delivered(
    situation: Situation,
    exporting: Exporting,
    ways: tuple[str, ...],
    restart: tuple[int, int] | None = None,
) -> list[Message]:
    """The messages as they arrive. restart: when the router went down and when it was up again, ms."""
    if restart is not None:
        messages = _emptied(situation, exporting, *restart)
    elif "restart" in ways:
        messages = _restarted(situation, exporting)
    elif "second-domain" in ways:
        other = replace(exporting, domain=exporting.domain + 1, first_sequence=77)
        both = export_messages(situation, exporting) + export_messages(situation, other)
        messages = sorted(both, key=lambda message: message.time_ms)
    else:
        messages = export_messages(situation, exporting)
    for way in ways:
        messages = _WAYS.get(way, _unchanged)(messages)
    return messages


def _unchanged(messages: list[Message]) -> list[Message]:
    return messages


def _restarted(situation: Situation, exporting: Exporting) -> list[Message]:
    """The router reboots in the middle: uptime and sequence begin again, what it had metered is gone."""
    middle = (situation.start_ms + situation.end_ms) // 2
    before = replace(exporting, silent=((middle, situation.end_ms + MINUTE),), silent_counted=False)
    after = replace(
        exporting,
        silent=((situation.start_ms - MINUTE, middle),),
        silent_counted=False,
        uptime_ms=situation.start_ms - middle + 40_000,  # booted forty seconds before
        first_sequence=0,
    )
    return export_messages(situation, before) + export_messages(situation, after)


def _emptied(situation: Situation, exporting: Exporting, down_ms: int, up_ms: int) -> list[Message]:
    """The router went down with flows in its cache, which are lost, and meters what goes on anew once it is up."""
    records = situation.records
    before = records[records["export"] < down_ms]
    after = records[(records["export"] >= up_ms) & (records["end"] > up_ms)].copy()
    open_then = after["start"] < up_ms
    length = np.maximum(after["end"] - after["start"], 1)
    left = np.where(open_then, (after["end"] - up_ms) / length, 1.0)
    for name in ("octets", "packets"):
        after[name] = np.maximum(np.rint(after[name] * left), 1)
    after["start"] = np.maximum(after["start"], up_ms)
    booted = replace(exporting, uptime_ms=situation.start_ms - up_ms + BOOT_MS, first_sequence=0)
    old = export_messages(replace(situation, records=before), exporting)
    new = export_messages(replace(situation, records=after), booted)
    return [message for message in old if message.time_ms < down_ms] + [
        message for message in new if message.time_ms >= up_ms
    ]


def _late_templates(messages: list[Message]) -> list[Message]:
    """The capture began between two announcements: data comes first, its template minutes later."""
    begin = messages[0].time_ms
    return [
        message
        for message in messages
        if message.time_ms >= begin + LATE_TEMPLATES_MS or not _announces(message.payload)
    ]


def _announces(payload: bytes) -> bool:
    version = struct.unpack_from("!H", payload)[0]
    header = {10: 16, 9: 20}.get(version)
    return header is not None and struct.unpack_from("!H", payload, header)[0] in (0, 2)


def _twice(messages: list[Message]) -> list[Message]:
    """A mirror port that sees every datagram twice."""
    return [copy for message in messages for copy in (message, message._replace(time_ms=message.time_ms + 1))]


def _disorder(messages: list[Message]) -> list[Message]:
    """Now and then two neighbours change places."""
    messages, rng = list(messages), generator(5)
    for at in rng.integers(1, len(messages) - 2, len(messages) // 40):
        first, second = messages[at], messages[at + 1]
        messages[at] = second._replace(time_ms=first.time_ms)
        messages[at + 1] = first._replace(time_ms=second.time_ms)
    return messages


_WAYS: dict[str, Callable[[list[Message]], list[Message]]] = {
    "late-templates": _late_templates,
    "twice": _twice,
    "disorder": _disorder,
}
