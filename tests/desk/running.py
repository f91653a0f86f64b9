"""A desk as a program of its own on loopback, for tests from outside."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any

import httpx

WITHIN_S = 60.0
_LINK = re.compile(r"(https?://\S+/sign-in/link\?once=\S+)")


class RunningDesk:
    """words: of the command line beside where it listens."""

    def __init__(self, folder: Path, *words: str | Path) -> None:
        self._out, self._log = folder / "desk.out", folder / "desk.log"
        command = "from flowdiag.cli.main import main; main()"
        with self._out.open("wb") as out, self._log.open("wb") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-c", command, "desk", "--listen", "127.0.0.1:0", *map(str, words)],
                stdout=out, stderr=log, cwd=folder, env=os.environ | {"PYTHONUNBUFFERED": "1"},
            )  # fmt: skip
        self.link = self._wait_for_link()
        self.url = self.link.partition("/sign-in")[0]

    def _wait_for_link(self) -> str:
        until = time.monotonic() + WITHIN_S
        while time.monotonic() < until and self._process.poll() is None:
            if found := _LINK.search(self._out.read_text(encoding="utf-8")):
                return found[1]
            time.sleep(0.05)
        raise AssertionError(self._out.read_text() + self._log.read_text())

    @property
    def pid(self) -> int:
        return self._process.pid

    @property
    def log(self) -> list[dict[str, Any]]:
        """What it logged so far: every line is JSON."""
        whole, _, _ = self._log.read_text(encoding="utf-8").rpartition("\n")
        return [json.loads(line) for line in whole.splitlines()]

    def wait_until_healthy(self) -> None:
        """Until its workers answer, however busy the machine is."""
        until = time.monotonic() + WITHIN_S
        while time.monotonic() < until:
            with suppress(httpx.TransportError):
                if httpx.get(f"{self.url}/health", timeout=WITHIN_S).json() == {"status": "ok"}:
                    return
            time.sleep(0.2)
        raise AssertionError(self._log.read_text())

    def wait_for_line(self, path: str) -> dict[str, Any]:
        """The line of its log about a request for that path; it is written when the answer has been sent."""
        until = time.monotonic() + WITHIN_S
        while time.monotonic() < until:
            if found := [line for line in self.log if line.get("path") == path]:
                return found[0]
            time.sleep(0.05)
        raise AssertionError(self.log)

    def signed_in(self) -> httpx.Client:
        """A client with the session of whoever opened the link. The cookie is for TLS, which loopback does without."""
        answer = httpx.get(self.link)
        assert answer.status_code == 303, answer.text
        name, _, value = answer.headers["set-cookie"].partition(";")[0].partition("=")
        return httpx.Client(base_url=self.url, cookies={name: value}, timeout=WITHIN_S)

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        self._process.send_signal(number)
        return self._process.wait(WITHIN_S)

    def __enter__(self) -> RunningDesk:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(20)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
