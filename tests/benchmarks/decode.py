"""How fast exports are decoded, as ratios within one run: `python -m tests.benchmarks.decode`.

The figures and what they are held to stand in docs/performance.md.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from flowdiag.collector.export import open_export, read_export
from flowdiag.flows import FLOW_SCHEMA
from tests.benchmarks import decode_inputs as inputs
from tests.benchmarks import decode_scapy
from tests.benchmarks.decode_floor import floor
from tests.benchmarks.measuring import in_turns, run, verdict

_COUNT = """
import sys
from flowdiag.collector.export import open_export
print(sum(batch.num_rows for batch in open_export(sys.argv[1]).batches()))
"""


def against_the_floor(name: str, path: Path, records: int, repeat: int, wanted: float) -> None:
    bare, whole = in_turns(repeat, lambda: floor(path), lambda: read_export(path))
    ratio = bare / whole
    print(
        f"{name:<44} floor {records / bare / 1e6:5.2f} M/s  read_export {records / whole / 1e6:5.2f} M/s  "
        f"ratio {ratio:.2f} ({verdict(ratio, wanted)})"
    )


def against_scapy(name: str, path: Path, fixed: Path, records: int, repeat: int, wanted: float) -> None:
    """scapy cannot split variable-length fields, so its rate is always that on the fixed template."""
    messages = decode_scapy.first_messages(fixed)
    assert decode_scapy.decode(messages) == 24 * decode_scapy.MESSAGES
    slow, fast = in_turns(repeat, lambda: decode_scapy.decode(messages), lambda: read_export(path))
    rate, slow_rate = records / fast, 24 * decode_scapy.MESSAGES / slow
    print(
        f"{name:<44} scapy {slow_rate / 1e6:7.4f} M/s  read_export {rate / 1e6:5.2f} M/s  "
        f"times {rate / slow_rate:.0f} ({verdict(rate / slow_rate, wanted)})"
    )


def memory(folder: Path, records: int) -> None:
    small = run(_COUNT, str(inputs.capture(folder, 3 * records // 2))).mebioctets
    large = run(_COUNT, str(inputs.capture(folder, 6 * records))).mebioctets
    print(
        f"{'memory of reading a capture 4 times as long':<44} {small:.0f} MiB and {large:.0f} MiB  "
        f"ratio {large / small:.2f} ({verdict(large / small, 1.2, at_most=True)})"
    )


def to_parquet(folder: Path, records: int, repeat: int) -> None:
    """Decoding a capture and writing it, against writing alone, on one core."""
    path = inputs.capture(folder, records)
    target = folder / "flows.parquet"
    table = read_export(path)
    pa.set_cpu_count(1)

    def write() -> None:
        pq.write_table(table, target, compression="zstd")

    def convert() -> None:
        with pq.ParquetWriter(target, FLOW_SCHEMA, compression="zstd") as writer:
            for batch in open_export(path).batches():
                writer.write_batch(batch)

    alone, both = in_turns(repeat, write, convert)
    print(
        f"{'capture to Parquet':<44} write {records / alone / 1e6:5.2f} M/s  decode and write "
        f"{records / both / 1e6:5.2f} M/s  ratio {alone / both:.2f} ({verdict(alone / both, 1.5 / 4)})"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures decoding.")
    parser.add_argument(
        "--records", type=int, default=2_000_000, help="records of an export (default 2 million)"
    )
    parser.add_argument("--repeat", type=int, default=7, help="rounds whose median counts (default 7)")
    parser.add_argument(
        "--folder", type=Path, help="where the exports are kept for another run (default: nowhere)"
    )
    given = parser.parse_args()
    records, repeat = given.records, given.repeat
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        fixed = inputs.fixed_ipfix(folder, records)
        against_the_floor("IPFIX, one template", fixed, records, repeat, 0.5)
        against_the_floor(
            "NetFlow v9, one template", inputs.fixed_netflow9(folder, records), records, repeat, 0.5
        )
        turns, each = inputs.five_templates(folder, records), inputs.five_in_a_message(folder, records)
        against_the_floor("IPFIX, five templates in turn", turns, records, repeat, 0.35)
        against_the_floor("IPFIX, five templates in each message", each, records, repeat, 0.35)
        against_scapy("IPFIX, one template", fixed, fixed, records, repeat, 150)
        varying = inputs.varying(folder, records)
        against_scapy("IPFIX with a variable-length name", varying, fixed, records, repeat, 50)
        to_parquet(folder, records, repeat)
        memory(folder, records)


if __name__ == "__main__":
    main()
