"""What a store asks of whoever makes roll-ups: sums and summaries that stand beside a file of flows.

Fact the design follows: the store knows where a roll-up stands and that it comes and goes with its flows, in one change;
what is in it is made and read elsewhere (flowdiag/rollup/), from octets alone.
"""

from __future__ import annotations

from typing import Protocol

import pyarrow as pa

from flowdiag.collector.report import ExportReport


class Summary(Protocol):
    """The roll-up of one file of flows in the making."""

    def add(self, flows: pa.Table) -> None:
        """Takes flows of one exporter, in FLOW_SCHEMA, in the order of their file."""
        ...

    def finish(self, report: ExportReport | None) -> bytes | None:
        """The octets of the roll-up; None where so few flows are as quick to read. report: what the decoder learned of them,
        as it stands in the metadata of their file."""
        ...


class Roller(Protocol):
    """Makes roll-ups; goes from process to process by its name."""

    def begin(self, exporter: bytes) -> Summary:
        """For the flows of one exporter (16 octets) that ended on one UTC day."""
        ...
