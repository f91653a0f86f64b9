"""What a reader knows of the file it reads.

A name for messages, a number among the inputs, where problems go.
"""

from __future__ import annotations

from collections.abc import Callable

from flowdiag.addresses import UNKNOWN_ADDRESS
from flowdiag.collector.datagram import Session
from flowdiag.collector.readers.density import (
    FREE_SEARCHED,
    TOO_DAMAGED,
    TOO_DENSE,
    most_pieces,
    most_records,
)
from flowdiag.collector.readers.inputs import MAX_FILES
from flowdiag.collector.report import ExportReport, Problem


class Source:
    """One input of a run.

    name: the path as the user gave it. number: counts the inputs from 0, keeps the sessions of two files
    apart. octets: read of it so far, as they were given, compressed or not; None where nobody counts them.
    """

    def __init__(self, name: str, number: int, report: ExportReport) -> None:
        self.name = name
        self.number = number
        self.octets: int | None = None
        self._pieces = 0
        self._searched = 0
        self._part = 0
        self._report = report
        self._noted: dict[str, Problem] = {}

    def counting(self, count: Callable[[int], None]) -> Callable[[int], None]:
        """A function to call with the octets of each read, which calls count as well."""

        def counted(octets: int) -> None:
            self.octets = (self.octets or 0) + octets
            count(octets)

        return counted

    def problem(self, offset: int | None, what: str, count: int = 1) -> None:
        """Note something left out; offset in octets from the decompressed start of this file."""
        known = self._noted.get(what)
        if known is not None:  # a capture may repeat one kind a million times
            known.count += count
            return
        self._report.problem(self.name, offset, what, count)
        self._noted[what] = next(
            problem
            for problem in reversed(self._report.problems)
            if problem.what == what and problem.file == self.name
        )

    def too_dense(self, pieces: int, records: int = 0) -> bool:
        """Whether the file holds more for its size than any export does, which is noted then.

        pieces: packets, blocks or messages met since the last question; records: flow records in all.
        """
        self._pieces += pieces
        if self.octets is None or (
            self._pieces <= most_pieces(self.octets) and records <= most_records(self.octets)
        ):
            return False
        self.problem(None, TOO_DENSE)
        return True

    def too_damaged(self, searched: int) -> bool:
        """Whether more was searched after damage than a file of its size is worth, which is noted then.

        searched: octets since the last question.
        """
        self._searched += searched
        if self.octets is None or self._searched <= FREE_SEARCHED + self.octets:
            return False
        self.problem(None, TOO_DAMAGED)
        return True

    def next_part(self) -> None:
        """Another file begins in the same stream: its messages are a session of their own."""
        self._part += 1

    @property
    def file_session(self) -> Session:
        """The one session of a file of messages (RFC 5655 7.1).

        No addresses, told apart by the file's number, and by its part of a stream that holds several.
        """
        return Session(UNKNOWN_ADDRESS, 0, UNKNOWN_ADDRESS, 0, "file", self._part * MAX_FILES + self.number)
