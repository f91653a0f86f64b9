"""A receiver in a thread of the test, whose bounds a test can set."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from flowdiag.collector.live.allow import AllowList
from flowdiag.collector.live.counters import Received
from flowdiag.collector.live.receiver import STOP, Receiver
from flowdiag.collector.live.settings import Settings
from flowdiag.collector.live.sockets import Address, listen
from tests.collector.live.running import records_of, wait_until


@dataclass
class Receiving:
    """ports: those it listens at; last: what it told last."""

    ports: list[int]
    settings: Settings
    pipe: Connection
    thread: threading.Thread
    last: Received

    @property
    def port(self) -> int:
        return self.ports[0]

    def told(self) -> Received:
        while self.pipe.poll():
            self.last = self.pipe.recv()
        return self.last

    def wait_for(self, name: str, value: int) -> None:
        """Waits until a counter is at least a value."""
        wait_until(lambda: getattr(self.told(), name) >= value, lambda: f"{name}: {self.last}")

    def end(self) -> None:
        self.pipe.send(STOP)
        self.thread.join()
        self.told()

    def records(self) -> int:
        """Flow records in the spool."""
        return records_of([path.read_bytes() for path in sorted(self.settings.folder(0).glob("*.pcap"))])


@contextmanager
def receiving(spool: Path, places: int = 1, **settings: Any) -> Iterator[Receiving]:
    """A receiver that listens at so many places, ended at the end of the with block."""
    chosen = Settings(store=str(spool), spool=spool, **settings)
    (sockets,) = listen([Address("127.0.0.1", 0)] * places, 1, chosen.buffer)
    own, its = multiprocessing.Pipe()
    receiver = Receiver(chosen, 0, sockets, AllowList(None))
    thread = threading.Thread(target=receiver.run, args=(its,), daemon=True)
    thread.start()
    running = Receiving([pair.udp.getsockname()[1] for pair in sockets], chosen, own, thread, Received())
    try:
        yield running
    finally:
        if thread.is_alive():
            running.end()
        for one in (own, its, *(one for pair in sockets for one in pair)):
            one.close()
