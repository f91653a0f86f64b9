"""What a store asks of whoever makes roll-ups: sums and summaries that stand beside a file of flows.

Facts the design follows:
- the store knows where a roll-up stands and that it comes and goes with its flows, in one change; what is in it is made
  and read elsewhere (flowdiag/rollup/), from octets alone;
- a collector's supervisor hands a roller on and computes nothing: nothing heavy is loaded here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import pyarrow as pa

    from flowdiag.collector.report import ExportReport


class Summary(Protocol):
    """The roll-up of one file of flows in the making."""

    def add(self, flows: pa.Table) -> None:
        """Takes flows of one exporter, in FLOW_SCHEMA, in the order of their file."""
        ...

    def finish(self, report: ExportReport | None, *, even_small: bool = False) -> bytes | None:
        """The octets of the roll-up; None where so few flows are as quick to read, unless even_small: the flows will not stay.
        report: what the decoder learned of them, as it stands in the metadata of their file."""
        ...


class Roller(Protocol):
    """Makes roll-ups; goes from process to process by its name."""

    def begin(self, exporter: bytes) -> Summary:
        """For the flows of one exporter (16 octets) that ended on one UTC day."""
        ...

    def is_sound(self, octets: bytes) -> bool:
        """Whether octets are a whole roll-up, as this roller makes them."""
        ...
