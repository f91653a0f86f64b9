"""What happens to export messages between router and file: the router restarts, templates come late, copies, disorder."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace

from flowdiag.scenario.exporting import Exporting, Message
from flowdiag.scenario.scene import MINUTE
from flowdiag.scenario.write import Situation, export_messages, generator

LATE_TEMPLATES_MS = 4 * MINUTE


def delivered(situation: Situation, exporting: Exporting, ways: tuple[str, ...]) -> list[Message]:
    """The messages as they arrive."""
    if "restart" in ways:
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
