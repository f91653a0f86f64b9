"""Copies of a message: the same octets in the same session again, soon after (RFC 7011 9, RFC 3954 9)."""

from __future__ import annotations

from collections import deque

from flowdiag.collector.datagram import Session


class Recent:
    """The last messages of all sessions. payloads and sessions are in step; the short way adds to them itself."""

    def __init__(self, count: int) -> None:
        self.payloads: deque[bytes] = deque(maxlen=count)
        self.sessions: deque[Session] = deque(maxlen=count)

    def add(self, session: Session, payload: bytes) -> None:
        self.payloads.append(payload)
        self.sessions.append(session)

    def holds(self, session: Session, payload: bytes) -> bool:
        return payload in self.payloads and any(
            known == payload and of == session for known, of in zip(self.payloads, self.sessions, strict=True)
        )
