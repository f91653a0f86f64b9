"""Datagrams of a UDP socket, taken in batches.

Facts the design follows:
- what the kernel could not hold it drops and counts: the number that SO_RXQ_OVFL attaches to the next datagram
  (Linux socket(7)). SO_MEMINFO gives the same number without one, so that a drop at the end is not overlooked;
- each call to the kernel costs more than all that is done with the datagram; so nothing else is asked per datagram,
  and one clock reading serves a batch.
"""

from __future__ import annotations

import socket
import struct
import time
from typing import Final

from flowdiag.collector.frames import RECORD_HEADER
from flowdiag.collector.live.senders import Senders

# Datagrams in a batch: one write to the spool; other sockets wait for as long as it takes (some milliseconds).
BATCH: Final = 512
MAX_DATAGRAM: Final = 65_535
# Not in Python's socket module. Values of Linux, asm-generic/socket.h and linux/sock_diag.h (from memory).
SO_MEMINFO: Final = 55
SO_RCVBUFFORCE: Final = 33
_MEMINFO: Final = struct.Struct("9I")
_DROPS: Final = 8


class UdpIntake:
    """A UDP socket, set not to block."""

    def __init__(self, udp: socket.socket, senders: Senders) -> None:
        self.socket = udp
        self._senders = senders

    def take(self, parts: list[bytes]) -> int:
        """Appends a batch to parts, as packets of a capture in pieces. Gives the number of datagrams.

        Those of exporters without credit are left out, counted with the exporter.
        """
        receive, add, pack = self.socket.recvfrom, parts.append, RECORD_HEADER.pack
        self._senders.renew()
        known = self._senders.known
        seconds, nanoseconds = divmod(time.time_ns(), 1_000_000_000)
        microseconds = nanoseconds // 1000
        taken = 0
        for _ in range(BATCH):
            try:
                payload, address = receive(MAX_DATAGRAM)
            except BlockingIOError:
                break
            sender = known.get(address)
            if sender is None:
                sender = self._senders.get(address)
            exporter = sender.exporter
            if exporter.credit <= 0:
                exporter.over += 1
                continue
            exporter.credit -= 1
            size = len(payload)
            front = sender.fronts.get(size)
            if front is None:
                front = sender.front(size)
            size += len(front)
            add(pack(seconds, microseconds, size, size))
            add(front)
            add(payload)
            taken += 1
        return taken

    def dropped(self) -> int:
        """Datagrams that the kernel dropped since the socket is there, because nobody took them in time."""
        try:
            octets = self.socket.getsockopt(socket.SOL_SOCKET, SO_MEMINFO, _MEMINFO.size)
        except OSError:
            return 0
        return int(_MEMINFO.unpack(octets)[_DROPS]) if len(octets) == _MEMINFO.size else 0
