"""Connections of browsers and programs: how many, and how long one may take to ask, or to read what it asked for.

Facts the design follows:
- uvicorn waits for a request's head as long as octets come, and for a reader without end; a few thousand connections that
  drip would take every descriptor (CWE-400, often called slowloris);
- behind a proxy all connections are the proxy's, which has limits of its own.
"""

from __future__ import annotations

import asyncio
import resource
from collections import Counter
from typing import Any, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

from flowdiag.desk.access.rates import address_key

ASK_S: Final = 10.0  # from a connection, or the end of an answer, to the end of the next request's head
READ_S: Final = 30.0  # in which a reader takes some of what waits for it
MOST: Final = 2_000
DESCRIPTORS_PART: Final = 0.7  # of those that the process may have; files and workers need the rest
ADDRESS_PART: Final = 0.25  # of all, for one address


class Connections:
    """How many there are, in all and of each address."""

    def __init__(self, most: int, of_address: int) -> None:
        self._most, self._of_address = most, of_address
        self._open: Counter[str] = Counter()

    def enter(self, address: str) -> bool:
        """Whether there is room for another one, which then counts."""
        if self._open.total() >= self._most or self._open[address] >= self._of_address:
            return False
        self._open[address] += 1
        return True

    def leave(self, address: str) -> None:
        self._open[address] -= 1
        if self._open[address] <= 0:
            del self._open[address]


def usual_connections(behind_proxy: bool) -> Connections:
    """As many as the process may have descriptors for."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = MOST if soft == resource.RLIM_INFINITY else min(MOST, int(soft * DESCRIPTORS_PART))
    return Connections(most, most if behind_proxy else int(most * ADDRESS_PART))


def protocol(connections: Connections, ask_s: float = ASK_S, read_s: float = READ_S) -> type[H11Protocol]:
    """uvicorn's protocol with these limits."""

    class BoundedProtocol(H11Protocol):
        def __init__(self, *given: Any, **named: Any) -> None:
            super().__init__(*given, **named)
            self._entered: str | None = None
            self._to_ask, self._to_read = _Timer(ask_s), _Timer(read_s)

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            address = address_key(self.client[0] if self.client else "")
            if not connections.enter(address):
                transport.abort()
                return
            self._entered = address
            self._wait()

        def connection_lost(self, exc: Exception | None) -> None:
            if self._entered is not None:
                connections.leave(self._entered)
            self._to_ask.stop()
            self._to_read.stop()
            super().connection_lost(exc)

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            self._wait()

        def on_response_complete(self) -> None:
            super().on_response_complete()
            self._wait()

        def pause_writing(self) -> None:
            super().pause_writing()
            self._to_read.run(self.transport)

        def resume_writing(self) -> None:
            super().resume_writing()
            self._to_read.stop()

        def _wait(self) -> None:
            """The time to ask runs while nothing is asked, whatever octets come."""
            if self.cycle is not None and not self.cycle.response_complete:
                self._to_ask.stop()
            elif not self.transport.is_closing():
                self._to_ask.run(self.transport)

    return BoundedProtocol


class _Timer:
    """Cuts a connection off after some seconds, unless it is stopped before."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._handle: asyncio.TimerHandle | None = None

    def run(self, transport: asyncio.Transport) -> None:
        """Where it runs already it runs on."""
        if self._handle is None:
            self._handle = asyncio.get_running_loop().call_later(self._seconds, transport.abort)

    def stop(self) -> None:
        if self._handle is not None:
            self._handle.cancel()
            self._handle = None
