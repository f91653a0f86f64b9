"""Rankings from roll-ups are those of the flows: to the octet where nothing was folded, within the bound where it was."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from msgspec.structs import replace

from flowdiag.aggregator.top_keys import KINDS, Kind
from flowdiag.aggregator.top_ranking import Request, Top
from flowdiag.cli.main import main
from flowdiag.export_ranking import rank_export
from flowdiag.rollup import asking
from flowdiag.site.profile import Profile
from flowdiag.site.reading import read_profile
from flowdiag.text.wording.coverage import told
from tests.rollup.plain import add_plain_rollups

NO_PEAKS = "Of so long a time the store's sums are ranked, which have no peaks: a shorter one has."


def stored(export: Path, store: Path, most: int | None = None) -> Path:
    """A store of an export with roll-ups beside its files."""
    done = CliRunner().invoke(main, ["ingest", str(export), "--store", str(store)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    assert add_plain_rollups(store, most)
    return store


class Asked:
    """Counts the questions that were answered from summaries."""

    def __init__(self) -> None:
        self.answers: list[bool] = []

    def both(self, store: Path, profile: Profile | None, request: Request) -> tuple[Top, Top]:
        """By the flows, and from the roll-ups, which have to be used."""
        before = len(self.answers)
        of_flows = rank_export([store], profile, request)
        assert len(self.answers) == before  # of so few flows nobody asks roll-ups
        of_sums = rank_export([store], profile, request, cheap_rows=0)
        assert self.answers[before:] == [True]
        return of_flows, of_sums


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    found = Asked()
    rank_store = asking.rank_store

    def counted(*words: Any) -> Top | None:
        top = rank_store(*words)
        found.answers.append(top is not None)
        return top

    monkeypatch.setattr(asking, "rank_store", counted)
    return found


def without_peaks(top: Top) -> Top:
    return replace(
        top, whole=replace(top.whole, rows=tuple(replace(row, peak_mbps=None) for row in top.whole.rows))
    )


def assert_same(of_flows: Top, of_sums: Top) -> None:
    """All figures of both, and what bounds them."""
    assert told(of_sums.remarks) == (*told(of_flows.remarks), NO_PEAKS)
    assert replace(of_sums, remarks=()) == replace(without_peaks(of_flows), remarks=())
    assert of_flows.whole.total_flows


@pytest.fixture(scope="module")
def demo_store(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return stored(demo / "export.ipfix", tmp_path_factory.mktemp("exact") / "flows")


@pytest.mark.parametrize("times", [(None, None), ("13:17", "16:43"), ("12:50", None), (None, "15:10")])
@pytest.mark.parametrize("kind", KINDS)
def test_all_figures_of_a_site_are_those_of_its_flows(
    asked: Asked, demo: Path, demo_store: Path, kind: Kind, times: tuple[str | None, str | None]
) -> None:
    profile = read_profile(demo / "site.toml")
    request = Request(kind, limit=None, window_from=times[0], window_to=times[1])
    assert_same(*asked.both(demo_store, profile, request))


@pytest.mark.parametrize("by", ["packets", "flows"])
@pytest.mark.parametrize("kind", KINDS)
def test_rankings_by_other_measures_too(
    asked: Asked, demo: Path, demo_store: Path, kind: Kind, by: Any
) -> None:
    assert_same(*asked.both(demo_store, read_profile(demo / "site.toml"), Request(kind, by, limit=None)))


@pytest.mark.parametrize("direction", [0, 1])
@pytest.mark.parametrize("link", [0, 1])
@pytest.mark.parametrize("kind", KINDS)
def test_each_link_and_direction_has_its_own(
    asked: Asked, demo: Path, demo_store: Path, kind: Kind, link: int, direction: int
) -> None:
    request = Request(kind, limit=None, link=link, direction=direction)
    of_flows, of_sums = asked.both(demo_store, read_profile(demo / "site.toml"), request)
    assert replace(of_sums, remarks=()) == replace(without_peaks(of_flows), remarks=())


@pytest.mark.parametrize("kind", KINDS)
def test_without_a_profile_private_networks_are_inside(asked: Asked, demo_store: Path, kind: Kind) -> None:
    assert_same(*asked.both(demo_store, None, Request(kind, limit=None)))
