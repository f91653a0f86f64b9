"""The case in hand: everything a finding may look at."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from threading import RLock
from typing import Any, TypeVar

from msgspec import Struct, field
from msgspec.structs import force_setattr

from flowdiag.aggregator.carried import Carried, FlowsCarried
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.figures import Ranked
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.usage import Usage
from flowdiag.site.profile import Profile

Value = TypeVar("Value")


class Signals:
    """What several findings look at, worked out by the first that asks and kept as long as the case.

    Findings are looked for by several threads: who asks for what another is working out waits for it.
    """

    def __init__(self) -> None:
        self._values: dict[Callable[..., Any], Any] = {}
        self._locks: dict[Callable[..., Any], RLock] = {}

    def of(self, case: Case, compute: Callable[[Case], Value]) -> Value:
        """What compute() gives for the case these belong to."""
        # A lock for each: a signal asks for others, but never, by whatever way, for itself.
        with self._locks.setdefault(compute, RLock()):
            if compute not in self._values:
                self._values[compute] = compute(case)
            value: Value = self._values[compute]
            return value


class Case(Struct, frozen=True, eq=False):
    """window_ms: the complaint's window [from, to) in ms since 1970 UTC (all of the export when not given).

    usage is on 60 s windows over the whole export, not only the complaint's window; flows likewise.
    reported: what the client said; None, empty or blank means an audit, not a complaint.
    sums: of a long time, what the links carried by roll-ups; flows then stand for those that were not read, and parts are
    the cases of the times that were looked at in the flows, in order. None: by the flows, which are all. whole_ms: of such
    a part, the window of the long time, by which its sentences tell times. rankings: of a long time, by kind, where they are
    better known than by flows.
    signals: what findings have in common; a case that replaces another has its own.
    """

    profile: Profile
    flows: SiteFlows
    usage: Usage
    coverage: Coverage
    window_ms: tuple[int, int]
    window_given: bool = False
    reported: str | None = None
    sums: Carried | None = None
    parts: tuple[Case, ...] = ()
    whole_ms: tuple[int, int] | None = None
    rankings: Mapping[str, tuple[Ranked, ...]] = field(default_factory=dict)
    signals: Signals = field(default_factory=Signals)

    def __post_init__(self) -> None:
        # Also of a case that replace() made of another: what that one worked out is not this one's.
        force_setattr(self, "signals", Signals())

    @property
    def carried(self) -> Carried:
        """What the links carried in any time."""
        return FlowsCarried(self.flows, self.profile) if self.sums is None else self.sums

    @property
    def told_ms(self) -> tuple[int, int]:
        """The window by which sentences tell times: on more than one day they need dates."""
        return self.whole_ms or self.window_ms

    @property
    def looked_at(self) -> tuple[Case, ...]:
        """The cases whose flows are those that were exported: this one, or its parts."""
        return (self,) if self.sums is None else self.parts

    @property
    def is_audit(self) -> bool:
        """Whether nobody complained: what was reported is missing or blank."""
        return not (self.reported or "").strip()
