"""Compute once per case: what several findings share is worked out by the first that asks and then kept.

The memory is weak: it goes when the case goes. A shared computation must therefore never hold the case
itself. Findings are looked for by several threads: who asks for what another is working out waits for it.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from threading import RLock
from typing import TypeVar
from weakref import WeakKeyDictionary

from flowdiag.diagnoser.case import Case

Value = TypeVar("Value")


def once_per_case(compute: Callable[[Case], Value]) -> Callable[[Case], Value]:
    """Decorate a function of a case so that it runs once for each case (by identity, not by content)."""
    known: WeakKeyDictionary[Case, Value] = WeakKeyDictionary()
    # One of its own: a shared computation asks for others, but never, by whatever way, for itself.
    lock = RLock()

    @wraps(compute)
    def remembered(case: Case) -> Value:
        with lock:
            if case not in known:
                known[case] = compute(case)
            return known[case]

    return remembered
