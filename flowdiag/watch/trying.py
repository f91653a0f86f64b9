"""A message that tries whether a target takes any."""

from __future__ import annotations

from typing import Final

from flowdiag.text.wording.watch import telling as words
from flowdiag.watch.event import Event, Matter, key_of
from flowdiag.watch.message import Message, NotTaken
from flowdiag.watch.notify import Notify
from flowdiag.watch.sending import need_packages
from flowdiag.watch.targets.delivering import deliver
from flowdiag.watch.telling import name_of

CODE: Final = "test"


def try_targets(notify: Notify, now_ms: int) -> dict[str, str | None]:
    """Sends each target a message with the code "test", whatever it wants else and whenever; by target why it was not taken, None
    if it was. Raises FlowdiagError where a package is missing."""
    need_packages(notify)
    key = key_of("", Matter(CODE), now_ms)
    event = Event(
        key=key, number=1, incident=key, site=words.TEST_SITE, place=CODE, timezone="UTC", code=CODE, severity="info",
        confidence="high", link=None, direction=None, state="began", began_ms=now_ms, ended_ms=None, told_ms=now_ms,
        client=words.TEST, summary=words.TEST,
    )  # fmt: skip
    said: dict[str, str | None] = {}
    for target in notify.targets:
        try:
            deliver(target, Message(name_of(target.name, [event.name]), (event,), now_ms), now_ms)
        except NotTaken as fault:
            said[target.name] = fault.what
        else:
            said[target.name] = None
    return said
