"""What came of an attack, and what of that a collector ought not to let happen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

MAX_MEMORY: Final = 700 << 20
MAX_END_S: Final = 10.0
# How long records may take into the store after an attack.
MAX_RECOVERY_S: Final = 60.0


@dataclass(frozen=True)
class Fate:
    """What became of an exporter's records. spooled: None if nobody looked; doubled: in the store more than once."""

    name: str
    sent: int
    spooled: int | None
    stored: int
    doubled: int = 0

    @property
    def missing(self) -> int:
        return self.sent - self.stored

    def faults(self) -> list[str]:
        found = []
        if self.missing:
            where = "" if self.spooled is None else f", {self.sent - self.spooled:,} not even spooled"
            found.append(f"{self.name}: {self.missing:,} of {self.sent:,} records are missing{where}")
        if self.doubled:
            found.append(f"{self.name}: {self.doubled:,} records are in the store more than once")
        return found


@dataclass(frozen=True)
class Outcome:
    """fired: hostile datagrams and connections; memory: octets of all processes at the worst moment; recovery_s: from the
    end of the attack until the honest records of before were in the store, None if that took too long; ended_s: from SIGTERM
    to the end; unanswered: times that /health was asked for in vain; drops: datagrams that the kernel dropped; folders:
    exporters in the store; told: what the collector said, and its counters."""

    attack: str
    fired: int
    fates: tuple[Fate, ...]
    memory: int
    recovery_s: float | None
    code: int
    ended_s: float
    unanswered: int
    drops: int
    folders: int
    told: str = ""

    def faults(self) -> list[str]:
        """In words."""
        found = [fault for fate in self.fates for fault in fate.faults()]
        if self.recovery_s is None or self.recovery_s > MAX_RECOVERY_S:
            late = "too late" if self.recovery_s is None else f"{self.recovery_s:.0f} s later"
            found.append(f"what was sent before the attack ended was {late} in the store")
        if self.memory > MAX_MEMORY:
            found.append(f"{self.memory >> 20:,} MiB of memory, more than {MAX_MEMORY >> 20}")
        if self.code:
            found.append(f"exit code {self.code}")
        if self.ended_s > MAX_END_S:
            found.append(f"it took {self.ended_s:.1f} s to end")
        if self.unanswered:
            found.append(f"/health was not answered {self.unanswered} times")
        if self.drops:
            found.append(f"the kernel dropped {self.drops:,} datagrams")
        return found

    def row(self) -> tuple[str, ...]:
        """As COLUMNS."""
        spooled = [fate.spooled for fate in self.fates]
        counted = sum(count for count in spooled if count is not None)
        return (
            self.attack,
            f"{self.fired:,}",
            f"{sum(fate.sent for fate in self.fates):,}",
            "-" if None in spooled else f"{counted:,}",
            f"{sum(fate.stored for fate in self.fates):,}",
            f"{sum(fate.missing for fate in self.fates):,}",
            f"{self.memory / (1 << 20):,.0f}",
            "late" if self.recovery_s is None else f"{self.recovery_s:.1f}",
            f"{self.code}, {self.ended_s:.1f} s",
            f"{self.folders:,}",
        )


COLUMNS: Final = (
    "attack", "hostile", "sent", "spooled", "stored", "missing", "MiB", "s to recover", "exit", "folders",
)  # fmt: skip
_WIDTHS: Final = (22, 10, 11, 11, 11, 11, 6, 13, 10, 8)


def line(words: tuple[str, ...]) -> str:
    """A row of the table: the name on the left, figures on the right."""
    first, *others = zip(words, _WIDTHS, strict=True)
    return f"{first[0]:{first[1]}}" + "".join(f"{word:>{width}}" for word, width in others)
