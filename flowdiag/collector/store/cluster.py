"""The same function over many tasks on a Dask cluster.

Facts the design follows:
- tasks may run twice: when a worker dies, the scheduler gives its tasks to another one. So a task's function writes what
  it writes aside and whole, and gives the same result each time; results are put in order of the tasks;
- a scheduler that moves tasks to whoever has nothing to do would move them away from what is known of them; so those of a home
  are for one worker alone, and when that one is gone they are asked of all;
- workers import flowdiag themselves. One with other code would give other figures, so all of them are asked first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import Any, Final

import pyarrow as pa

from flowdiag.collector.readers.inputs import Progress
from flowdiag.collector.store.homes import Homes
from flowdiag.collector.store.workers import Count, Counted, Result, SteadyWorkers, Task, Workers
from flowdiag.errors import ClusterError

CONNECT_S: Final = 10
# How often a task is tried again elsewhere when its worker dies with it.
RETRIES: Final = 3
# After this time in which nothing was done, or nothing could be fetched, it is looked whether workers are gone.
LOST_S: Final = 5.0
ADVICE: Final = "check the address, and that scheduler and workers run with the same flowdiag"


def open_workers(
    jobs: int, amount: int, progress: Progress | None, cluster: str | None = None
) -> Workers | ClusterWorkers:
    """Those of a Dask cluster where its address is given, else processes. amount: that the tasks will count in all.

    Raises ClusterError if the cluster cannot be used.
    """
    if cluster is None:
        return Workers(jobs, amount, progress)
    return ClusterWorkers(cluster, amount, progress)


def open_steady_workers(jobs: int, cluster: str | None = None) -> SteadyWorkers | ClusterWorkers:
    """Those who are asked again and again, as open_workers() does: tasks of one home go to the same one each time (homes.py)."""
    return SteadyWorkers(jobs) if cluster is None else ClusterWorkers(cluster, 0, None)


class ClusterWorkers(Counted):
    """address: of a Dask scheduler, such as tcp://192.0.2.1:8786.

    Raises ClusterError if the cluster cannot be used.
    """

    def __init__(self, address: str, amount: int, progress: Progress | None) -> None:
        super().__init__(amount, progress)
        try:
            import distributed
        except ImportError as error:
            raise ClusterError(
                "a cluster needs Dask", advice='install it with: pip install "flowdiag[cluster]"'
            ) from error
        self._address = address
        self._dask: Any = distributed
        self._homes: Homes[str] = Homes()
        try:
            self._client = self._dask.Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TypeError) as error:
            raise ClusterError(
                f"the cluster does not answer ({_line(error)})", file=address, advice=ADVICE
            ) from error
        try:
            self._ask_workers()
        except BaseException:
            self._client.close()
            raise

    def __enter__(self) -> ClusterWorkers:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.close()

    def each(
        self, function: Callable[[Task, Count], Result], tasks: Sequence[Task]
    ) -> Iterator[tuple[int, Result]]:
        """As Counted. What was meant for a worker that is gone, another one does."""
        done: SimpleQueue[Any] = SimpleQueue()
        waiting: dict[Any, tuple[int, str | None]] = {}

        def submit(number: int, worker: str | None) -> None:
            future = self._client.submit(
                _run, function, tasks[number], pure=False, retries=RETRIES, workers=worker
            )
            waiting[future] = number, worker
            future.add_done_callback(done.put)

        try:
            for number, worker in enumerate(self._homes.places(tasks, self._present())):
                submit(number, worker)
            while waiting:
                future = _soon(done)
                outcome = self._outcome(future) if future in waiting else None
                if outcome is not None:
                    number, _ = waiting.pop(future)
                    future.release()
                    self._count(outcome[1])
                    yield number, outcome[0]
                    continue
                for lost in self._lost(waiting):
                    number, _ = waiting.pop(lost)
                    lost.cancel()
                    submit(number, None)
                if future in waiting:
                    done.put(future)
        except (self._dask.KilledWorker, self._dask.CancelledError, OSError) as error:
            raise ClusterError(
                f"the cluster gave up ({_line(error)})",
                file=self._address,
                advice="look at its workers' logs",
            ) from error
        finally:
            self._client.cancel(list(waiting))

    def _outcome(self, future: Any) -> Any:
        """What a task gave that is done; None where that cannot be fetched, since its worker died with it."""
        try:
            return future.result(timeout=LOST_S)
        except self._dask.TimeoutError:
            if future.status == "error":  # it is the task's own
                raise
            return None

    def _lost(self, waiting: Mapping[Any, tuple[int, str | None]]) -> list[Any]:
        """Those that wait for a worker that is gone."""
        present = self._present()
        return [
            future for future, (_, worker) in waiting.items() if worker is not None and worker not in present
        ]

    def _present(self) -> list[str]:
        """The addresses of its workers."""
        return sorted(self._client.nthreads())

    def _ask_workers(self) -> None:
        try:
            answers = self._client.run(code_digest)
        except Exception as error:  # whatever a worker without flowdiag, or with another one, raises
            raise ClusterError(
                f"a worker cannot run flowdiag ({_line(error)})", file=self._address, advice=ADVICE
            ) from error
        if not answers:
            raise ClusterError("the cluster has no workers", file=self._address, advice="start some")
        others = sorted(worker for worker, digest in answers.items() if digest != code_digest())
        if others:
            raise ClusterError(
                f"{len(others)} workers run another flowdiag, {others[0]} for one",
                file=self._address,
                advice="install the same version everywhere",
            )


def _soon(done: SimpleQueue[Any]) -> Any:
    """What is done next; None where for a while nothing is."""
    try:
        return done.get(timeout=LOST_S)
    except Empty:
        return None


def code_digest() -> str:
    """A digest of the program's own sources."""
    import hashlib

    import flowdiag

    package = Path(flowdiag.__file__).parent
    digest = hashlib.sha256()
    for file in sorted(package.rglob("*.py")):
        digest.update(file.relative_to(package).as_posix().encode() + file.read_bytes())
    return digest.hexdigest()


def _run(function: Callable[[Task, Count], Result], task: Task) -> tuple[Result, int]:
    """On a worker: as many tasks side by side as it has threads, so each does with one."""
    pa.set_cpu_count(1)
    counted = 0

    def count(amount: int) -> None:
        nonlocal counted
        counted += amount

    return function(task, count), counted


def _line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:200]
