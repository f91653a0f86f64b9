"""Acknowledgements and mutes: what is not told for a while, why, and who said so.

Facts the design follows:
- an acknowledgement is for one incident: somebody knows of it. Its reminders are not told until then; its end is;
- a mute is for all that matches: nothing of it is told until then. What matters still when it ends is told then: the begin of
  what goes on and of which nobody heard, and the end of what was told before (telling.py);
- whatever is silenced, the list of events has it.

Those that people set stand in one document of the ledger; a notify file may have more.
"""

from __future__ import annotations

import hashlib
from base64 import b32encode
from collections.abc import Callable, Iterable
from typing import Final, Literal

import msgspec
from msgspec import Struct

from flowdiag.durations import DAY_MS
from flowdiag.errors import StoreError, UsageError
from flowdiag.watch.event import Event
from flowdiag.watch.ledger import FOLDER, Ledger

DOCUMENT: Final = "silenced"
# As many as are kept; those that ended longest ago go first, those that last are never dropped.
MOST: Final = 1_000
KEPT_MS: Final = 31 * DAY_MS  # after their end, so that a page can say why nothing was told
LONGEST_MS: Final = 366 * DAY_MS
LONGEST_TEXT: Final = 500
_TRIES: Final = 20  # of somebody who writes while others write

_FILE: Final = f"{FOLDER}/{DOCUMENT}"

Kind = Literal["acknowledged", "muted"]


class Silence(Struct, frozen=True, kw_only=True):
    """What it is about: an incident by its key (that of its storm means all of the storm), or site (a pattern of a place or
    name), code and link, each of which may be left out. until_ms, at_ms: ms since 1970 UTC; by: who said so, at that time."""

    kind: Kind
    until_ms: int
    key: str | None = None
    site: str | None = None
    code: str | None = None
    link: str | None = None
    reason: str = ""
    by: str = ""
    at_ms: int = 0

    @property
    def name(self) -> str:
        """The same for the same silence."""
        told = "\n".join(map(str, msgspec.structs.astuple(self)))
        return b32encode(hashlib.sha256(told.encode()).digest()[:10]).decode().lower()

    def holds(self, now_ms: int) -> bool:
        return now_ms < self.until_ms

    def is_about(self, event: Event) -> bool:
        if self.key is not None:
            return self.key in (event.key, event.incident)
        return (
            (self.site is None or is_site(self.site, event))
            and self.code in (None, event.code)
            and self.link in (None, event.link)
        )


def is_site(pattern: str, event: Event) -> bool:
    """Whether a pattern ("kowhai-group/*") means an event's site, by its place or its name. Only the asterisk is special."""
    return is_place(pattern, event.place, event.site)


def is_place(pattern: str, place: str, name: str) -> bool:
    """The same of a site by its place and name."""
    return _matches(pattern, place) or _matches(pattern, name)


def _matches(pattern: str, name: str) -> bool:
    first, *others = pattern.split("*")
    if not others:
        return name == pattern
    *between, last = others
    at = len(first)
    if not name.startswith(first):
        return False
    for part in between:
        found = name.find(part, at)
        if found < 0:
            return False
        at = found + len(part)
    return name.endswith(last) and len(name) >= at + len(last)


_Change = Callable[[tuple[Silence, ...]], tuple[Silence, ...]]


def silenced_by(event: Event, silences: Iterable[Silence], now_ms: int) -> Silence | None:
    """What silences an event now: a mute before an acknowledgement, and of several the one that holds longest."""
    holding = [one for one in silences if one.holds(now_ms) and one.is_about(event)]
    return max(holding, key=lambda one: (one.kind == "muted", one.until_ms, one.name), default=None)


def read_silences(ledger: Ledger) -> tuple[Silence, ...]:
    """All that are kept, in the order in which they were set. Raises StoreError."""
    found = ledger.read(DOCUMENT)
    return () if found is None else _decoded(found.content)


def add_silence(ledger: Ledger, silence: Silence, now_ms: int) -> None:
    """Adding the same again changes nothing. Raises UsageError for one that cannot be meant, StoreError."""
    _check(silence, now_ms)

    def added(kept: tuple[Silence, ...]) -> tuple[Silence, ...]:
        return kept if silence in kept else (*kept, silence)

    _change(ledger, added, now_ms)


def remove_silence(ledger: Ledger, name: str, now_ms: int) -> bool:
    """Whether there was one of that name. Raises StoreError."""
    there = any(one.name == name for one in read_silences(ledger))
    if there:
        _change(ledger, lambda kept: tuple(one for one in kept if one.name != name), now_ms)
    return there


def _check(silence: Silence, now_ms: int) -> None:
    texts = (silence.key, silence.site, silence.code, silence.link, silence.reason, silence.by)
    if any(text is not None and len(text) > LONGEST_TEXT for text in texts):
        raise UsageError(f"a text has more than {LONGEST_TEXT} characters")
    if silence.kind == "acknowledged" and silence.key is None:
        raise UsageError("an acknowledgement is of one incident", expected="its key")
    if silence.key is None and silence.site is None and silence.code is None and silence.link is None:
        raise UsageError("this would mute everything", expected="a key, or a site, code or link")
    if not now_ms < silence.until_ms <= now_ms + LONGEST_MS:
        raise UsageError("the time until then is over, or longer than a year", expected="a time to come")


def _change(ledger: Ledger, change: _Change, now_ms: int) -> None:
    for _ in range(_TRIES):
        found = ledger.read(DOCUMENT)
        before = () if found is None else _decoded(found.content)
        after = _bounded(change(before), now_ms)
        if after == before:
            return
        if ledger.write(DOCUMENT, msgspec.json.encode(after), 0 if found is None else found.version):
            return
    raise StoreError("others change what is silenced all the time", file=_FILE, advice="try again")


def _bounded(kept: tuple[Silence, ...], now_ms: int) -> tuple[Silence, ...]:
    kept = tuple(one for one in kept if now_ms < one.until_ms + KEPT_MS)
    over = sorted((one for one in kept if not one.holds(now_ms)), key=lambda one: one.until_ms)
    dropped = {one.name for one in over[: max(len(kept) - MOST, 0)]}
    kept = tuple(one for one in kept if one.name not in dropped)
    if len(kept) > MOST:
        raise UsageError(
            f"{MOST} are silenced already", advice="remove some, or mute a folder of sites at once"
        )
    return kept


def _decoded(content: bytes) -> tuple[Silence, ...]:
    try:
        return msgspec.json.decode(content, type=tuple[Silence, ...])
    except msgspec.MsgspecError as error:
        raise StoreError(
            f"what is silenced is damaged ({error})",
            file=_FILE,
            expected="a document that a watch of this version wrote",
        ) from error
