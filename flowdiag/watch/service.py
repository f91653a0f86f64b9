"""A watch from its start to its end: its ledger, its parts, its processes and whoever it tells."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.collector.store.backends import is_url
from flowdiag.collector.store.changes import need_store
from flowdiag.collector.store.cluster import open_steady_workers
from flowdiag.collector.store.opening import open_backend
from flowdiag.errors import StoreError
from flowdiag.site.catalogue import Catalogue
from flowdiag.watch.event import Event
from flowdiag.watch.holding import BEAT_S, DEAD_AFTER_S, Holding
from flowdiag.watch.ledgers.opening import open_ledger
from flowdiag.watch.notify import Notify
from flowdiag.watch.part import PARTS
from flowdiag.watch.posting import PostOffice
from flowdiag.watch.watcher import Round, Watcher

Write = Callable[[Sequence[Event]], None]
_ASK_AGAIN_S: Final = 1.0
FINISH_S: Final = 60.0  # that a watch which looks once gives to those who are told


class Settings(Struct, frozen=True):
    """store: a folder or an address; sites: the folder of profiles; jobs: processes; cluster: the address of a Dask scheduler
    instead, whose workers see the store at the same address."""

    store: str
    sites: Path
    notify: Notify = Notify()
    jobs: int = 1
    cluster: str | None = None


@contextmanager
def watching(settings: Settings, write: Write, stop: threading.Event) -> Iterator[tuple[Watcher, Holding]]:
    """A watcher that gives signs of life meanwhile, and lets go of everything at the end. write: prints events, and returns when
    they are on their way for good. Raises StoreError, ProfileError, ClusterError."""
    store = settings.store if is_url(settings.store) else str(Path(settings.store).resolve())
    need_store(open_backend(store))
    catalogue = Catalogue(settings.sites)
    catalogue.all()
    ledger = open_ledger(store)
    try:
        holding = Holding(ledger)
        with _beating(holding), open_steady_workers(settings.jobs, settings.cluster) as pool:
            try:
                with PostOffice(store, holding, settings.notify, write) as post:
                    watcher = Watcher(store, catalogue, ledger, holding, settings.notify, pool, post, stop)
                    yield watcher, holding
            finally:
                with suppress(StoreError):  # others find out by its silence
                    holding.release()
    finally:
        ledger.close()


def watch_once(watcher: Watcher, holding: Holding, stop: threading.Event) -> Round:
    """One round of all parts that nobody else looks after; a watcher that may have died is waited for until that is known.

    Raises StoreError, ClusterError."""
    held = set(holding.hold())
    waited_s = 0.0
    while len(held) < PARTS and holding.in_doubt and waited_s < DEAD_AFTER_S + BEAT_S:
        if stop.wait(_ASK_AGAIN_S):
            break
        waited_s += _ASK_AGAIN_S
        held = set(holding.hold())
    done = watcher.round(held)
    watcher.finish(FINISH_S)
    return done


@contextmanager
def _beating(holding: Holding) -> Iterator[None]:
    """Signs of life, whatever a round waits for."""
    ended = threading.Event()

    def beat() -> None:
        while not ended.wait(BEAT_S / 2):
            with suppress(StoreError):  # hold() tells of it
                holding.beat()

    thread = threading.Thread(target=beat, name="heartbeat", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()
