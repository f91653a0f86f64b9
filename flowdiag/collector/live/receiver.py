"""The process that receives: sockets in, spool out, nothing else.

Facts the design follows:
- whatever keeps it from its sockets for longer than the kernel's buffer lasts costs datagrams. So it decodes nothing
  and waits for no disk; what it writes goes to the page cache, and a thread forces it out (spool.py);
- it hears of its supervisor by a pipe; the end of the pipe is the end of the supervisor, and then it ends as well.
"""

from __future__ import annotations

import selectors
import signal
import time
from multiprocessing.connection import Connection
from typing import Any, Final

from flowdiag.addresses import to_bytes
from flowdiag.collector.live import descriptors
from flowdiag.collector.live.allow import AllowList, plain
from flowdiag.collector.live.connections import MAX_CONNECTIONS, Connections
from flowdiag.collector.live.counters import MAX_LISTED, Received
from flowdiag.collector.live.senders import Exporters, Senders
from flowdiag.collector.live.settings import Settings
from flowdiag.collector.live.sockets import Listening
from flowdiag.collector.live.spool import SpoolWriter
from flowdiag.collector.live.streams import StreamIntake, server_context
from flowdiag.collector.live.udp import UdpIntake

TICK_S: Final = 1.0
# What the kernel still holds is taken at the end, as long as that is a matter of moments.
LAST_BATCHES: Final = 1_000
LAST_S: Final = 2.0
STOP: Final = "stop"
# Datagrams, whose senders do not wait, have their turn after so many reads from connections: some 10 ms of work.
_STREAMS_BETWEEN_DATAGRAMS: Final = 16


def run_receiver(
    settings: Settings, worker: int, sockets: list[Listening], allow: AllowList, pipe: Connection
) -> None:
    """The whole life of the process."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)  # the supervisor passes on what they mean
    receiver = Receiver(settings, worker, sockets, allow)
    receiver.run(pipe)


class Receiver:
    """One worker's sockets and spool."""

    def __init__(self, settings: Settings, worker: int, sockets: list[Listening], allow: AllowList) -> None:
        self._spool = SpoolWriter(
            settings.folder(worker),
            sync_s=settings.sync_s,
            seconds=settings.segment_s,
            octets=settings.segment_octets,
            reserve=settings.reserve,
        )
        self._exporters = Exporters(allow, settings.rate)
        self._selector = selectors.DefaultSelector()
        tls = None
        if settings.certificate is not None:
            tls = server_context(settings.certificate, settings.key, settings.clients)
        room = descriptors.for_connections(descriptors.limit(), addresses=len(sockets))
        self._connections = Connections(self._selector, min(MAX_CONNECTIONS, room))
        self._udp: list[UdpIntake] = []
        self._tcp: list[StreamIntake] = []
        for udp, tcp in sockets:
            address = udp.getsockname()
            senders = Senders(self._exporters, to_bytes(plain(address[0])), address[1])
            intake = UdpIntake(udp, senders)
            self._selector.register(udp, selectors.EVENT_READ, (intake, None))
            self._udp.append(intake)
            self._tcp.append(StreamIntake(tcp, senders, self._selector, self._connections, tls))
        self._held: list[bytes] = []  # messages of streams that could not be written yet
        self._unspooled = 0

    def run(self, pipe: Connection) -> None:
        """Receives until the pipe says so or ends."""
        self._selector.register(pipe, selectors.EVENT_READ, (pipe, None))
        last = time.monotonic()
        going = True
        while going:
            for count, (key, _) in enumerate(self._selector.select(TICK_S), 1):
                source, connection = key.data
                if source is pipe:
                    going = self._read_command(pipe)
                else:
                    self._take(source, connection)
                if not count % _STREAMS_BETWEEN_DATAGRAMS:
                    for intake in self._udp:
                        self._take_datagrams(intake)
            now = time.monotonic()
            if now - last >= TICK_S:
                self._tick(now - last)
                last = now
                going = going and _send_counters(pipe, self.counters())
        self.finish()
        _send_counters(pipe, self.counters())

    def finish(self) -> None:
        """Takes what the kernel holds, and closes the spool."""
        for intake in self._udp:
            for _ in range(LAST_BATCHES):
                if not self._take_datagrams(intake):
                    break
        self._exporters.refill(TICK_S)
        until = time.monotonic() + LAST_S
        for streams in self._tcp:
            for _ in streams.rest(self._held):
                self._write_held()
                if self._held or time.monotonic() > until:
                    break
            streams.close()
        self._write_held()
        self._unspooled += len(self._held)
        self._spool.finish()
        self._exporters.refill(0)

    def counters(self) -> Received:
        """The state now, as the supervisor gets it."""
        spool = self._spool
        exporters = self._exporters.heard()[:MAX_LISTED]
        return Received(
            datagrams=self._exporters.taken,
            not_allowed=self._exporters.not_allowed,
            limited=self._exporters.limited,
            kernel_drops=sum(intake.dropped() for intake in self._udp),
            unspooled=self._unspooled + spool.removed,
            spooled=spool.datagrams,
            synced=spool.synced,
            octets=spool.octets,
            connections=len(self._connections),
            connections_refused=self._connections.refused,
            connections_displaced=self._connections.displaced,
            connections_slow=self._connections.slow,
            connections_broken=self._connections.broken,
            senders_forgotten=self._exporters.forgotten,
            full=spool.full,
            trouble=spool.trouble,
            exporters={e.name: (e.taken, e.limited) for e in exporters if e.taken or e.limited},
            heard={e.name: e.heard for e in exporters if e.heard},
        )

    def _read_command(self, pipe: Connection) -> bool:
        """Takes a command of the supervisor: another allow list, or STOP; False for STOP and once it is gone."""
        try:
            command: Any = pipe.recv()
        except (EOFError, OSError):
            return False
        if isinstance(command, AllowList):
            self._exporters.allow(command)
        return bool(command != STOP)

    def _take(self, source: Any, connection: Any) -> None:
        if isinstance(source, UdpIntake):
            self._take_datagrams(source)
        elif connection is None:
            source.accept()
        elif self._spool.full:
            source.hold(connection)
        else:
            taken = source.read(connection, self._held)
            if taken or self._held:
                self._write_held()

    def _take_datagrams(self, intake: UdpIntake) -> int:
        parts: list[bytes] = []
        taken = intake.take(parts)
        if taken and not self._spool.append(parts, taken):
            self._unspooled += taken
        return taken

    def _write_held(self) -> None:
        """Writes the messages that wait to the spool, all or none."""
        if self._held and self._spool.append(self._held, len(self._held)):
            self._held.clear()

    def _tick(self, seconds: float) -> None:
        self._exporters.refill(seconds)
        self._spool.tick()
        self._write_held()
        for streams in self._tcp:
            streams.tick(hold=bool(self._spool.full))
        self._connections.close_slow()


def _send_counters(pipe: Connection, counters: Received) -> bool:
    """False if nobody listens any more."""
    try:
        pipe.send(counters)
    except OSError:
        return False
    return True
