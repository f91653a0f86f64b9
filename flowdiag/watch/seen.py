"""What a look shows of a site, as times in which something held."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.diagnoser.finding import Confidence, Severity
from flowdiag.durations import MINUTE_MS
from flowdiag.watch.event import Matter
from flowdiag.watch.state import Mark, SiteState

HOLD_MS: Final = 5 * MINUTE_MS  # what pauses no longer goes on (common practice, no source)


class Seen(Struct, frozen=True):
    """A time in which a matter held. ended_ms: None while it goes on; until_ms: up to when it is seen to; before: it may have
    begun before anything that was looked at."""

    matter: Matter
    severity: Severity
    confidence: Confidence
    began_ms: int
    ended_ms: int | None
    until_ms: int
    before: bool
    client: str
    summary: str


def seen_in(state: SiteState) -> list[Seen]:
    """What the findings of a look show, in order of matter and time; times that pause no longer than HOLD_MS are one."""
    judged_ms = state.judged_ms or 0
    return _merged(_of_mark(mark, judged_ms) for mark in state.marks)


def _of_mark(mark: Mark, judged_ms: int) -> Seen:
    return Seen(
        matter=Matter(mark.code, mark.link, mark.direction),
        severity=mark.severity,
        confidence=mark.confidence,
        began_ms=mark.began_ms,
        ended_ms=mark.ended_ms,
        until_ms=judged_ms if mark.ended_ms is None else mark.ended_ms,
        before=mark.before,
        client=mark.client,
        summary=mark.summary,
    )


def _merged(seen: Iterable[Seen]) -> list[Seen]:
    merged: list[Seen] = []
    for one in sorted(seen, key=_by_matter_and_time):
        last = merged[-1] if merged else None
        if last is None or last.matter != one.matter or one.began_ms - last.until_ms > HOLD_MS:
            merged.append(one)
            continue
        until = max(last.until_ms, one.until_ms)
        goes_on = last.ended_ms is None or one.ended_ms is None
        merged[-1] = replace(
            one,
            began_ms=last.began_ms,
            before=last.before,
            ended_ms=None if goes_on else until,
            until_ms=until,
        )
    return merged


def _by_matter_and_time(one: Seen) -> tuple[str, str, str, int]:
    return one.matter.code, one.matter.link or "", one.matter.direction or "", one.began_ms
