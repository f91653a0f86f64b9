"""Sites of all sorts, each with some hours of traffic in a store with roll-ups."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq
from click.testing import CliRunner
from msgspec.structs import replace

from flowdiag.cli.main import main
from flowdiag.collector.readers.parquet import flow_batch
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.beside import Making
from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.layout import rollup_path
from flowdiag.collector.store.opening import open_backend
from flowdiag.flows import FLOW_SCHEMA
from flowdiag.rollup.form import to_octets
from flowdiag.rollup.making import RollingSummary
from flowdiag.rollup.shape import RollUp
from flowdiag.site.profile import Profile
from flowdiag.site.reading import read_profile
from tests.rollup.plain import plain_rollup
from tests.scenarios.files import lay_out
from tests.scenarios.stage import Stage
from tests.scenarios.translation import translate

MINUTES: Final = 200
Maker = Callable[[list[pa.RecordBatch], bytes, dict[bytes, bytes]], RollUp]


def _plain(s: Stage) -> None:
    s.router(protocol="ipfix", both_points=False, direction_field=False, application_field=False)


def _both_points(s: Stage) -> None:
    s.router(protocol="netflow9", both_points=True, direction_field=True)
    s.site(backup=True, v6=True)


def _sampled(s: Stage) -> None:
    s.router(protocol="ipfix", sampling=50, both_points=False, active_s=300)
    s.site((300, 100), v6=True, backup=True, framing="pppoe")


def _version_5(s: Stage) -> None:
    s.router(protocol="netflow5", both_points=False, application_field=False)
    s.site(framing="ethernet", v6=False)


def _named(s: Stage) -> None:
    s.router(protocol="netflow9", application_field=True, both_points=False)
    s.site(framing="wire", backup=True)


def _without_interfaces(s: Stage) -> None:
    s.router(protocol="ipfix", interfaces=False, both_points=False)
    s.site(v6=True)


def _links_not_apart(s: Stage) -> None:
    s.router(protocol="netflow9", interfaces=False, both_points=False)
    s.site(backup=True, v6=False)


def _translated(s: Stage) -> None:
    s.router(protocol="ipfix", both_points=True, direction_field=True)
    s.site(v6=False)


def _only_outside(s: Stage) -> None:
    s.router(protocol="ipfix", both_points=False)
    s.site(v6=False)


def _foreign(s: Stage) -> None:
    s.router(protocol="ipfix", both_points=False)
    s.container = "pcap"
    s.site()
    s.foreign = True


KINDS_OF_SITE: Final = {
    "plain": _plain,
    "both-points": _both_points,
    "sampled": _sampled,
    "version-5": _version_5,
    "named": _named,
    "without-interfaces": _without_interfaces,
    "links-not-apart": _links_not_apart,
    "translated": _translated,
    "only-outside": _only_outside,
    "foreign": _foreign,
}


def lay(name: str, folder: Path) -> tuple[Path, Profile, tuple[str, str]]:
    """A store without roll-ups, the site's profile, and a window in it."""
    s = Stage(f"rolled-{name}", 1)
    KINDS_OF_SITE[name](s)
    s.automatic = False
    s.ways = []
    s.open(MINUTES, hosts=9, background=0.02)
    if name in ("translated", "only-outside"):
        translate(s, s.scene, inner=name == "translated")
    export, profile = lay_out(s.labelled(), folder)
    begin, end = s.at(17.3), s.at(MINUTES - 11.7)
    return ingested(export, folder / "flows"), read_profile(profile), (_iso(begin), _iso(end))


def ingested(export: Path, store: Path) -> Path:
    """The store with an export in it."""
    done = CliRunner().invoke(main, ["ingest", str(export), "--store", str(store)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return store


def _iso(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).isoformat(timespec="seconds")


def exact(batches: list[pa.RecordBatch], exporter: bytes, metadata: dict[bytes, bytes]) -> RollUp:
    return plain_rollup(batches, exporter, metadata)


def folded(batches: list[pa.RecordBatch], exporter: bytes, metadata: dict[bytes, bytes]) -> RollUp:
    return plain_rollup(batches, exporter, metadata, most=6)


def made(batches: list[pa.RecordBatch], exporter: bytes, metadata: dict[bytes, bytes]) -> RollUp:
    """As a store makes it."""
    making = RollingSummary(exporter)
    making.add(pa.Table.from_batches(batches, FLOW_SCHEMA))
    report = ExportReport()
    StoredFlows(report).add_metadata(metadata, "file")
    rollup = making.rollup(report)
    assert rollup is not None
    return rollup


def add_rollups(store: Path, making: Maker, **facts: Any) -> None:
    """Puts a roll-up beside each file of a store. facts: that it is to have instead of its own."""
    backend = open_backend(store)
    for file in find_files(backend):
        table = pq.ParquetFile(store / file.target)
        metadata = table.metadata.metadata or {}
        batches = [flow_batch(batch, metadata) for batch in table.iter_batches()]
        rollup = making(batches, file.partition.exporter, metadata)
        rollup = replace(rollup, facts=replace(rollup.facts, **facts))
        writing = Making(None, file.partition)
        assert writing.write(backend, to_octets(rollup), rollup_path(file.target), file.target)
