"""Why a request is refused."""

from __future__ import annotations

from collections.abc import Mapping

from flowdiag.errors import FlowdiagError


class Refused(FlowdiagError):
    """A request that is refused. status: of HTTP; headers: that go with it."""

    def __init__(self, status: int, what: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(what)
        self.status = status
        self.headers = dict(headers or {})
