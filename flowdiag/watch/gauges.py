"""What a watch knows, for machines: a gauge for each site, link and finding that goes on, and how the watch itself is.

Facts the design follows:
- names are those that Prometheus asks for: a unit at the end, "timestamp" for a time since 1970;
- what ended is no zero but gone: sites and findings come and go, and a zero for each that ever was would never end.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from typing import Final

from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from flowdiag.text.escape import terminal
from flowdiag.watch.everywhere import ALL
from flowdiag.watch.holding import Held
from flowdiag.watch.printing import OUTPUT
from flowdiag.watch.watcher import Round

_PREFIX: Final = "flowdiag_watch_"
MOST: Final = 20_000  # findings that are given; more would be more than a monitor takes
LABELS: Final = ("site", "place", "link", "direction", "code", "severity")


class WatchGauges(Collector):
    """held: the parts as they are now. Asked from another thread than the watch's."""

    def __init__(self, held: Callable[[], Mapping[str, Held]], every_s: float) -> None:
        self._held, self._every_s = held, every_s
        self._last: Round | None = None
        self._wrong: dict[str, str] = {}

    def done(self, last: Round) -> None:
        self._last = last
        self._wrong.pop("store", None)

    def failed(self, error: Exception) -> None:
        self._wrong["store"] = str(error)

    def wrong(self) -> Mapping[str, str]:
        """What is wrong now, by a short name."""
        late = {}
        if self._last is not None and self._last.took_s > self._every_s:
            late["late"] = (
                f"a round of {self._last.sites} sites took {self._last.took_s:.0f} s, longer than --every"
            )
        return {**self._wrong, **late}

    def collect(self) -> Iterator[Metric]:
        held = self._held()
        parts = [one.part for _, one in sorted(held.items())]
        going_on = GaugeMetricFamily(
            _PREFIX + "finding", "1 for each finding that was told and goes on.", labels=LABELS
        )
        heard = GaugeMetricFamily(
            _PREFIX + "site_heard_timestamp_seconds",
            "When the exporter of a site was heard last.",
            labels=("site", "place"),
        )
        count = 0
        for part in parts:
            for place, memory in sorted(part.sites.items()):
                site = terminal(memory.name)
                if memory.state.heard_ms is not None and place != ALL.place:
                    heard.add_metric([site, place], memory.state.heard_ms / 1000)
                for one in memory.incidents:
                    if one.is_open and count < MOST:
                        count += 1
                        matter = one.matter
                        labels = [site, place, matter.link or "", matter.direction or "", matter.code]
                        going_on.add_metric([*labels, one.severity], 1)
        yield going_on
        yield heard
        yield _gauge("parts", "Parts of the sites that this watch looks after, of 32.", len(parts))
        waiting = sum(letter.target != OUTPUT for part in parts for letter in part.letters)
        yield _gauge("letters_waiting", "Messages that wait to be sent, or to be sent again.", waiting)
        if self._last is not None:
            yield _gauge("sites", "Sites looked at in the last round.", self._last.sites)
            yield _gauge(
                "sites_failed", "Of these, sites that could not be looked at.", len(self._last.faults)
            )
            yield _gauge("round_seconds", "How long the last round took.", self._last.took_s)
            age = time.time() - self._last.now_ms / 1000
            yield _gauge("round_age_seconds", "How long ago the last round began.", age)
        yield _gauge("healthy", "1 if nothing is wrong now.", not self.wrong())


def _gauge(name: str, text: str, value: float) -> Metric:
    return GaugeMetricFamily(_PREFIX + name, text, value)
