"""flowdiag: from a router's flow export to a plain-language answer to "my internet is slow"."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from flowdiag.api import Diagnosis as Diagnosis
    from flowdiag.api import diagnose as diagnose
    from flowdiag.api import read_profile as read_profile
    from flowdiag.api import review as review
    from flowdiag.api import top as top
    from flowdiag.api import usage as usage
    from flowdiag.collector.export import read_export as read_export

__version__ = "0.1.0"
__all__ = [
    "Diagnosis",
    "__version__",
    "diagnose",
    "read_export",
    "read_profile",
    "review",
    "top",
    "usage",
]
# Where each name is that api.py does not have; the package of reviews is the function too.
_ELSEWHERE: Final = {"read_export": "flowdiag.collector.export"}
_PACKAGES: Final = ("review",)


def __getattr__(name: str) -> Any:
    # Heavy imports stay lazy, so that `flowdiag --help` starts quickly.
    if name not in __all__:
        raise AttributeError(f"module 'flowdiag' has no attribute {name!r}")
    if name in _PACKAGES:
        return import_module(f"flowdiag.{name}")
    return getattr(import_module(_ELSEWHERE.get(name, "flowdiag.api")), name)
