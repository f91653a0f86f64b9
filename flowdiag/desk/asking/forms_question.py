"""Usage and rankings of a span as the command line writes them: JSON and CSV."""

from __future__ import annotations

from typing import Any

from msgspec import Struct

from flowdiag.desk.asking.question import Progress
from flowdiag.desk.asking.span_question import LinkQuestion


class Figures(Struct, frozen=True):
    """The same figures in two forms."""

    json: str
    csv: str


class UsageFormsQuestion(LinkQuestion, frozen=True):
    """Each link's rate. step_s: length of the windows, None for the usual one."""

    step_s: int | None = None

    def answer(self, progress: Progress) -> Figures:
        """Raises what report_usage() raises."""
        from flowdiag.export_usage import report_usage
        from flowdiag.forms.usage import as_csv, as_json

        report = report_usage(
            [self.store],
            self.profile(),
            window_from=self.window_from,
            window_to=self.window_to,
            window_ms=None if self.step_s is None else self.step_s * 1000,
            link=self.link,
            direction=self.direction,
            progress=progress,
        )
        return Figures(as_json(report), as_csv(report))


class TopFormsQuestion(LinkQuestion, frozen=True):
    """kind, by, limit: as `flowdiag top` has them."""

    kind: str = "talkers"
    by: str = "octets"
    limit: int = 20

    def answer(self, progress: Progress) -> Figures:
        """Raises what rank_export() raises."""
        from flowdiag.aggregator.site_flows import DIRECTION_NAMES
        from flowdiag.aggregator.top_ranking import Request
        from flowdiag.export_ranking import rank_export
        from flowdiag.forms.top import Outside, as_csv, as_json
        from flowdiag.pipeline import link_named

        profile = self.profile()
        kind: Any = self.kind
        by: Any = self.by
        request = Request(
            kind=kind,
            by=by,
            limit=self.limit,
            link=None if self.link is None else link_named(profile, self.link),
            direction=None if self.direction is None else DIRECTION_NAMES.index(self.direction),
            window_from=self.window_from,
            window_to=self.window_to,
        )
        top = rank_export([self.store], profile, request, progress)
        outside = Outside(top, None, resolve=False)
        return Figures(as_json(top, outside), as_csv(top, outside))
