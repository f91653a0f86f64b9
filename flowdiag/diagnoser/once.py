"""Marks what is worked out once for a case and then kept by it (Case.signals)."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps

from flowdiag.diagnoser.case import Case, Value


def once_per_case(compute: Callable[[Case], Value]) -> Callable[[Case], Value]:
    """Decorate a function of a case so that it runs once for each case."""

    @wraps(compute)
    def remembered(case: Case) -> Value:
        return case.signals.of(case, compute)

    return remembered
