"""Programs in namespaces of their own: nothing is changed on this machine, and all their processes end with the first."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any, Final

APART: Final = ["unshare", "--net", "--mount", "--pid", "--fork", "--kill-child", "--mount-proc"]
AS_USER: Final = ["--user", "--map-root-user"]
PATIENCE_S: Final = 120


def told_apart(module: str, *words: str | Path) -> Any:
    """Runs a module of these tests as root of its own namespaces; gives the JSON that it prints."""
    apart = APART if os.geteuid() == 0 else [*APART, *AS_USER]
    allowed = subprocess.run([*apart, "true"], capture_output=True, text=True)
    assert allowed.returncode == 0, f"this test needs namespaces; be root or allow them: {allowed.stderr}"
    program = [sys.executable, "-m", f"tests.collector.live.{module}", *map(str, words)]
    done = subprocess.run([*apart, *program], capture_output=True, text=True, timeout=PATIENCE_S)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)
