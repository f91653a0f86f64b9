"""The one way in which octets can be wrong."""

from __future__ import annotations


class Malformed(Exception):
    """A message that contradicts itself. str() says how; at: octets from the start of the message."""

    def __init__(self, what: str, at: int = 0) -> None:
        super().__init__(what)
        self.at = at
