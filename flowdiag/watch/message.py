"""A message as it is handed to a target, and why a target did not take it."""

from __future__ import annotations

import ssl
from typing import Final

from msgspec import Struct

from flowdiag.text.escape import terminal
from flowdiag.text.wording.watch import telling as words
from flowdiag.watch.as_json import encoded, message_json
from flowdiag.watch.event import Event

LONGEST_FAULT: Final = 300


class Message(Struct, frozen=True):
    """name: the same however often it is sent; made_ms: when it was first to be told; desk: the address of one that has notes;
    quiet: it was held in quiet hours."""

    name: str
    events: tuple[Event, ...]
    made_ms: int
    desk: str | None = None
    quiet: bool = False

    @property
    def body(self) -> bytes:
        """As JSON."""
        return encoded(message_json(self.events, self.name, self.desk))


def plainly(fault: BaseException) -> str:
    """What a fault of the network is called, without numbers and places of libraries."""
    cause = next((part for part in fault.args if isinstance(part, OSError)), fault)
    if isinstance(cause, ssl.SSLCertVerificationError):
        return words.no_trust(cause.verify_message)
    reason = cause.strerror if isinstance(cause, OSError) and not isinstance(cause, ssl.SSLError) else None
    return reason or str(fault) or type(fault).__name__


class NotTaken(Exception):
    """A target did not take a message.

    what: why, in one printable line without secrets; permanent: it never will; after_s: when it asked to be tried again;
    everyone: it takes no other message now either.
    """

    def __init__(
        self, what: str, *, permanent: bool = False, after_s: float | None = None, everyone: bool = False
    ) -> None:
        self.what = terminal(what, longest=LONGEST_FAULT)
        super().__init__(self.what)
        self.permanent = permanent
        self.after_s = after_s
        self.everyone = everyone
