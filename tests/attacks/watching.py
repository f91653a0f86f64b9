"""Looks at a collector all along: its memory, its spool, and whether it answers."""

from __future__ import annotations

import re
import threading
import urllib.error
import urllib.request
from collections.abc import Callable
from http.client import HTTPException
from types import TracebackType
from typing import Final

from tests.attacks.evidence import Spooled, memory
from tests.collector.live.running import Running

SPOOL_S: Final = 0.05
MEMORY_S: Final = 0.2
HEALTH_S: Final = 1.0
# Whoever asks for the health of a program waits so long, on a busy machine too.
ANSWER_S: Final = 5.0


class Watch:
    """memory: the most octets seen; unanswered: times that nobody answered at /health; metrics: what came last."""

    def __init__(self, running: Running, spooled: Spooled | None) -> None:
        self._running = running
        self._spooled = spooled
        self._over = threading.Event()
        self._ending = threading.Event()
        self.memory = 0
        self.unanswered = 0
        self.metrics = ""
        looks = ((self._look_at_memory, MEMORY_S), (self._look_at_spool, SPOOL_S), (self.ask, HEALTH_S))
        self._threads = [threading.Thread(target=self._again, args=look, daemon=True) for look in looks]

    def __enter__(self) -> Watch:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end()

    def end(self) -> None:
        self._over.set()
        for thread in self._threads:
            thread.join()
        self._look_at_spool()

    def ending(self) -> None:
        """The collector is about to end: from now on nobody has to answer."""
        self._ending.set()

    def metric(self, name: str) -> int | None:
        """A counter or gauge as of the last answer; None if there was none, or has none of this name."""
        match = re.search(rf"^flowdiag_collect_{name} (\S+)$", self.metrics, re.MULTILINE)
        return None if match is None else int(float(match[1]))

    def counters(self) -> str:
        """Those that are not 0; of single exporters what they are said to have lost."""
        lines = (
            line
            for line in self.metrics.splitlines()
            if line[:1] != "#" and ("{" not in line or "_lost_" in line)
        )
        return "\n".join(line for line in lines if not line.endswith(" 0.0"))

    def _again(self, look: Callable[[], None], every_s: float) -> None:
        while not self._over.wait(every_s):
            look()

    def _look_at_memory(self) -> None:
        self.memory = max(self.memory, memory(self._running.process.pid))

    def _look_at_spool(self) -> None:
        if self._spooled is not None:
            self._spooled.keep()

    def ask(self) -> None:
        """Looks whether it answers, and at its metrics."""
        try:
            self._get("/health")
            self.metrics = self._get("/metrics")
        except (OSError, HTTPException):
            self.unanswered += not self._ending.is_set()

    def _get(self, path: str) -> str:
        """What is answered, whatever the status. Raises OSError if nothing is."""
        url = f"http://127.0.0.1:{self._running.metrics_port}{path}"
        try:
            with urllib.request.urlopen(url, timeout=ANSWER_S) as answer:
                text: str = answer.read().decode()
        except urllib.error.HTTPError as error:
            with error:
                text = error.read().decode()
        return text
