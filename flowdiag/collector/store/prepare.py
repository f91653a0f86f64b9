"""Gets the process that workers are forks of to load what they need, while this one goes on (workers.py)."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing import get_all_start_methods


def prepare(*modules: str) -> None:
    """modules: what the workers' function needs. Returns at once; does nothing if that process runs already.

    It and its forks take no notice of Ctrl-C, which goes to all processes of a terminal: this one ends them.
    """
    if "forkserver" not in get_all_start_methods():
        return
    from multiprocessing import forkserver

    forkserver.set_forkserver_preload(list(modules))
    with _deaf_to_ctrl_c():
        forkserver.ensure_running()


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """Processes that are started meanwhile inherit it."""
    if threading.current_thread() is not threading.main_thread():  # handlers are set there only
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
