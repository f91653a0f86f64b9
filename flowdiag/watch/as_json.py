"""An event as JSON."""

from __future__ import annotations

import msgspec

from flowdiag.watch.event import Event


def event_json(event: Event) -> str:
    return msgspec.json.encode(event).decode()
