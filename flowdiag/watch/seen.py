"""What a look shows of a site, as times in which something held."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.diagnoser.finding import Confidence, Severity
from flowdiag.durations import MINUTE_MS
from flowdiag.text.wording.watch import events as wording
from flowdiag.watch.event import NOT_HEARD, Incident, Matter
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


def hearing(
    state: SiteState,
    known: Sequence[Incident],
    now_ms: int,
    timezone: str,
    *,
    listening: bool,
    everybody: bool = False,
) -> list[Seen]:
    """Whether the exporter is heard. known: what is remembered of the site; listening: whether anybody would be heard: where not,
    no silence begins; everybody: whether it is all exporters together."""
    goes_on = next((one for one in known if one.matter.code == NOT_HEARD and not one.over), None)
    if state.heard_ms is None:
        return []
    if state.at(now_ms).on == "unheard":
        if goes_on is None and not listening:
            return []
        since_ms, ended_ms = state.heard_ms, None
    elif goes_on is not None:
        since_ms = goes_on.began_ms
        ended_ms = max(state.heard_since_ms or state.heard_ms, since_ms)
    else:
        return []
    said = (
        (wording.nobody_heard_client, wording.nobody_heard)
        if everybody
        else (wording.not_heard_client, wording.not_heard)
    )
    return [
        Seen(
            matter=Matter(NOT_HEARD),
            severity="critical",
            confidence="high",
            began_ms=since_ms,
            ended_ms=ended_ms,
            until_ms=now_ms if ended_ms is None else ended_ms,
            before=False,
            client=said[0](since_ms, ended_ms, timezone),
            summary=said[1](since_ms, ended_ms, timezone),
        )
    ]
