"""What `flowdiag watch` lists of what goes on, and how incidents are acknowledged and muted from the command line."""

from __future__ import annotations

import getpass
import re
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from flowdiag.errors import UsageError
from flowdiag.text.escape import terminal

if TYPE_CHECKING:
    from flowdiag.watch.ledger import Ledger
    from flowdiag.watch.part import Part
    from flowdiag.watch.silenced import Kind, Silence

EXPECTED_TIME: Final = "--until 4h, 2d or 2026-03-03T14:00+13:00"
_LENGTH: Final = re.compile(r"(\d{1,4}) ?(m|h|d)")
_UNIT_S: Final = {"m": 60, "h": 3_600, "d": 86_400}


def list_incidents(store: str) -> int:
    """Lists what goes on, newest first. Gives the exit code. Raises StoreError."""
    from flowdiag.text.wording.watch import incidents as wording
    from flowdiag.watch.going_on import open_incidents
    from flowdiag.watch.part import read_parts
    from flowdiag.watch.silenced import read_silences

    with _ledger(store) as ledger:
        parts = [part for _, part in read_parts(ledger)]
        found = open_incidents(parts, read_silences(ledger), _now_ms())
    for one in found:
        event = one.event
        where = " ".join(filter(None, (event.code, event.link, event.direction)))
        since = wording.since(one.incident.began_ms, event.timezone)
        click.echo(f"{event.key}  {terminal(event.site)}  {terminal(where)}  {since}")
        click.echo(f"  {terminal(one.incident.summary)}")
        if one.silence is not None:
            click.echo(f"  {_said(one.silence, event.timezone)}")
    if not found:
        click.echo(wording.NOTHING)
    return 0


def list_silences(store: str, notify: Path | None) -> int:
    """Lists what is acknowledged and muted. notify: a notify file, whose own are listed too. Gives the exit code.

    Raises StoreError, ConfigError."""
    from flowdiag.text.wording.watch import incidents as wording
    from flowdiag.watch.silenced import read_silences

    with _ledger(store) as ledger:
        every = read_silences(ledger)
    if notify is not None:
        from flowdiag.watch.notify_file import read_notify

        every += read_notify(notify).silences
    found = [one for one in every if one.holds(_now_ms())]
    for one in found:
        about = one.key or " ".join(filter(None, (one.site, one.code, one.link)))
        click.echo(f"{one.name}  {terminal(about)}  {_said(one, 'UTC')}")
    if not found:
        click.echo(wording.NOTHING_SILENCED)
    return 0


def silence(
    store: str,
    kind: Kind,
    what: str,
    *,
    code: str | None,
    link: str | None,
    until: str | None,
    reason: str | None,
) -> int:
    """Acknowledges an incident, or mutes what matches. what: the incident's key, or a pattern of sites. Gives the exit code.

    Raises UsageError, StoreError."""
    from flowdiag.watch.going_on import last_event
    from flowdiag.watch.notify_file import check_code
    from flowdiag.watch.part import read_parts
    from flowdiag.watch.silenced import Silence, add_silence

    now_ms = _now_ms()
    until_ms = _until_ms(until, now_ms)
    try:
        if code is not None:
            check_code(code)
    except ValueError as error:
        raise UsageError(
            f"--code: {error}", expected="a code that events have, such as link-full or not-heard"
        ) from None
    if not reason:
        raise UsageError("nothing says why", expected="--reason TEXT: who comes next wants to know")
    with _ledger(store) as ledger:
        parts = [part for _, part in read_parts(ledger)]
        known = last_event(parts, what)
        key = what if known is not None else None
        if key is None and kind == "acknowledged":
            raise UsageError(
                f"no incident has the key {what[:40]!r}", advice="--incidents lists those that go on"
            )
        if key is not None and (code or link):
            raise UsageError("--code and --link go with a --mute of sites", advice="leave them out")
        said = Silence(
            kind=kind, until_ms=until_ms, key=key, site=None if key else what, code=code, link=link,
            reason=reason, by=_user(), at_ms=now_ms,
        )  # fmt: skip
        add_silence(ledger, said, now_ms)
    click.echo(said.name)
    click.echo(f"flowdiag: {_said(said, 'UTC')}; {_about(said, parts)}", err=True)
    return 0


def _about(said: Silence, parts: Sequence[Part]) -> str:
    """Which of the sites that are watched, and of what goes on, a silence is about now."""
    from flowdiag.text.wording.watch import incidents as wording
    from flowdiag.watch.going_on import open_incidents
    from flowdiag.watch.silenced import is_place

    going_on = sum(said.is_about(one.event) for one in open_incidents(parts, (), said.at_ms))
    if said.key is not None:
        return wording.about(None, going_on)
    pattern = said.site or "*"
    watched = {(place, site.name) for part in parts for place, site in part.sites.items() if place}
    return wording.about(sum(is_place(pattern, *site) for site in watched), going_on)


def lift(store: str, name: str) -> int:
    """Takes an acknowledgement or a mute back. Gives the exit code. Raises UsageError, StoreError."""
    from flowdiag.watch.silenced import remove_silence

    with _ledger(store) as ledger:
        if not remove_silence(ledger, name, _now_ms()):
            raise UsageError(
                f"nothing is silenced by the name {name[:40]!r}", advice="--silenced lists what is"
            )
    return 0


@contextmanager
def _ledger(store: str) -> Iterator[Ledger]:
    """Raises StoreError where there is no store."""
    from flowdiag.collector.store.changes import need_store
    from flowdiag.collector.store.opening import open_backend
    from flowdiag.watch.ledgers.opening import open_ledger

    need_store(open_backend(store))
    ledger = open_ledger(store)
    try:
        yield ledger
    finally:
        ledger.close()


def _until_ms(text: str | None, now_ms: int) -> int:
    """Raises UsageError."""
    if text is None:
        raise UsageError("nothing says until when", expected=EXPECTED_TIME)
    if match := _LENGTH.fullmatch(text.strip().lower()):
        return now_ms + int(match[1]) * _UNIT_S[match[2]] * 1000
    try:
        time_of = datetime.fromisoformat(text.strip())
    except ValueError:
        raise UsageError(f"--until: {text[:40]!r} is no time", expected=EXPECTED_TIME) from None
    if time_of.tzinfo is None:
        raise UsageError(f"--until: {text[:40]!r} has no offset from UTC", expected=EXPECTED_TIME)
    return round(time_of.astimezone(UTC).timestamp() * 1000)


def _said(one: Silence, timezone: str) -> str:
    from flowdiag.text.wording.watch import incidents as wording

    return terminal(wording.silenced(one.kind, one.until_ms, timezone, one.by, one.reason))


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # no name for this process's user
        return ""


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
