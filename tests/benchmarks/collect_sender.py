"""Exporters under full load, cheap enough to leave the machine to the collector: `python -m tests.benchmarks.collect_sender`.

Each exporter has an address of loopback of its own and sends IPFIX of 24 records a message, at an even pace. Messages
leave many at a time, and the kernel cuts them into datagrams (UDP_SEGMENT, Linux udp(7)): to the collector that is the
same as if each had been sent alone. Sequence numbers and times are those of now in every message, so that no two are alike.
"""

from __future__ import annotations

import argparse
import json
import socket
import tempfile
import time
from pathlib import Path
from typing import Any, Final

import numpy as np

from flowdiag.scenario.bulk import DAY_START_MS, PER_MESSAGE, write_bulk
from tests.benchmarks.decode_inputs import HEADER_OCTETS, RECORD_OCTETS

MESSAGE_OCTETS: Final = HEADER_OCTETS + 4 + PER_MESSAGE * RECORD_OCTETS
# Values of Linux, linux/udp.h (from memory).
SOL_UDP: Final = 17
UDP_SEGMENT: Final = 103
# What one call of the kernel sends: as many messages as make 64 KiB.
BURST: Final = 48
# Records made before the start, for all exporters; then they come again with other times.
POOL_RECORDS: Final = 2_400_000
# Where start and end of a flow stand in a record.
TIMES: Final = slice(40, 56)


class Exporter:
    """messages: its pool, (messages, octets); template: the message with its template, a copy."""

    def __init__(self, number: int, port: int, template: bytes, messages: Any) -> None:
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind((f"127.0.0.{number + 1}", 0))
        self.socket.connect(("127.0.0.1", port))
        self._template = np.frombuffer(bytearray(template), np.uint8)[None]
        self._messages = messages
        self._records = messages[:, HEADER_OCTETS + 4 :].reshape(-1, PER_MESSAGE, RECORD_OCTETS)
        self._shifts = np.zeros(len(messages), np.int64)
        self.sent = 0

    def send(self, count: int) -> None:
        """The next messages, at most BURST; at the start of the pool the template as well."""
        place = self.sent % len(self._messages)
        rows = slice(place, min(place + count, len(self._messages)))
        if not place:
            self._date(self._template, 0)
            self.socket.setsockopt(SOL_UDP, UDP_SEGMENT, 0)
            self.socket.send(self._template)
            self.socket.setsockopt(SOL_UDP, UDP_SEGMENT, MESSAGE_OCTETS)
        chunk = self._messages[rows]
        self._date(chunk, np.arange(len(chunk)) * PER_MESSAGE)
        shift = int(time.time() * 1000) - DAY_START_MS - int(self._shifts[place])
        self._records[rows][:, :, TIMES].view(">i8")[...] += shift
        self._shifts[rows] += shift
        self.socket.send(chunk)
        self.sent += len(chunk)

    def _date(self, messages: Any, further: Any) -> None:
        messages[:, 4:8].view(">u4")[:, 0] = int(time.time())
        messages[:, 8:12].view(">u4")[:, 0] = (self.sent * PER_MESSAGE + further) & 0xFFFF_FFFF


def exporters(count: int, port: int, pool_records: int) -> list[Exporter]:
    """So many, with equal shares of the pool, whose flows ended within the last second."""
    with tempfile.TemporaryDirectory() as scratch:
        octets = write_bulk(Path(scratch) / "pool.ipfix", pool_records, span_ms=1000).read_bytes()
    first = int.from_bytes(octets[2:4], "big")
    pool = np.frombuffer(bytearray(octets[first:]), np.uint8).reshape(-1, MESSAGE_OCTETS)
    shares = np.array_split(pool, count)
    return [Exporter(number, port, octets[:first], share) for number, share in enumerate(shares)]


def send(port: int, rate: int, seconds: float, count: int, pool_records: int) -> dict[str, float]:
    """rate: datagrams a second of all exporters together. Gives datagrams, templates aside, and seconds they took."""
    all_of_them = exporters(count, port, pool_records)
    busy = time.process_time()
    began = time.monotonic()
    sent = number = 0
    while (past := time.monotonic() - began) < seconds:
        due = int(past * rate) - sent
        if due < BURST:
            time.sleep((BURST - due) / rate)
            continue
        exporter = all_of_them[number % count]
        before = exporter.sent
        exporter.send(BURST)
        sent += exporter.sent - before
        number += 1
    took = time.monotonic() - began
    return {"sent": sent, "seconds": took, "busy": time.process_time() - busy}


def main() -> None:
    parser = argparse.ArgumentParser(description="Sends IPFIX to a collector on loopback.")
    parser.add_argument("port", type=int)
    parser.add_argument("--rate", type=int, default=40_000, help="datagrams a second (default 40,000)")
    parser.add_argument("--seconds", type=float, default=60.0, help="how long (default 60)")
    parser.add_argument("--exporters", type=int, default=4, help="how many send (default 4)")
    parser.add_argument(
        "--pool", type=int, default=POOL_RECORDS, help="records made before the start (default 2,400,000)"
    )
    given = parser.parse_args()
    print(json.dumps(send(given.port, given.rate, given.seconds, given.exporters, given.pool)))


if __name__ == "__main__":
    main()
