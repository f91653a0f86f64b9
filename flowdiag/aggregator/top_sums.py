"""What may stand for flows that a ranking does not read: sums by key, as a store keeps them beside its flows."""

from __future__ import annotations

from typing import Protocol

from flowdiag.aggregator.build import Counting, Reduction
from flowdiag.aggregator.coverage_notes import Durations
from flowdiag.aggregator.partials import Partial
from flowdiag.aggregator.spread import WindowGrid
from flowdiag.aggregator.time_outliers import Span
from flowdiag.aggregator.top_ranking import Request


class NeedsFlows(Exception):
    """Sums cannot tell this; the flows that they stand for can."""


class Sums(Protocol):
    """Sums over flows that lie wholly in the window of a ranking, and in one window each where it has several."""

    @property
    def packets(self) -> tuple[float, float]:
        """Scaled for sampling, and as they were seen."""
        ...

    @property
    def durations(self) -> Durations:
        """A sample of the flows'."""
        ...

    def begin(self, reduction: Reduction) -> None:
        """Called before any batch is added to a reduction."""
        ...

    def learn(self, reduction: Reduction, span: Span) -> None:
        """Adds to a reduction what the decisions rest on, when all other batches were added and nothing is settled."""
        ...

    def partial(
        self, counting: Counting, request: Request, grid: WindowGrid | None, *, local_too: bool
    ) -> Partial:
        """The sums by key, in the numbers of Keys; with a grid by key and window of it (top_parts.STEP). local_too: traffic on
        no link counts as well. Raises NeedsFlows."""
        ...
