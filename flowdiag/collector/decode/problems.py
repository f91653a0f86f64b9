"""Problems of an export, counted by file and wording and bounded in kind."""

from __future__ import annotations

from typing import Final

from flowdiag.collector.report import ExportReport, Problem

FURTHER: Final = "further kinds of problem"


class Problems:
    """Adds to a report's problems without searching them."""

    def __init__(self, report: ExportReport, bound: int) -> None:
        self._report = report
        self._bound = bound
        self._known: dict[tuple[str, str], Problem] = {}

    def forget(self) -> None:
        """Counts anew: the report's problems were taken."""
        self._known.clear()

    def add(self, file: str, offset: int | None, what: str, count: int = 1) -> None:
        known = self._known.get((file, what))
        if known is not None:
            known.count += count
            if offset is not None and (known.offset is None or offset < known.offset):
                # Templates are decoded one after another: what comes first is not always noted first.
                known.offset = offset
            return
        if len(self._known) >= self._bound and what != FURTHER:
            self.add("", None, FURTHER, count)
            return
        problem = self._known[file, what] = Problem(file, offset, what, count)
        self._report.problems.append(problem)
