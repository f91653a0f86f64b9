"""What aggregation costs against bare Arrow and numpy: `python -m tests.benchmarks.aggregate`.

Three figures: talkers ranked by `top`'s own passes against one `group_by` and top-k of pyarrow over the same columns; flows
spread over a day's one-minute windows of two links and both directions against whole-column numpy; and the memory of
`flowdiag top` on a store (or an IPFIX file), as a process of its own.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.addresses import V4_PREFIX
from flowdiag.aggregator.applications import catalogue
from flowdiag.aggregator.build import COLUMN_TYPES
from flowdiag.aggregator.labels import Labels
from flowdiag.aggregator.partials import merge
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spread import WindowGrid, spread
from flowdiag.aggregator.top import ANY_SITE
from flowdiag.aggregator.top_keys import Keys
from flowdiag.aggregator.top_parts import partials
from flowdiag.aggregator.top_passes import CHUNK_ROWS
from flowdiag.aggregator.top_ranking import Ranking, Request, ranked
from flowdiag.flows import ADDRESS
from flowdiag.scenario.bulk import write_bulk
from tests.benchmarks.measuring import in_turns, run, verdict

MINUTE_MS: Final = 60_000
DAY_MS: Final = 86_400_000
HOSTS: Final = 5_000
SHOWN: Final = 20
BARE_PART: Final = 0.6  # of what bare pyarrow or numpy does
FAST: Final = 10.0  # M flows/s, enough whatever numpy does
SUMS: Final = ("octets", "wire_octets", "packets")
COMMAND: Final = "import sys\nfrom flowdiag.cli.main import main\nmain()"


def some_flows(rows: int, hosts: int = HOSTS) -> SiteFlows:
    """Flows of a day on two links, both ways, with few large hosts and many small ones."""
    rng = np.random.Generator(np.random.PCG64(1))
    start = rng.integers(0, DAY_MS - 1, rows)
    octets = rng.integers(40, 1_000_000, rows).astype(np.float64)
    known: dict[str, NDArray[Any]] = {
        "start_ms": start,
        "end_ms": np.minimum(start + rng.integers(0, 300_000, rows), DAY_MS),
        "octets": octets,
        "packets": np.maximum(octets // 800, 1),
        "wire_octets": octets + 18 * np.maximum(octets // 800, 1),
        "link": rng.integers(0, 2, rows).astype(np.int8),
        "direction": rng.integers(0, 2, rows).astype(np.int8),
        "inside": (hosts * rng.random(rows) ** 2).astype(np.int32),
    }
    empty = {name: np.zeros(rows, dtype) for name, dtype in COLUMN_TYPES.items() if name not in known}
    addresses = tuple(V4_PREFIX + bytes([10, *number.to_bytes(3, "big")]) for number in range(hosts))
    return SiteFlows(**known, **empty, addresses=addresses, applications=("unknown",))


def pieces(flows: SiteFlows) -> Iterator[SiteFlows]:
    """The flows as `top` gets them, a chunk at a time."""
    for begin in range(0, len(flows), CHUNK_ROWS):
        columns = {name: getattr(flows, name)[begin : begin + CHUNK_ROWS] for name in COLUMN_TYPES}
        yield replace(flows, **columns)


def talkers(flows: SiteFlows) -> Ranking:
    """As `flowdiag top talkers` ranks them."""
    window, keys = (0, DAY_MS), Keys("talkers", Labels(ANY_SITE), flows.addresses, catalogue())
    parts = [part for piece in pieces(flows) for part in partials(piece, window, keys, "octets")]
    whole = keys.with_values(merge(*parts), flows.applications)
    return ranked(whole.table, window, keys, Request("talkers", limit=SHOWN), whole)[1]


def bare_ranking(flows: SiteFlows) -> Callable[[], pa.Table]:
    """The same columns, the address of each flow included, in one group_by and top-k."""
    inside = pa.array(flows.addresses, ADDRESS).take(pa.array(flows.inside))
    columns = {name: getattr(flows, name) for name in (*SUMS, "start_ms", "end_ms")}
    table = pa.table({"inside": inside, **columns})
    aggregates: list[Any] = [
        *((name, "sum") for name in SUMS),
        ([], "count_all"),
        ("start_ms", "min"),
        ("end_ms", "max"),
    ]

    def work() -> pa.Table:
        grouped = table.group_by("inside").aggregate(aggregates)
        return grouped.take(pc.select_k_unstable(grouped, SHOWN, [("octets_sum", "descending")]))

    return work


def bare_spread(flows: SiteFlows, series: NDArray[np.int16]) -> NDArray[np.float64]:
    """Octets per series and window by whole columns: first and last window by their part, those between by a
    difference array.
    """
    windows = DAY_MS // MINUTE_MS
    cells = 4 * windows
    start, end, octets = flows.start_ms, flows.end_ms, flows.wire_octets
    first, last = start // MINUTE_MS, np.maximum(end - 1, start) // MINUTE_MS
    base = series.astype(np.int64) * windows
    one = first == last
    found: NDArray[Any] = np.bincount(base[one] + first[one], octets[one], cells)
    more = ~one
    first, last, base = first[more], last[more], base[more]
    rate = octets[more] / (end[more] - start[more])
    found += np.bincount(base + first, ((first + 1) * MINUTE_MS - start[more]) * rate, cells)
    found += np.bincount(base + last, (end[more] - last * MINUTE_MS) * rate, cells)
    changes: NDArray[Any] = np.bincount(base + first + 1, rate * MINUTE_MS, cells + 1)
    changes -= np.bincount(base + last, rate * MINUTE_MS, cells + 1)
    spread_out: NDArray[np.float64] = (found + np.cumsum(changes)[:cells]).reshape(4, windows)
    return spread_out


def rank_figures(flows: SiteFlows, repeat: int) -> None:
    bare = bare_ranking(flows)
    assert [row.octets for row in talkers(flows).rows] == bare()["octets_sum"].to_pylist()
    ours, arrow = in_turns(repeat, lambda: talkers(flows), bare)
    print(
        f"talkers     {len(flows) / ours / 1e6:6.1f} M flows/s; bare pyarrow {len(flows) / arrow / 1e6:6.1f}"
    )
    print(f"  ratio     {arrow / ours:6.2f} ({verdict(arrow / ours, BARE_PART)})")


def spread_figures(flows: SiteFlows, repeat: int) -> None:
    grid = WindowGrid(0, MINUTE_MS, DAY_MS // MINUTE_MS)
    series = (flows.link * 2 + flows.direction).astype(np.int16)

    def ours() -> NDArray[np.float64]:
        return spread(flows.start_ms, flows.end_ms, [flows.wire_octets], grid, series, 4)

    np.testing.assert_allclose(ours()[0], bare_spread(flows, series), rtol=1e-6, atol=1)
    own, bare = in_turns(repeat, ours, lambda: bare_spread(flows, series))
    rate, bare_rate = len(flows) / own / 1e6, len(flows) / bare / 1e6
    wanted = round(min(FAST, BARE_PART * bare_rate), 2)
    print(f"spread      {rate:6.1f} M flows/s; bare numpy {bare_rate:6.1f}; ratio {rate / bare_rate:.2f}")
    print(f"  M flows/s {rate:6.1f} ({verdict(rate, wanted)})")


def memory_figures(records: int, folder: Path) -> None:
    export = write_bulk(folder / "day.ipfix", records)
    store = folder / "store"
    run(COMMAND, "ingest", str(export), "--store", str(store), "--quiet")
    for name, path in (("store", store), ("IPFIX file", export)):
        for kind in ("talkers", "conversations"):
            used = run(COMMAND, "top", kind, str(path), "--quiet")
            met = verdict(used.mebioctets, 700, at_most=True)
            print(
                f"top {kind}, {records / 1e6:g} M records, {name}: {used.seconds:.1f} s, {used.mebioctets:.0f} MiB ({met})"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures aggregation.")
    parser.add_argument(
        "--rows", type=int, default=5_000_000, help="flows ranked and spread (default 5 million)"
    )
    parser.add_argument(
        "--records", type=int, default=12_000_000, help="records of the export (default 12 million)"
    )
    parser.add_argument("--repeat", type=int, default=5, help="rounds whose median counts (default 5)")
    given = parser.parse_args()
    flows = some_flows(given.rows)
    rank_figures(flows, given.repeat)
    spread_figures(flows, given.repeat)
    del flows
    if given.records:
        with tempfile.TemporaryDirectory() as scratch:
            memory_figures(given.records, Path(scratch))


if __name__ == "__main__":
    main()
