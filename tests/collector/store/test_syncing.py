"""What a power cut leaves: files are on disk before the journal tells of them, names before it is done; each once."""

from __future__ import annotations

import os
from collections import Counter
from pathlib import Path

import pytest

from flowdiag.addresses import V4_PREFIX
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.folder import ASIDE
from flowdiag.collector.store.layout import JOURNAL
from flowdiag.collector.store.opening import open_backend
from tests.collector.store.building import START, add_stretch, batch, content, files_in, flow, report

EXPORTERS = 40


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, str]]:
    """What was synced, and what appeared under its name, in order."""
    told: list[tuple[str, str]] = []
    fsync, replace = os.fsync, Path.replace

    def synced(descriptor: int) -> None:
        fsync(descriptor)
        told.append(("synced", os.readlink(f"/proc/self/fd/{descriptor}")))

    def replaced(source: Path, target: Path) -> Path:
        told.append(("named", str(target)))
        return replace(source, target)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", replaced)
    return told


def test_files_are_synced_before_the_journal_and_folders_before_it_is_done(
    tmp_path: Path, steps: list[tuple[str, str]]
) -> None:
    store = tmp_path / "flows"
    backend = open_backend(store)
    make_store(backend)
    steps.clear()
    flows = [flow(1, exporter=V4_PREFIX + bytes([192, 0, 2, number])) for number in range(EXPORTERS)]
    add_stretch(backend, content("all"), [batch(*flows)], report(1), START)
    begun, done = (n for n, step in enumerate(steps) if step == ("named", str(store / JOURNAL)))
    before = {path for step, path in steps[:begun] if step == "synced"}
    meanwhile = Counter(path for step, path in steps[begun:done] if step == "synced")
    files = [store / path for path in files_in(store)]
    assert len(files) == EXPORTERS
    aside = [path for path in before if path.endswith(".parquet")]
    assert len(aside) == EXPORTERS
    assert {*{str(Path(path).parent) for path in aside}, str(store / ASIDE)} < before
    named = {str(folder) for file in files for folder in (file.parent, file.parent.parent)}
    assert {*named, str(store)} < meanwhile.keys()
    assert all(meanwhile[folder] == 1 for folder in named)
