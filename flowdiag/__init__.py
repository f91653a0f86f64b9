"""flowdiag: from a router's flow export to a plain-language answer to "my internet is slow"."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flowdiag.collector.export import read_export as read_export

__version__ = "0.1.0"
__all__ = ["__version__", "read_export"]


def __getattr__(name: str) -> Any:
    # Heavy imports stay lazy, so that `flowdiag --help` starts quickly.
    if name == "read_export":
        from flowdiag.collector.export import read_export

        return read_export
    raise AttributeError(f"module 'flowdiag' has no attribute {name!r}")
