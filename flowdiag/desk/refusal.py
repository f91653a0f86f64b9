"""Why a request is refused."""

from __future__ import annotations

from flowdiag.errors import FlowdiagError


class Refused(FlowdiagError):
    """A request that is refused. status: of HTTP."""

    def __init__(self, status: int, what: str) -> None:
        super().__init__(what)
        self.status = status
