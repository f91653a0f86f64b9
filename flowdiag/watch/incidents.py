"""The incidents of a site, brought up to date by what a look shows.

Facts the design follows:
- records come late and out of order: what is seen of a time that was known already corrects what is remembered of it;
- a look reaches back an hour as a rule: what began before is remembered, not seen, and stays;
- what a look does not show any more, of a time that it looked at, is over; the newest minutes alone do not tell, since more of
  them may come.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from typing import Final

from msgspec.structs import replace

from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.watch.event import NOT_HEARD, Incident, Matter, key_of
from flowdiag.watch.seen import HOLD_MS, Seen

# A look reaches back a day; what was over before that is not seen again.
KEPT_MS: Final = DAY_MS + 2 * HOUR_MS
MOST_INCIDENTS: Final = 200  # remembered of one site
NEAR_MS: Final = MINUTE_MS  # times that differ by less were told right
# What is full is busy as well: the second goes on while the first does.
_IMPLIES: Final = {"link-full": "link-busy"}
_GAP: Final = "export-gap"


class Incidents:
    """begin_ms, judged_ms: of the time that was looked at; past_ms: what was over by then is not told any more. corrected: keys
    of those of which something else was told."""

    def __init__(
        self, known: Iterable[Incident], place: str, begin_ms: int, judged_ms: int, past_ms: int
    ) -> None:
        self._all = {one.key: one for one in known}
        self._place = place
        self._begin_ms, self._judged_ms, self._past_ms = begin_ms, judged_ms, past_ms
        self._shown: set[str] = set()
        self.corrected: set[str] = set()
        self.reopened: set[str] = set()

    def __iter__(self) -> Iterator[Incident]:
        return iter(sorted(self._all.values(), key=lambda one: (one.began_ms, one.key)))

    def set(self, incident: Incident) -> None:
        self._all[incident.key] = incident

    def take(self, seen: Seen, held_back: Collection[Matter]) -> None:
        """Takes in what was seen. held_back: matters of which too much was told lately: what comes and goes of them is one
        incident."""
        if seen.matter.code == _GAP and self._silence(seen):
            return
        known = self._matching(seen, held_back)
        if known is None:
            self._begin(seen)
        else:
            self._bring_up_to_date(known, seen)

    def _silence(self, seen: Seen) -> bool:
        """Whether it is told already that the exporter was not heard then."""
        return any(one.matter.code == NOT_HEARD and _near(one, seen) for one in self._all.values())

    def _matching(self, seen: Seen, held_back: Collection[Matter]) -> Incident | None:
        """The incident that was seen: at its time, or before it and nobody could tell since."""
        of_matter = [one for one in self._all.values() if one.matter == seen.matter]
        near = [one for one in of_matter if _near(one, seen)]
        if not near:
            near = [one for one in of_matter if one.until_ms < seen.began_ms and _waits(one, seen, held_back)]
        return max(near, key=lambda one: (not one.over, one.began_ms), default=None)

    def _begin(self, seen: Seen) -> None:
        over = seen.ended_ms is not None
        if over and seen.until_ms < self._judged_ms - KEPT_MS:
            return
        key = key_of(self._place, seen.matter, seen.began_ms)
        self._shown.add(key)
        self._all[key] = Incident(
            key=key,
            matter=seen.matter,
            severity=seen.severity,
            confidence=seen.confidence,
            began_ms=seen.began_ms,
            ended_ms=seen.ended_ms,
            seen_ms=seen.until_ms,
            client=seen.client,
            summary=seen.summary,
            over=over and seen.until_ms <= self._past_ms,
            or_earlier=seen.before,
        )

    def _bring_up_to_date(self, known: Incident, seen: Seen) -> None:
        self._shown.add(known.key)
        if known.times > 1 and seen.until_ms < known.until_ms:
            return  # an earlier one of the times that it came
        apart = seen.began_ms > known.until_ms + HOLD_MS and not seen.before
        began_ms = self._began(known, seen)
        after = replace(
            known,
            severity=seen.severity,
            confidence=seen.confidence,
            began_ms=began_ms,
            ended_ms=seen.ended_ms,
            seen_ms=seen.until_ms,
            client=seen.client,
            summary=seen.summary,
            times=known.times + apart,
            or_earlier=known.or_earlier if began_ms == known.began_ms else seen.before,
        )
        if known.over:
            after = self._of_one_over(known, after)
        elif known.told and abs(began_ms - known.began_ms) > NEAR_MS:
            after = self._as_corrected(after)
        self._all[known.key] = after

    def _began(self, known: Incident, seen: Seen) -> int:
        if seen.before or seen.began_ms < known.began_ms:
            return min(known.began_ms, seen.began_ms)
        looked_at = known.began_ms >= self._begin_ms
        overlap = seen.began_ms <= known.until_ms
        return seen.began_ms if looked_at and overlap and known.times == 1 else known.began_ms

    def _of_one_over(self, known: Incident, after: Incident) -> Incident:
        """Of an incident that was over: it went on, or its times were others."""
        was_until, until = known.until_ms, after.until_ms
        if until > was_until + HOLD_MS:
            self.reopened.add(known.key)
            return self._as_corrected(replace(after, over=False))
        if known.began_ms < self._begin_ms and until < was_until:
            return known  # what is left of it in the time that was looked at
        if known.told and max(abs(until - was_until), abs(after.began_ms - known.began_ms)) > NEAR_MS:
            return self._as_corrected(after)
        return after

    def _as_corrected(self, incident: Incident) -> Incident:
        if incident.told:
            self.corrected.add(incident.key)
            return replace(incident, corrected=True)
        return incident

    def go_on_while_implied(self, seen: Iterable[Seen]) -> None:
        """What is full is busy: an incident that has made way for a graver one goes on with it."""
        for graver in seen:
            implied = replace(graver.matter, code=_IMPLIES.get(graver.matter.code, ""))
            for one in list(self._all.values()):
                if one.matter != implied or one.over or not _near(one, graver):
                    continue
                goes_on = graver.ended_ms is None or (one.ended_ms is None and one.key in self._shown)
                until = max(one.seen_ms, graver.until_ms)
                self._shown.add(one.key)
                self._all[one.key] = replace(one, ended_ms=None if goes_on else until, seen_ms=until)

    def end_what_is_gone(self) -> None:
        """What goes on and is not shown by a look whose time it reaches into was over when it was seen last."""
        for one in list(self._all.values()):
            if one.key in self._shown or one.over or one.matter.code == NOT_HEARD:
                continue
            if one.ended_ms is None and self._judged_ms - one.seen_ms >= HOLD_MS:
                self._all[one.key] = replace(one, ended_ms=one.seen_ms)

    def kept(self, now_ms: int) -> tuple[Incident, ...]:
        """Those that are remembered, in order of their begin."""
        kept = [one for one in self if not one.over or one.until_ms >= min(now_ms, self._judged_ms) - KEPT_MS]
        if len(kept) > MOST_INCIDENTS:
            kept = sorted(kept, key=lambda one: (one.is_open, one.began_ms))[-MOST_INCIDENTS:]
            kept.sort(key=lambda one: (one.began_ms, one.key))
        return tuple(kept)


def _waits(known: Incident, seen: Seen, held_back: Collection[Matter]) -> bool:
    """Whether an incident is to be told by what is seen of its matter later."""
    if known.told:
        return known.is_open and known.ended_ms is None and seen.before
    return not known.over and seen.matter in held_back


def _near(known: Incident, seen: Seen) -> bool:
    return known.began_ms <= seen.until_ms + HOLD_MS and seen.began_ms <= known.until_ms + HOLD_MS
