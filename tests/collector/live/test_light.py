"""Only the decoders' processes load what decoding needs: the others start at once and stay small."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = ("numpy", "pyarrow", "pandas", "netaddr", "pydantic")


def loaded(statement: str) -> str:
    look = f"import sys; {statement}; print([name for name in {HEAVY} if name in sys.modules])"
    return subprocess.run(
        [sys.executable, "-c", look], capture_output=True, text=True, check=True
    ).stdout.strip()


@pytest.mark.parametrize("module", ["receiver", "supervisor", "collecting"])
def test_who_takes_datagrams_in_and_who_looks_after_it_decode_nothing(module: str) -> None:
    assert loaded(f"import flowdiag.collector.live.{module}") == "[]"


def test_a_decoder_loads_what_it_needs() -> None:
    assert loaded("import flowdiag.collector.live.decoding") == "['numpy', 'pyarrow']"
