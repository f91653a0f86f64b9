"""Copies of a message: the same octets in the same session again, soon after (RFC 7011 9, RFC 3954 9)."""

from __future__ import annotations

from collections import deque

from flowdiag.collector.datagram import Session
from flowdiag.collector.run import Run


class Recent:
    """The last `count` messages of all sessions. payloads and sessions are in step; the short way adds to them itself.

    A run stands whole in payloads until somebody asks, which few streams give reason to; what came before the last
    `count` messages may then stand there too.
    """

    def __init__(self, count: int) -> None:
        self.payloads: deque[bytes | Run] = deque(maxlen=count)
        self.sessions: deque[Session] = deque(maxlen=count)
        self._count = count
        self._runs = False

    def add(self, session: Session, payload: bytes | Run) -> None:
        self.payloads.append(payload)
        self.sessions.append(session)

    def add_run(self, run: Run) -> None:
        self.add(run.session, run)
        self._runs = True
        messages = 0
        for items, payload in enumerate(reversed(self.payloads), 1):
            messages += payload.messages if isinstance(payload, Run) else 1
            if messages >= self._count:  # the octets that runs stand in are let go of
                for _ in range(len(self.payloads) - items):
                    self.payloads.popleft()
                    self.sessions.popleft()
                return

    def holds(self, session: Session, payload: bytes) -> bool:
        if self._runs:
            self._take_runs_apart()
        return payload in self.payloads and any(
            known == payload and sender == session
            for known, sender in zip(self.payloads, self.sessions, strict=True)
        )

    def _take_runs_apart(self) -> None:
        known = list(zip(self.sessions, self.payloads, strict=True))
        for session, payload in known:
            if isinstance(payload, Run):
                for index in range(payload.messages):
                    self.add(session, payload.message(index).payload)
            else:
                self.add(session, payload)
        self._runs = False
