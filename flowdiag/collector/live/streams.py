"""IPFIX over TCP, and over TLS where a certificate is given (RFC 7011 10.4, 11.1).

Facts the design follows:
- messages follow each other without anything between (RFC 7011 10.4.3); each gives its own length. What is no IPFIX
  message cannot be resynchronised: the collector closes the connection (RFC 7011 9: "shut down the transport session");
- a message goes to the spool as a datagram of the same addresses and ports, so one spool serves all transports. A
  template that is withdrawn stays known until it is defined anew: no difference for an exporter that keeps the rules;
- TCP makes its sender wait. So who has no credit, and everybody while the disk is full, is not read from, and
  nothing is lost; connections are few and bounded, and so is what each holds: one message.
"""

from __future__ import annotations

import selectors
import socket
import ssl
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Final

from flowdiag.collector.frames import packet_record
from flowdiag.collector.live.senders import Sender, Senders
from flowdiag.collector.readers.framing import IPFIX, IPFIX_HEADER
from flowdiag.errors import UsageError

MAX_CONNECTIONS: Final = 1_024
MAX_CONNECTIONS_OF_EXPORTER: Final = 16
HANDSHAKE_S: Final = 10.0
# Read from one connection before the others have their turn: the longest message, or many short ones.
_READ_OCTETS: Final = 65_536
# As often at the end: more than the largest buffer that the kernel has for a connection (net.ipv4.tcp_rmem).
_LAST_READS: Final = 128
# The other end is gone without a word after so many seconds without an answer.
_KEEPALIVE: Final = ((socket.TCP_KEEPIDLE, 60), (socket.TCP_KEEPINTVL, 20), (socket.TCP_KEEPCNT, 3))


def server_context(certificate: Path, key: Path | None, clients: Path | None) -> ssl.SSLContext:
    """TLS 1.2 and later with a certificate (PEM). clients: the authorities whose exporters may send; None for all.

    Raises UsageError for files that cannot be used.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(certificate, key)
        if clients is not None:
            context.load_verify_locations(clients)
            context.verify_mode = ssl.CERT_REQUIRED
    except (OSError, ssl.SSLError) as error:
        raise UsageError(
            f"the certificate cannot be used ({error.strerror or error})",
            file=str(certificate),
            expected="a certificate and its key in PEM form",
        ) from error
    return context


class _Connection:
    def __init__(self, stream: socket.socket, address: tuple[str, int], sender: Sender, by: float) -> None:
        self.stream = stream
        self.address = address
        self.sender = sender
        self.by = by  # when the handshake has to be done; 0 when it is
        self.buffer = bytearray()
        self.paused = False


class StreamIntake:
    """The connections to one listening socket, which is set not to block.

    refused: connections of those who may not send, or too many; broken: closed for what is no IPFIX or no TLS.
    """

    def __init__(
        self,
        listener: socket.socket,
        senders: Senders,
        selector: selectors.BaseSelector,
        tls: ssl.SSLContext | None,
    ) -> None:
        self.socket = listener
        self._senders = senders
        self._selector = selector
        self._tls = tls
        self._connections: dict[socket.socket, _Connection] = {}
        self._of_exporter: Counter[bytes] = Counter()
        self.refused = 0
        self.broken = 0

    @property
    def connections(self) -> int:
        return len(self._connections)

    def accept(self) -> None:
        """Takes one connection that waits."""
        try:
            stream, address = self.socket.accept()
        except OSError:  # gone again, or no descriptors left
            return
        sender = self._senders.get(address)
        own = self._of_exporter[sender.exporter.address]
        if (
            not sender.exporter.allowed
            or own >= MAX_CONNECTIONS_OF_EXPORTER
            or len(self._connections) >= MAX_CONNECTIONS
        ):
            self.refused += 1
            stream.close()
            return
        by = 0.0
        try:
            stream.setblocking(False)
            stream.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, True)
            for option, value in _KEEPALIVE:
                stream.setsockopt(socket.IPPROTO_TCP, option, value)
            if self._tls is not None:
                stream = self._tls.wrap_socket(stream, server_side=True, do_handshake_on_connect=False)
                by = time.monotonic() + HANDSHAKE_S
        except OSError:  # reset meanwhile
            stream.close()
            return
        connection = self._connections[stream] = _Connection(stream, address, sender, by)
        self._of_exporter[sender.exporter.address] += 1
        self._selector.register(stream, selectors.EVENT_READ, (self, connection))

    def read(self, connection: _Connection, parts: list[bytes]) -> int:
        """Appends the messages that have come on a connection, as packets of a capture. Gives their number."""
        if connection.sender.exporter.credit <= 0:
            self._pause(connection)
            return 0
        stream = connection.stream
        try:
            if connection.by and isinstance(stream, ssl.SSLSocket):
                stream.do_handshake()
                connection.by = 0.0
                self._selector.modify(stream, selectors.EVENT_READ, (self, connection))
            octets = stream.recv(_READ_OCTETS)
            while isinstance(stream, ssl.SSLSocket) and stream.pending():  # no event tells of these
                octets += stream.recv(stream.pending())
        except (ssl.SSLWantReadError, BlockingIOError):
            return 0
        except ssl.SSLWantWriteError:
            self._selector.modify(stream, selectors.EVENT_READ | selectors.EVENT_WRITE, (self, connection))
            return 0
        except ssl.SSLError:
            self.broken += 1
            self._drop(connection)
            return 0
        except OSError:
            self._drop(connection)
            return 0
        if not octets:
            self._drop(connection)
            return 0
        connection.buffer += octets
        return self._messages(connection, parts)

    def tick(self, *, hold: bool) -> None:
        """Each second: reads again from those who had to wait; closes those who do not get on, or may not send any more.

        hold: nobody is read from, because nothing can be written.
        """
        now = time.monotonic()
        for connection in list(self._connections.values()):
            connection.sender = self._senders.get(connection.address)
            if not connection.sender.exporter.allowed:
                self.refused += 1
                self._drop(connection)
            elif connection.by and now > connection.by:
                self.broken += 1
                self._drop(connection)
            elif hold:
                self._pause(connection)
            elif connection.paused:
                connection.paused = False
                self._selector.register(connection.stream, selectors.EVENT_READ, (self, connection))

    def rest(self, parts: list[bytes]) -> Iterator[None]:
        """At the end: reads what the kernel has already taken from the senders; stops after each piece."""
        for connection in list(self._connections.values()):
            for _ in range(_LAST_READS):
                if connection.by or not self.read(connection, parts):
                    break
                yield

    def close(self) -> None:
        for connection in list(self._connections.values()):
            self._drop(connection)

    def _messages(self, connection: _Connection, parts: list[bytes]) -> int:
        """Takes the whole messages out of a connection's buffer."""
        seconds, nanoseconds = divmod(time.time_ns(), 1_000_000_000)
        buffer, sender = connection.buffer, connection.sender
        position = taken = 0
        while len(buffer) - position >= IPFIX_HEADER:
            version, length = (
                int.from_bytes(buffer[position + at : position + at + 2], "big") for at in (0, 2)
            )
            if version != IPFIX or length < IPFIX_HEADER:
                self.broken += 1
                self._drop(connection)
                return taken
            if len(buffer) - position < length:
                break
            payload = bytes(buffer[position : position + length])
            front = sender.fronts.get(length) or sender.front(length)
            parts.append(packet_record(seconds, nanoseconds // 1000, front, payload))
            sender.exporter.credit -= 1
            position += length
            taken += 1
        del buffer[:position]
        return taken

    def _pause(self, connection: _Connection) -> None:
        if not connection.paused:
            connection.paused = True
            self._selector.unregister(connection.stream)

    def _drop(self, connection: _Connection) -> None:
        if self._connections.pop(connection.stream, None) is None:
            return
        if not connection.paused:
            self._selector.unregister(connection.stream)
        self._of_exporter[connection.sender.exporter.address] -= 1
        self._of_exporter += Counter()  # without those that have none
        with suppress(OSError):
            connection.stream.close()
