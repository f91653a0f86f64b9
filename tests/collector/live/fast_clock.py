"""A system's clock that runs fast, for a collector in processes of its own and for whoever tests it."""

from __future__ import annotations

import time
from pathlib import Path

# What each Python process of the collector does first (sitecustomize).
_CODE = """
import time
passing = time.monotonic
def now():
    return {wall!r} + (passing() - {passing!r}) * {fast!r}
time.time = now
time.time_ns = lambda: int(now() * 1e9)
"""


class FastClock:
    """Begins with a whole minute. folder: becomes the one in which those Pythons look first; fast: seconds a second; more:
    what they do as well."""

    def __init__(self, folder: Path, fast: float, more: str = "") -> None:
        self.modules = folder
        self._fast = fast
        self._passing = time.monotonic()
        self._wall = time.time() // 60 * 60
        folder.mkdir()
        code = _CODE.format(wall=self._wall, passing=self._passing, fast=fast)
        (folder / "sitecustomize.py").write_text(code + more)

    def minute(self) -> int:
        """The minute it is, since this clock began."""
        return int((time.monotonic() - self._passing) * self._fast // 60)

    def since_end(self, minute: int) -> float:
        """True seconds since a minute ended."""
        return time.monotonic() - self._passing - 60 * (minute + 1) / self._fast
