"""The errors a user may see. Each says which file, where in it, what was expected and what to do, in one line."""

from __future__ import annotations


class FlowdiagError(Exception):
    """Base of all errors meant for the user; the command line prints it as one line and exits 1.

    what: what is wrong; file: the input; offset: octets from its (decompressed) start;
    expected: what would have been right; advice: what to do.
    """

    def __init__(
        self,
        what: str,
        *,
        file: str | None = None,
        offset: int | None = None,
        expected: str | None = None,
        advice: str | None = None,
    ) -> None:
        super().__init__(what)
        self.what = what
        self.file = file
        self.offset = offset
        self.expected = expected
        self.advice = advice

    def __str__(self) -> str:
        where = self.file or ""
        if self.offset is not None:
            where += f" at octet {self.offset}" if where else f"octet {self.offset}"
        text = f"{where}: {self.what}" if where else self.what
        if self.expected:
            text += f"; expected {self.expected}"
        if self.advice:
            text += f"; {self.advice}"
        return text


class ExportError(FlowdiagError):
    """An export file, folder or stream that cannot be used at all."""


class OtherExporters(ExportError):
    """An export of which nothing comes from the exporters that were asked for."""


class ProfileError(FlowdiagError):
    """A site profile with a mistake in it: file, key and what is allowed."""


class ConfigError(FlowdiagError):
    """A flowdiag.toml that cannot be used, or that does not name what is needed."""


class WorkerLost(FlowdiagError):
    """A process that worked for this one came to its end."""


class StoreError(FlowdiagError):
    """A flow store that cannot be read or written."""


class StoreChanged(StoreError):
    """A file of a flow store that others removed while it was read."""

    def __init__(self, file: str) -> None:
        super().__init__("the store changed while it was read", file=file, advice="run this again")


class ClusterError(FlowdiagError):
    """A cluster that cannot be reached, or whose workers cannot do the work."""


class UsageError(FlowdiagError):
    """Wrong use of a command or function; the command line exits 2."""


class NotATime(UsageError):
    """Words that mean no time."""


class WrongSpan(UsageError):
    """A span of time that ends before it begins. span_ms: begin and end as they were understood, in ms since 1970 UTC."""

    def __init__(
        self,
        what: str,
        *,
        span_ms: tuple[int, int] = (0, 0),
        expected: str | None = None,
        advice: str | None = None,
    ) -> None:
        super().__init__(what, expected=expected, advice=advice)
        self.span_ms = span_ms


class OverlappingSpan(WrongSpan):
    """A span that overlaps the one that it is compared with."""
