"""The process that the user started: it starts the workers, passes signals on, and reports how things are.

Facts the design follows:
- it holds the sockets, so that what comes while a receiver is started anew waits in the kernel;
- SIGTERM and SIGINT end the receivers first and the decoders when these have closed their spools, all within ten seconds,
  so that what was received is in the store at the end, or in the spool, for the next start; SIGHUP reads the allow list again;
- the store's upkeep is a third kind of process, which comes and goes (housekeeping.py);
- a process that dies is started again; one that dies again and again ends the collector, with the exit code that makes
  a service manager start it afresh and tell somebody.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Any, Final

from msgspec import Struct

from flowdiag.collector.live.allow import AllowList, read_allow_list
from flowdiag.collector.live.counters import Decoded, Received
from flowdiag.collector.live.health import Health
from flowdiag.collector.live.housekeeping import Housekeeping
from flowdiag.collector.live.receiver import STOP, run_receiver
from flowdiag.collector.live.settings import FINISH_S, Settings
from flowdiag.collector.live.sockets import Listening
from flowdiag.collector.live.spool import recover, worker_folders
from flowdiag.errors import FlowdiagError
from flowdiag.modes import make_folder

Say = Callable[[str], None]

PULSE_S: Final = 1.0
# Deaths of one process within this time that end the collector.
MAX_DEATHS: Final = 5
DEATHS_S: Final = 60.0
# A process that does not end by itself is ended. A receiver has only its spool to close.
RECEIVER_END_S: Final = 4.0
DECODER_END_S: Final = FINISH_S + 1.5

_SPAWN: Final = multiprocessing.get_context("spawn")


class _Child(Struct):
    """A process, the supervisor's end of its pipe, and what starts it. last: its latest counters."""

    name: str
    start: Callable[[], tuple[SpawnProcess, Connection]]
    last: Received | Decoded
    process: SpawnProcess
    pipe: Connection
    deaths: list[float]


class Supervisor:
    """A collector. say: prints a line for people; health: gets all counters each second."""

    def __init__(
        self, settings: Settings, sockets: list[list[Listening]], allow: AllowList, health: Health, say: Say
    ) -> None:
        self._settings = settings
        self._sockets = sockets
        self._allow = allow
        self._health = health
        self._say = say
        self._receivers: list[_Child] = []
        self._decoders: list[_Child] = []
        self._housekeeping = Housekeeping(settings, _started)

    def run(self, ready: Callable[[], None] = lambda: None) -> None:
        """Runs until SIGTERM or SIGINT. ready: called when signals mean what they shall. Raises FlowdiagError if a process
        dies again and again."""
        with _signals() as (signals, received):
            for worker in range(self._settings.workers):
                make_folder(self._settings.folder(worker))
            for folder in worker_folders(self._settings.spool):
                if cut := recover(folder):
                    self._say(
                        f"spool {folder.name}: the last {cut} octets were no whole packet and were cut off"
                    )
            for worker in range(self._settings.workers):
                self._receivers.append(self._child(f"receiver {worker}", self._receiver(worker), Received()))
                self._decoders.append(self._child(f"decoder {worker}", self._decoder(worker), Decoded()))
            ready()
            try:
                self._watch(signals, received)
            finally:
                self._end()

    def _watch(self, signals: int, received: list[int]) -> None:
        while True:
            children = [*self._receivers, *self._decoders]
            waiting: list[Any] = [signals, *(child.pipe for child in children)]
            waiting += [child.process.sentinel for child in children]
            ready = wait(waiting, PULSE_S)
            if signals in ready:
                os.read(signals, 4096)
            while received:
                if received.pop(0) != signal.SIGHUP:
                    return
                self._read_allow_list()
            for child in children:
                _read_counters(child)
                if not child.process.is_alive():
                    self._restart(child)
            self._housekeeping.look()
            self._update_health()

    def _update_health(self) -> None:
        self._health.update(
            [child.last for child in self._receivers if isinstance(child.last, Received)],
            [
                *(child.last for child in self._decoders if isinstance(child.last, Decoded)),
                self._housekeeping.done,
            ],
        )

    def _read_allow_list(self) -> None:
        settings = self._settings
        try:
            self._allow = read_allow_list(settings.allow, settings.allow_files)
        except FlowdiagError as error:
            self._say(f"the allow list stays as it was: {error}")
            return
        for child in (*self._receivers, *self._decoders):
            _send(child, self._allow)
        self._say("the allow list was read again")

    def _receiver(self, worker: int) -> Callable[[], tuple[SpawnProcess, Connection]]:
        def start() -> tuple[SpawnProcess, Connection]:
            recover(self._settings.folder(worker))
            return _started(run_receiver, self._settings, worker, self._sockets[worker], self._allow)

        return start

    def _decoder(self, worker: int) -> Callable[[], tuple[SpawnProcess, Connection]]:
        own = self._settings.folder(worker)
        left = [
            folder
            for folder in worker_folders(self._settings.spool)
            if int(folder.name) >= self._settings.workers
        ]
        folders = [*left, own] if worker == 0 else [own]
        return lambda: _started(run_decoder, self._settings, folders, self._allow)

    def _child(
        self, name: str, start: Callable[[], tuple[SpawnProcess, Connection]], counters: Received | Decoded
    ) -> _Child:
        return _Child(name, start, counters, *start(), [])

    def _restart(self, child: _Child) -> None:
        now = time.monotonic()
        child.deaths = [at for at in child.deaths if now - at < DEATHS_S] + [now]
        code = child.process.exitcode
        if len(child.deaths) >= MAX_DEATHS:
            raise FlowdiagError(
                f"the {child.name} ended {MAX_DEATHS} times within a minute (exit code {code})",
                advice="see what it said before; the spool keeps what was received",
            )
        self._say(f"the {child.name} ended (exit code {code}) and is started again")
        child.last = self._health.carry(child.last)
        child.pipe.close()
        child.process, child.pipe = child.start()

    def _end(self) -> None:
        """Receivers first: what they close, the decoders still store."""
        for children, seconds in ((self._receivers, RECEIVER_END_S), (self._decoders, DECODER_END_S)):
            until = time.monotonic() + seconds
            for child in children:
                _send(child, STOP)
            while any(child.process.is_alive() for child in children) and time.monotonic() < until:
                wait([child.process.sentinel for child in children if child.process.is_alive()], PULSE_S)
                for child in children:
                    _read_counters(child)
                self._update_health()
            for child in children:
                if child.process.is_alive():
                    self._say(f"the {child.name} did not end in time and was ended")
                    child.process.kill()
                child.process.join()
                _read_counters(child)
        self._housekeeping.end()
        self._update_health()


def _started(target: Callable[..., None], *arguments: Any) -> tuple[SpawnProcess, Connection]:
    own, its = _SPAWN.Pipe()
    process = _SPAWN.Process(target=target, args=(*arguments, its), daemon=True)
    process.start()
    its.close()
    return process, own


def run_decoder(settings: Settings, folders: list[Path], allow: AllowList, pipe: Connection) -> None:
    """The whole life of a decoder's process. folders: spools to work off, the last one being the worker's own."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)  # the supervisor passes on what they mean
    from flowdiag.collector.live.decoding import (
        Decoding,  # with numpy and Arrow, which no other process needs
    )

    Decoding(settings, folders, allow, pipe).run()


def _read_counters(child: _Child) -> None:
    """Takes the latest counters that a child has sent."""
    try:
        while child.pipe.poll():
            child.last = child.pipe.recv()
    except (EOFError, OSError):
        return


def _send(child: _Child, word: Any) -> None:
    try:
        child.pipe.send(word)
    except OSError:  # it has just ended
        return


@contextmanager
def _signals() -> Iterator[tuple[int, list[int]]]:
    """A descriptor that becomes readable when a signal comes, and the numbers of those that came."""
    received: list[int] = []
    readable, writable = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
    caught = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    before = [signal.signal(number, lambda number, _: received.append(number)) for number in caught]
    wakeup = signal.set_wakeup_fd(writable, warn_on_full_buffer=False)
    try:
        yield readable, received
    finally:
        signal.set_wakeup_fd(wakeup)
        for number, handler in zip(caught, before, strict=True):
            signal.signal(number, handler)
        os.close(readable)
        os.close(writable)
