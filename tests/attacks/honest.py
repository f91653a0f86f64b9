"""An exporter as it ought to be: steady, with its templates at usual intervals, each record with a number of its own.

A record has its number as packets and a hundred times it as octets; nothing that is hostile sends such records.
"""

from __future__ import annotations

import fcntl
import math
import socket
import ssl
import sys
import termios
import threading
import time
from contextlib import suppress
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.collector.decode.wire import a_set, flow, ipfix, with_template

TEMPLATE_ID: Final = 256
# Of wire.FLOW_FIELDS.
RECORD: Final = np.dtype(
    [
        ("addresses", "V8"), ("ports", "V4"), ("protocol", "u1"), ("octets", ">u4"), ("packets", ">u4"),
        ("times", "V16"),
    ]
)  # fmt: skip
PER_MESSAGE: Final = 20
# RFC 7011 8.4 wants templates again and again over UDP; a minute is a usual interval (common practice).
AGAIN_S: Final = 60.0
ONCE: Final = math.inf
# A collector that takes nothing from a connection for so long has failed its exporter.
STREAM_PATIENCE_S: Final = 5.0
POLL_S: Final = 0.01


def own_numbers(octets: NDArray[np.uint64], packets: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """The numbers of the records that an honest exporter sent."""
    own: NDArray[np.uint64] = packets[(octets == packets * 100) & (packets > 0)]
    return own


class Honest:
    """address: of loopback; again_s: when the template is sent again; tls: over TCP with TLS.

    sent: records so far, numbered from 1; ports: that it has sent from.
    """

    def __init__(
        self,
        name: str,
        address: str,
        port: int,
        *,
        again_s: float = ONCE,
        stream: bool = False,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self.name = name
        self.address = address
        self.ports: set[int] = set()
        self.sent = 0
        self.last = b""
        self._target = ("127.0.0.1", port)
        self._again_s = again_s
        self._stream = stream
        self._tls = tls
        self._taught = -math.inf
        self._socket: socket.socket | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._rate = 0

    def start(self, rate: int) -> None:
        """rate: records a second."""
        self._rate = rate
        self._thread.start()

    def stop(self) -> None:
        """Ends sending. The connection stays until close(); what was sent on it is with the collector's kernel."""
        self._stop.set()
        self._thread.join()
        until = time.monotonic() + STREAM_PATIENCE_S
        while self._stream and self._on_its_way() and time.monotonic() < until:
            time.sleep(POLL_S)

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()

    def send_as(self, datagram: bytes) -> None:
        """Sends what somebody else made from this exporter's own socket: a perfect forgery."""
        if self._socket is not None:
            self._socket.send(datagram)

    def _run(self) -> None:
        began = time.monotonic()
        while not self._stop.wait(PER_MESSAGE / self._rate):
            while self.sent + PER_MESSAGE <= (time.monotonic() - began) * self._rate:
                self._send_next()

    def _send_next(self) -> None:
        """The next message. One that its connection did not take counts as sent, and the connection is made anew."""
        try:
            stream = self._socket or self._connect()
            self.last = self._message()
            self.sent += PER_MESSAGE
            stream.sendall(self.last)
        except OSError:
            if self._stream:
                self.close()
                self._socket = None

    def _message(self) -> bytes:
        now = time.time()
        sets = []
        if now - self._taught >= self._again_s or self._taught == -math.inf:
            sets.append(with_template(TEMPLATE_ID))
            self._taught = now
        now_ms = int(now * 1000)
        numbers = range(self.sent + 1, self.sent + 1 + PER_MESSAGE)
        records = (flow(number, start_ms=now_ms - 900, end_ms=now_ms - 100) for number in numbers)
        return ipfix(*sets, a_set(TEMPLATE_ID, *records), sequence=self.sent, export_s=int(now))

    def _on_its_way(self) -> int:
        """Octets of the connection that the other end has not acknowledged (Linux tcp(7), SIOCOUTQ)."""
        if self._socket is None:
            return 0
        octets = fcntl.ioctl(self._socket.fileno(), termios.TIOCOUTQ, bytes(4))
        return int.from_bytes(octets, sys.byteorder)

    def _connect(self) -> socket.socket:
        kind = socket.SOCK_STREAM if self._stream else socket.SOCK_DGRAM
        made = socket.socket(socket.AF_INET, kind)
        try:
            made.bind((self.address, 0))
            if self._stream:
                made.settimeout(STREAM_PATIENCE_S)
            made.connect(self._target)
            if self._tls is not None:
                made = self._tls.wrap_socket(made)
        except OSError:
            with suppress(OSError):
                made.close()
            raise
        self._taught = -math.inf
        self.ports.add(made.getsockname()[1])
        self._socket = made
        return made
