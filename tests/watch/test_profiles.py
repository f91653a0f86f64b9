"""A watch goes on with a profile that is broken while it runs, and says so; what happens to sites that have none any more."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.folder import Folder
from flowdiag.errors import FlowdiagError
from flowdiag.scenario.library import FERRY_OFFICE
from flowdiag.scenario.site import profile_toml
from flowdiag.site import catalogue
from flowdiag.watch.service import Settings, watching
from flowdiag.watch.watcher import Round


@pytest.fixture
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Settings:
    monkeypatch.setattr(catalogue, "LOOKED_AT_EVERY_S", 0.0)
    make_store(Folder(tmp_path / "flows"))
    sites = tmp_path / "sites"
    sites.mkdir()
    for name in ("harbour", "corner"):
        (sites / f"{name}.toml").write_text(profile_toml(FERRY_OFFICE), encoding="utf-8")
    return Settings(str(tmp_path / "flows"), sites)


def test_a_site_whose_profile_breaks_is_watched_as_it_was(settings: Settings) -> None:
    with watching(settings, lambda _: None, threading.Event()) as (watcher, holding):
        assert watcher.round(holding.hold()).sites == 2
        (settings.sites / "corner.toml").write_text("x[[", encoding="utf-8")
        broken = watcher.round(holding.hold())
        assert broken.sites == 2
        (fault,) = broken.faults.items()
        assert fault[0].endswith("corner.toml")
        assert "not TOML" in fault[1]
        (settings.sites / "corner.toml").unlink()
        gone = watcher.round(holding.hold())
        assert (gone.sites, gone.faults) == (1, {})


def test_a_folder_of_sites_that_is_away_is_waited_for(settings: Settings) -> None:
    stop, failed = threading.Event(), []
    away = settings.sites.with_name("away")

    def told(_: Round) -> None:
        if settings.sites.is_dir() and not failed:
            settings.sites.rename(away)
        elif failed:
            stop.set()

    def trouble(error: FlowdiagError) -> None:
        failed.append(str(error))
        away.rename(settings.sites)

    with watching(settings, lambda _: None, stop) as (watcher, _):
        watcher.run(0.2, told, trouble)
    assert len(failed) == 1
    assert "no such folder" in failed[0]
