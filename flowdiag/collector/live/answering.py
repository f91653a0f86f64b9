"""Metrics and health over HTTP on loopback: /metrics in the Prometheus text format, /health with 200 or 503 and what
is wrong.

Facts the design follows:
- names of exporters are nobody else's business, so it is loopback only: whoever wants them elsewhere puts a proxy of
  their own before it. But any user of the machine reaches loopback, so whoever asks is bounded: in octets of a request,
  in time until it is answered and read, and in number, beyond which who came first gives way;
- nobody waits for anybody: one thread does all of them (asyncio), and ends at once when the collector does;
- an answer whose request was not read to its end is lost with the connection's reset (RFC 9112 9.6): a little more is
  read before that.
"""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import Final, NamedTuple

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.registry import Collector

from flowdiag.errors import UsageError

LOOPBACK: Final = "127.0.0.1"
# A request with all its headers; what watches a collector sends some hundred octets.
MAX_REQUEST: Final = 8_192
MAX_CLIENTS: Final = 32
CLIENT_S: Final = 5.0
_END_OF_HEAD: Final = b"\r\n\r\n"
_MAX_LEFT: Final = 65_536  # read of what a client sends beyond its request
_TEXT: Final = "text/plain; charset=utf-8"
# The version of the Prometheus text format that each of its readers takes.
_METRICS: Final = "text/plain; version=0.0.4; charset=utf-8"


Wrong = Callable[[], Mapping[str, str]]


class Answer(NamedTuple):
    status: str
    body: bytes
    content_type: str = _TEXT
    more: tuple[str, ...] = ()  # other headers


@contextmanager
def serving(collector: Collector, wrong: Wrong, port: int | None) -> Iterator[int | None]:
    """Serves on loopback meanwhile; gives the port, None for none. wrong: what is wrong now, by name, for /health. Raises
    UsageError for a port that is taken."""
    if port is None:
        yield None
        return
    try:
        listener = socket.create_server((LOOPBACK, port), backlog=MAX_CLIENTS)
    except OSError as error:
        raise UsageError(
            f"the metrics cannot be served at {LOOPBACK}:{port} ({error.strerror or error})",
            expected="a free port for --metrics-port, or 'none'",
        ) from error
    loop = asyncio.new_event_loop()
    server = _Server(collector, wrong)
    thread = threading.Thread(
        target=loop.run_until_complete, args=(server.run(listener),), name="metrics", daemon=True
    )
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        loop.call_soon_threadsafe(server.ending.set)
        thread.join()
        loop.close()


class _Server:
    def __init__(self, collector: Collector, wrong: Wrong) -> None:
        self._wrong = wrong
        registry = CollectorRegistry(auto_describe=False)
        registry.register(collector)
        self._pages: dict[str, Callable[[], Answer]] = {
            "/metrics": lambda: Answer("200 OK", generate_latest(registry), _METRICS),
            "/health": self._health_page,
        }
        self._clients: dict[asyncio.Task[None], None] = {}  # in the order in which they came
        self.ending = asyncio.Event()

    async def run(self, listener: socket.socket) -> None:
        """Serves until `ending` is set."""
        server = await asyncio.start_server(self._client, sock=listener, limit=MAX_REQUEST)
        await self.ending.wait()
        server.close()
        clients = asyncio.all_tasks() - {asyncio.current_task()}
        for client in clients:
            client.cancel()
        await asyncio.gather(*clients, return_exceptions=True)

    async def _client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._clients[task] = None
        if len(self._clients) > MAX_CLIENTS:
            oldest = next(iter(self._clients))
            del self._clients[oldest]
            oldest.cancel()
        try:
            with suppress(TimeoutError, OSError, asyncio.CancelledError):
                async with asyncio.timeout(CLIENT_S):
                    await self._talk(reader, writer)
        finally:
            self._clients.pop(task, None)
            writer.transport.abort()  # all that was to be sent has been, or never will be

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Raises OSError."""
        writer.transport.set_write_buffer_limits(0)  # so that drain() waits until all is sent
        head_only = False
        try:
            head = await reader.readuntil(_END_OF_HEAD)
        except asyncio.IncompleteReadError:
            return
        except asyncio.LimitOverrunError:
            answer = _plain("431 Request Header Fields Too Large")
        else:
            answer = self._answer(head)
            head_only = head.startswith(b"HEAD ")
        lines = [
            f"HTTP/1.1 {answer.status}",
            f"Content-Type: {answer.content_type}",
            f"Content-Length: {len(answer.body)}",
            "Connection: close",
            *answer.more,
        ]
        writer.write("\r\n".join(lines).encode() + _END_OF_HEAD + (b"" if head_only else answer.body))
        await writer.drain()
        writer.write_eof()
        left = _MAX_LEFT
        while left > 0 and (octets := await reader.read(left)):
            left -= len(octets)

    def _answer(self, head: bytes) -> Answer:
        words = head.partition(b"\r\n")[0].split(b" ")
        if len(words) != 3 or not words[2].startswith(b"HTTP/1."):
            return _plain("400 Bad Request")
        page = self._pages.get(words[1].partition(b"?")[0].decode("latin-1"))
        if page is None:
            return _plain("404 Not Found")
        if words[0] not in (b"GET", b"HEAD"):
            return _plain("405 Method Not Allowed")._replace(more=("Allow: GET, HEAD",))
        return page()

    def _health_page(self) -> Answer:
        wrong = self._wrong()
        text = "".join(f"{text}\n" for text in wrong.values() or ["ok"])
        return Answer("503 Service Unavailable" if wrong else "200 OK", text.encode())


def _plain(status: str) -> Answer:
    return Answer(status, f"{status}\n".encode())
