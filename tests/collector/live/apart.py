"""Programs in namespaces of their own: nothing is changed on this machine, and all their processes end with the first."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any, Final

APART: Final = ["unshare", "--net", "--mount", "--pid", "--fork", "--kill-child", "--mount-proc"]
AS_USER: Final = ["--user", "--map-root-user"]
PATIENCE_S: Final = 120
SYSTEM_PACKAGES: Final = Path(__file__).parents[2] / "system-packages"


def told_apart(module: str, *words: str | Path, patience_s: float = PATIENCE_S) -> Any:
    """Runs a module of the tests as root of its own namespaces; gives the JSON that it prints."""
    apart = APART if os.geteuid() == 0 else [*APART, *AS_USER]
    allowed = subprocess.run([*apart, "true"], capture_output=True, text=True)
    assert allowed.returncode == 0, f"this test needs namespaces; be root or allow them: {allowed.stderr}"
    program = [sys.executable, "-m", f"tests.{module}", *map(str, words)]
    done = subprocess.run([*apart, *program], capture_output=True, text=True, timeout=patience_s)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def needs(*programs: str) -> None:
    """Fails and says which Debian packages are missing, of those that tests/run installs."""
    packages = dict(line.split() for line in SYSTEM_PACKAGES.read_text(encoding="utf-8").splitlines())
    missing = [
        f"{program} (Debian's package {packages[program]})"
        for program in programs
        if not shutil.which(program)
    ]
    assert not missing, f"this needs {', '.join(missing)}; `bash tests/run` installs what tests use"
