"""The records of a site's router stopped, for longer than its habit explains; only the watch tells it.

Means: nobody knows how the site is. The router, its power or its only way to the collector may be down, or somebody
changed what it exports. Its line may be fine: no note can be made of this time.

Decided: an exporter is heard by any record or message. How long it may say nothing follows from its habit: of
the hours before (see silences.py), and of the same time of the week before, give or take an hour (see habit.py); of a
site that is new the day before tells. It ends with the first sign of life.

Thresholds: six minutes at least (a collector hands on once a minute, a router reports after up to five; common
practice, no source), and twice the longest pause of the last hours: one datagram that is lost makes one pause of two.

Fooled by: where most sites fall silent together it is the collector, or the way to it; that is told instead, and of
the sites nothing. While the clock was set or the machine slept nobody could hear, and none begins. A site that is new
has no week before: its first quiet weekend may be told.

Do: the helpdesk asks whether the site has power and calls it by telephone. The engineer looks whether the router
answers over each of its links, then at its export settings and at the path to the collector.

Limits: records that come late are taken as they come, and correct when it began and ended. A router that loses its
line and its backup cannot say so: this is all there is to see of it.
"""

from __future__ import annotations

from collections.abc import Sequence

from flowdiag.text.wording.watch import events as wording
from flowdiag.watch.event import NOT_HEARD, Incident, Matter
from flowdiag.watch.seen import Seen
from flowdiag.watch.state import SiteState


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
