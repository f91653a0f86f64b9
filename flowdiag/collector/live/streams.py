"""IPFIX over TCP, and over TLS where a certificate is given (RFC 7011 10.4, 11.1).

Facts the design follows:
- messages follow each other without anything between (RFC 7011 10.4.3); each gives its own length. What is no IPFIX
  message cannot be resynchronised: the collector closes the connection (RFC 7011 9: "shut down the transport session");
- a message goes to the spool as a datagram of the same addresses and ports, so one spool serves all transports. A
  template that is withdrawn stays known until it is defined anew: no difference for an exporter that keeps the rules;
- TCP makes its sender wait. So who has no credit, and everybody while the disk is full, is not read from, and
  nothing is lost; connections are few and bounded (connections.py), and so is what each holds: one message;
- a connection that cannot be accepted keeps its listening socket readable: nobody asks again before the next tick.
"""

from __future__ import annotations

import errno
import selectors
import socket
import ssl
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from flowdiag.collector.frames import packet_record
from flowdiag.collector.live.connections import Activity, Connection, Connections
from flowdiag.collector.live.senders import Senders
from flowdiag.collector.readers.framing import IPFIX, IPFIX_HEADER
from flowdiag.errors import UsageError

# Connections accepted before others have their turn: more than one, since they cost little, and the kernel's queue is short.
_ACCEPTED_AT_ONCE: Final = 16
# Read from one connection before the others have their turn: the longest message, or many short ones.
_READ_OCTETS: Final = 65_536
# As often at the end: more than the largest buffer that the kernel has for a connection (net.ipv4.tcp_rmem).
_LAST_READS: Final = 128
# The other end is gone without a word after so many seconds without an answer.
_KEEPALIVE: Final = ((socket.TCP_KEEPIDLE, 60), (socket.TCP_KEEPINTVL, 20), (socket.TCP_KEEPCNT, 3))
# The system has no descriptor or no memory for a connection, which goes on waiting (accept(2)).
_EXHAUSTED: Final = frozenset((errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM))
_SET_HEADER: Final = 4
_FIRST_DATA_SET: Final = 256  # RFC 7011 3.3.2


def server_context(certificate: Path, key: Path | None, clients: Path | None) -> ssl.SSLContext:
    """TLS 1.2 and later with a certificate (PEM). clients: the authorities whose exporters may send; None for all.

    Raises UsageError for files that cannot be used.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.options |= ssl.OP_NO_RENEGOTIATION  # handshakes without end are work without end
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


class StreamIntake:
    """The connections to one listening socket, which is set not to block. connections: those of all listeners."""

    def __init__(
        self,
        listener: socket.socket,
        senders: Senders,
        selector: selectors.BaseSelector,
        connections: Connections,
        tls: ssl.SSLContext | None,
    ) -> None:
        self._listener = listener
        self._senders = senders
        self._selector = selector
        self._connections = connections
        self._tls = tls
        self._listens = False
        self._listen()

    def accept(self) -> None:
        """Takes connections that wait. When the system has no descriptors left they wait until the next tick."""
        for _ in range(_ACCEPTED_AT_ONCE):
            try:
                stream, address = self._listener.accept()
            except BlockingIOError:
                return
            except OSError as error:
                if error.errno in _EXHAUSTED:
                    self._listens = False
                    self._selector.unregister(self._listener)
                    return
                continue  # gone again
            self._take(stream, address)

    def read(self, connection: Connection, parts: list[bytes]) -> int:
        """Appends the messages that have come on a connection, as packets of a capture. Gives their number."""
        if connection not in self._connections:  # it gave way a moment ago
            return 0
        connection.sender = self._senders.get(connection.address)
        if connection.sender.exporter.credit <= 0:
            self._connections.pause(connection)
            return 0
        try:
            octets = self._octets(connection)
        except (ssl.SSLWantReadError, BlockingIOError):
            self._connections.wait_for(connection, selectors.EVENT_READ)
            return 0
        except ssl.SSLWantWriteError:
            self._connections.wait_for(connection, selectors.EVENT_READ | selectors.EVENT_WRITE)
            return 0
        except ssl.SSLError:
            self._break(connection)
            return 0
        except OSError:
            octets = b""
        if not octets:
            self._connections.drop(connection)
            return 0
        if not connection.buffer and connection.activity:
            connection.began = time.monotonic()
        connection.buffer += octets
        return self._messages(connection, parts)

    def hold(self, connection: Connection) -> None:
        """Lets a connection wait until the next tick."""
        self._connections.pause(connection)

    def tick(self, *, hold: bool) -> None:
        """Each second: reads again from those who had to wait, and closes those who may not send any more.

        hold: nobody is read from, because nothing can be written.
        """
        self._listen()
        for connection in self._connections.of(self):
            connection.sender = self._senders.get(connection.address)
            if not connection.sender.exporter.allowed:
                self._connections.refused += 1
                self._connections.drop(connection)
            elif hold:
                self._connections.pause(connection)
            else:
                self._connections.resume(connection)

    def rest(self, parts: list[bytes]) -> Iterator[None]:
        """At the end: reads what the kernel has already taken from the senders; stops after each piece."""
        for connection in self._connections.of(self):
            for _ in range(_LAST_READS):
                if connection.handshaking or not self.read(connection, parts):
                    break
                yield

    def close(self) -> None:
        for connection in self._connections.of(self):
            self._connections.drop(connection)

    def _listen(self) -> None:
        if not self._listens:
            self._selector.register(self._listener, selectors.EVENT_READ, (self, None))
            self._listens = True

    def _take(self, stream: socket.socket, address: tuple[str, int]) -> None:
        sender = self._senders.get(address)
        exporter = sender.exporter
        if not exporter.allowed or not self._connections.make_room(exporter.address):
            self._connections.refused += 1
            stream.close()
            return
        try:
            stream.setblocking(False)
            stream.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, True)
            for option, value in _KEEPALIVE:
                stream.setsockopt(socket.IPPROTO_TCP, option, value)
            if self._tls is not None:
                stream = self._tls.wrap_socket(stream, server_side=True, do_handshake_on_connect=False)
        except OSError:  # reset meanwhile
            stream.close()
            return
        now = time.monotonic()
        connection = Connection(stream, address, sender, self, heard=now, began=now)
        connection.handshaking = self._tls is not None
        self._connections.add(connection)

    def _octets(self, connection: Connection) -> bytes:
        """What has come on a connection; nothing if its other end has closed it. Raises OSError."""
        stream = connection.stream
        if connection.handshaking and isinstance(stream, ssl.SSLSocket):
            stream.do_handshake()
            connection.secured(time.monotonic())
        octets = stream.recv(_READ_OCTETS)
        while isinstance(stream, ssl.SSLSocket) and stream.pending():  # there is no event for these
            octets += stream.recv(stream.pending())
        self._connections.wait_for(connection, selectors.EVENT_READ)
        return octets

    def _messages(self, connection: Connection, parts: list[bytes]) -> int:
        """Takes the whole messages out of a connection's buffer."""
        seconds, nanoseconds = divmod(time.time_ns(), 1_000_000_000)
        buffer, sender = connection.buffer, connection.sender
        position = taken = 0
        while len(buffer) - position >= IPFIX_HEADER:
            version, length = (
                int.from_bytes(buffer[position + at : position + at + 2], "big") for at in (0, 2)
            )
            if version != IPFIX or length < IPFIX_HEADER:
                self._break(connection)
                return taken
            if len(buffer) - position < length:
                break
            payload = bytes(buffer[position : position + length])
            front = sender.fronts.get(length) or sender.front(length)
            parts.append(packet_record(seconds, nanoseconds // 1000, front, payload))
            sender.exporter.credit -= 1
            position += length
            taken += 1
            if connection.activity < Activity.DATA:
                connection.activity = Activity.DATA if has_data(payload) else Activity.MESSAGES
        if taken:
            del buffer[:position]
            connection.heard = connection.began = time.monotonic()
        return taken

    def _break(self, connection: Connection) -> None:
        self._connections.broken += 1
        self._connections.drop(connection)


def has_data(message: bytes) -> bool:
    """Whether a whole IPFIX message has a Data Set with anything in it (RFC 7011 3.3.2)."""
    position = IPFIX_HEADER
    while len(message) - position > _SET_HEADER:
        number, length = (int.from_bytes(message[position + at : position + at + 2], "big") for at in (0, 2))
        if number >= _FIRST_DATA_SET and length > _SET_HEADER:
            return True
        position += max(length, _SET_HEADER)
    return False
