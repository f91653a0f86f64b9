"""Account review: which sites have outgrown their plan, from the flow store, for many sites over months.

One site-day of flows becomes a small mergeable partial (site_day.py), which is kept beside the flows (cache.py). The
partials of a site merge into one (partial.py), on which every judgement rests; the same functions run in one process, in
several, or on a cluster (workers.py).

The package is also the function of its name, `flowdiag.review(store, sites)`, whichever of both is met first.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import Any

__all__ = [
    "as_csv",
    "as_json",
    "as_text",
    "as_xlsx",
    "frame",
    "pages",
    "period",
    "portfolio_review",
    "site_review",
    "sites",
]


class _Callable(ModuleType):
    def __call__(self, *words: Any, **options: Any) -> Any:
        """See flowdiag.api.review()."""
        return import_module("flowdiag.api").review(*words, **options)


sys.modules[__name__].__class__ = _Callable
