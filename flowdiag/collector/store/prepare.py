"""Gets the process that workers are forks of to load what they need, while this one goes on (workers.py)."""

from __future__ import annotations

from multiprocessing import get_all_start_methods


def prepare(*modules: str) -> None:
    """modules: what the workers' function needs. Returns at once; does nothing if that process runs already."""
    if "forkserver" not in get_all_start_methods():
        return
    from multiprocessing import forkserver

    forkserver.set_forkserver_preload(list(modules))
    forkserver.ensure_running()
