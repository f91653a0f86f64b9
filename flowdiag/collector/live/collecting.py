"""A collector from its settings: sockets, spool, store, processes, and what it says while it runs."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from itertools import chain

from flowdiag.collector.live import descriptors
from flowdiag.collector.live.allow import read_allow_list
from flowdiag.collector.live.answering import serving
from flowdiag.collector.live.connections import MAX_CONNECTIONS
from flowdiag.collector.live.counters import Decoded, Received
from flowdiag.collector.live.health import Health
from flowdiag.collector.live.metrics import HealthCollector, notify
from flowdiag.collector.live.settings import Settings
from flowdiag.collector.live.sockets import Address, listen, receive_buffer
from flowdiag.collector.live.spool import spool_lock
from flowdiag.collector.live.streams import server_context
from flowdiag.collector.live.supervisor import Supervisor
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.opening import open_backend


def collect(
    settings: Settings,
    addresses: Sequence[Address],
    *,
    metrics_port: int | None,
    say: Callable[[str], None],
    status: Callable[[str], None],
) -> None:
    """Collects until SIGTERM or SIGINT. say: prints a line; status: is given the status line each second.

    Raises UsageError for what was asked for wrongly, StoreError for a store or spool that cannot be used.
    """
    allow = read_allow_list(settings.allow, settings.allow_files)
    if settings.certificate is not None:
        server_context(settings.certificate, settings.key, settings.clients)
    limit = descriptors.raise_limit()
    descriptors.check(limit, workers=settings.workers, addresses=len(addresses))
    make_store(open_backend(settings.store))
    with spool_lock(settings.spool):
        sockets = listen(addresses, settings.workers, settings.buffer)
        health = _ReportedHealth(say, status)
        with serving(HealthCollector(health), lambda: health.wrong, metrics_port) as port:
            for own in sockets[0]:
                say(
                    f"listening at {_text(own.udp.getsockname())}, UDP and {'TLS' if settings.certificate else 'TCP'}"
                )
            held = min(receive_buffer(own.udp) for own in sockets[0]) // 2
            if held < settings.buffer:
                say(
                    f"the kernel holds {held >> 10} KiB of {settings.buffer >> 10} KiB asked for; "
                    "raise net.core.rmem_max, or bursts are lost"
                )
            room = descriptors.for_connections(limit, addresses=len(addresses))
            if room < MAX_CONNECTIONS:
                say(
                    f"{limit} file descriptors leave room for {room} connections of {MAX_CONNECTIONS:,} to a worker; "
                    "raise ulimit -n, or LimitNOFILE in the unit"
                )
            if port is not None:
                say(f"metrics at http://127.0.0.1:{port}/metrics")
            if allow.everybody:
                say("anybody who reaches this port may send: --allow narrows it")
            try:
                Supervisor(settings, sockets, allow, health, say).run(lambda: notify("READY=1"))
            finally:
                for pair in chain.from_iterable(sockets):
                    pair.udp.close()
                    pair.tcp.close()
        say(f"ended: {health.line()}")


class _ReportedHealth(Health):
    """Health that is also reported to the terminal and the service manager, at most once a second."""

    def __init__(self, say: Callable[[str], None], status: Callable[[str], None]) -> None:
        super().__init__(say)
        self._status = status
        self._reported = 0.0

    def update(self, received: Sequence[Received], decoded: Sequence[Decoded]) -> None:
        super().update(received, decoded)
        now = time.monotonic()
        if now - self._reported >= 1.0:
            self._reported = now
            line = self.line()
            self._status(line)
            notify(f"WATCHDOG=1\nSTATUS={line}")


def _text(name: tuple[str, int]) -> str:
    return str(Address(name[0], name[1]))
