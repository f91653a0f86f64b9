"""Sends hostile datagrams at a pace."""

from __future__ import annotations

import socket
import threading
import time
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from contextlib import suppress
from itertools import cycle
from typing import Final

from tests.attacks.salvos import Shot

# Sockets of addresses that send again and again.
MAX_SOCKETS: Final = 200
PAUSE_S: Final = 0.005


class Gunner(threading.Thread):
    """salvos: take turns; rate: datagrams a second of all together. fired: so far."""

    def __init__(self, salvos: Sequence[Iterator[Shot]], rate: int, port: int) -> None:
        super().__init__(name="gunner", daemon=True)
        self._shots = cycle(salvos)
        self._rate = rate
        self._target = ("127.0.0.1", port)
        self._sockets: OrderedDict[str, socket.socket] = OrderedDict()
        self._over = threading.Event()
        self.fired = 0

    def run(self) -> None:
        began = time.monotonic()
        while not self._over.wait(PAUSE_S):
            while self.fired < (time.monotonic() - began) * self._rate and not self._over.is_set():
                with suppress(ConnectionRefusedError):  # told of a datagram before, when nobody was there
                    self._fire(next(next(self._shots)))
                self.fired += 1

    def end(self) -> None:
        self._over.set()
        self.join()
        for one in self._sockets.values():
            one.close()

    def _fire(self, shot: Shot) -> None:
        if not isinstance(shot.source, str):
            shot.source.send_as(shot.payload)
        elif shot.fresh:
            with self._bound(shot.source) as once:
                once.send(shot.payload)
        else:
            known = self._sockets.get(shot.source)
            if known is None:
                known = self._sockets[shot.source] = self._bound(shot.source)
            self._sockets.move_to_end(shot.source)
            if len(self._sockets) > MAX_SOCKETS:
                self._sockets.popitem(last=False)[1].close()
            known.send(shot.payload)

    def _bound(self, address: str) -> socket.socket:
        made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        made.bind((address, 0))
        made.connect(self._target)
        return made
