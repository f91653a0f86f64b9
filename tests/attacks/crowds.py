"""Connections that are held to the end of an attack: idle ones, slow ones, unfinished ones."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress
from typing import Final, NamedTuple

from tests.collector.decode.wire import ipfix

TICK_S: Final = 1.0
# Between two connections that are opened: what comes faster than a listener accepts, the kernel puts off for a second.
OPENING_S: Final = 0.001
# Connections of one address: as many as the collector lets it have.
OF_ADDRESS: Final = 16
# The longest message there is, of which the header comes and then an octet a second.
LONGEST_HEADER: Final = b"\x00\x0a\xff\xff" + ipfix()[4:]
# A record of TLS (RFC 8446 5.1) that is to hold a ClientHello of 512 octets.
HELLO_BEGUN: Final = b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"


class Crowd(NamedTuple):
    """connections: how many; begin: what each sends at once; drip: what it sends each second; metrics: to the port of the
    metrics, else to that of the exporters; takes: octets that the kernel takes of the answer, 0 for its default."""

    connections: int
    begin: bytes = b""
    drip: bytes = b""
    metrics: bool = False
    takes: int = 0


IDLE: Final = Crowd(1_056)
SLOW: Final = Crowd(300, LONGEST_HEADER, b"\x00")
SLOW_HEADERS: Final = Crowd(300, b"\x00", b"\x0a")
NO_IPFIX: Final = Crowd(300, b"GET / HTTP/1.1\r\n\r\n")
SILENT_TLS: Final = Crowd(300)
HALF_TLS: Final = Crowd(300, HELLO_BEGUN, b"\x00")
SILENT_METRICS: Final = Crowd(100, metrics=True)
SLOW_METRICS: Final = Crowd(100, b"GET /metrics HTTP/1.1\r\nHost: ", b"x", metrics=True)
DEAF_METRICS: Final = Crowd(100, b"GET /metrics HTTP/1.1\r\n\r\n" * 200, metrics=True, takes=1_024)


class Holding(threading.Thread):
    """Opens the connections of a crowd, and opens anew what is closed. fired: connections so far; formed:
    set when all of them were opened once."""

    def __init__(self, crowd: Crowd, block: int, port: int) -> None:
        """block: of the addresses that it comes from, one of its own; port: that the crowd goes to."""
        super().__init__(name="crowd", daemon=True)
        self._crowd = crowd
        self._block = block
        self._target = ("127.0.0.1", port)
        self._open: dict[int, socket.socket] = {}
        self._over = threading.Event()
        self.formed = threading.Event()
        self.fired = 0

    def run(self) -> None:
        while True:
            for number in range(self._crowd.connections):
                if self._over.is_set():
                    return
                if number not in self._open:
                    self._begin(number)
                    self._over.wait(OPENING_S)
                elif not self._goes_on(self._open[number]):
                    self._open.pop(number).close()
            self.formed.set()
            if self._over.wait(TICK_S):
                return

    def end(self) -> None:
        self._over.set()
        self.join()
        for one in self._open.values():
            one.close()

    def _begin(self, number: int) -> None:
        made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        made.setblocking(False)
        if self._crowd.takes:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, self._crowd.takes)
        host = 1 + number // OF_ADDRESS
        made.bind((f"127.{self._block}.{host >> 8}.{host & 255}", 0))
        made.connect_ex(self._target)
        self._open[number] = made
        self.fired += 1
        with suppress(OSError):  # not connected yet: then it stays silent
            made.send(self._crowd.begin)

    def _goes_on(self, connection: socket.socket) -> bool:
        """Sends what is due. False if the other end has closed."""
        try:
            if self._crowd.drip:
                connection.send(self._crowd.drip)
            return self._crowd.takes > 0 or connection.recv(4_096) != b""
        except BlockingIOError:
            return True
        except OSError:
            return False
