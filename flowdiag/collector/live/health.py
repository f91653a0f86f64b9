"""How a collector is: sums over its processes, what is wrong now, and the status line.

Facts the design follows:
- counters only grow, or what watches them would take the start of a process for a reset: those of processes that
  ended are carried on;
- a loss is said when it happens, with its count: kernel drops, a full disk, a limit that was reached. Nothing is silent.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Final, TypeVar

from msgspec.structs import replace

from flowdiag.collector.live.clocks import steady
from flowdiag.collector.live.counters import Decoded, Received, busiest
from flowdiag.collector.live.tally import latest, summed

Counters = TypeVar("Counters", Received, Decoded)

# What is true now, and not a count since the start.
_NOW: Final = frozenset(
    ("connections", "waiting_segments", "waiting_octets", "decoders", "kept_segments", "kept_octets")
)
# Since when something is so, of which the oldest counts; 0 is never.
_OLDEST: Final = frozenset(("waiting_since",))
# What the kernel counts for as long as the socket is there, whoever reads from it.
_OF_SOCKETS: Final = frozenset(("kernel_drops",))
# A spool that waits for longer than this is not keeping up.
BEHIND_S: Final = 300.0
# The same loss is said again after so long.
SAY_AGAIN_S: Final = 60.0
# What went wrong in the decoding is wrong until it has not happened for so long: several questions of a monitor.
RECENT_S: Final = 300.0
_DECODING: Final = ("forgotten", "evicted", "undecoded", "kept", "deferred", "given_up", "set_aside")

# Counts of which each increase is said, and how.
_LOSSES: Final = (
    ("kernel_drops", "{} datagrams were dropped by the kernel: they came faster than they were taken"),
    ("unspooled", "{} datagrams were lost: nothing could be written to the spool, or its files were removed"),
    ("limited", "{} datagrams were left out: their exporters sent more than --rate allows"),
    ("not_allowed", "{} datagrams came from addresses that --allow does not list"),
    ("connections_broken", "{} connections were closed: what came was no IPFIX, or TLS failed"),
    ("connections_slow", "{} connections were closed: nothing, or no whole message, came in time"),
    (
        "connections_displaced",
        "{} connections gave way to newcomers: they were too many, and had sent no data lately",
    ),
    ("connections_refused", "{} connections were refused: not on the list, or too many"),
    ("senders_forgotten", "{} exporters were forgotten by the receiver: there are too many"),
    ("set_aside", "{} segments could not be decoded and were set aside in the spool; please report this"),
    (
        "forgotten",
        "{} exporters were forgotten: there are too many, or they made the collector keep too much",
    ),
    ("evicted", "{} templates and observation domains were forgotten: their exporters sent too many"),
    ("undecoded", "{} data sets could not be decoded and were left out"),
    ("kept", "{} messages were kept in the spool until their template comes"),
    (
        "deferred",
        "{} messages were kept in the spool: their exporters are new, or cost too much, and have to wait",
    ),
    ("given_up", "{} messages were given up: more was to be kept than there is room for"),
    ("damaged", "{} places in spool segments were damaged and left out"),
    (
        "lost_messages",
        "{} messages of exporters were lost on their way, by their sequence numbers (some may be late)",
    ),
    ("rollups_failed", "{} roll-ups could not be made: questions read the flows instead; please report this"),
    ("rollups_rebuilt", "{} damaged roll-ups of the store were made anew from their flows"),
    ("lost_records", "{} flow records were lost on their way, by their exporters' sequence numbers"),
)


def added(counters: Sequence[Counters], nothing: Counters) -> Counters:
    """The sum of counters, also by exporter; texts are joined, the longest wait counts, and when one was heard last."""
    total = replace(nothing)
    for one in counters:
        for name in one.__struct_fields__:
            mine, its = getattr(total, name), getattr(one, name)
            if name == "exporters":
                value: object = summed(mine, its)
            elif name == "heard":
                value = latest(mine, its)
            elif isinstance(mine, str):
                value = "; ".join(sorted({text for text in (mine, its) if text}))
            elif name in _OLDEST:
                value = min(mine or its, its or mine)
            else:
                value = mine + its
            setattr(total, name, value)
    return total


class Health:
    """The latest state. say: prints a line for people, once for each thing that goes wrong and when it is over."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._gone_received, self._gone_decoded = Received(), Decoded()
        self.received, self.decoded = Received(), Decoded()
        self.rate = 0.0
        self._at = time.monotonic()
        self._wrong: dict[str, str] = {}
        self._said: dict[str, tuple[float, int]] = {}
        self._recent: dict[str, tuple[float, int, int]] = {}

    def update(self, received: Sequence[Received], decoded: Sequence[Decoded]) -> None:
        """Takes the latest counters of all processes."""
        before, now = self.received.datagrams, time.monotonic()
        self.received = added([self._gone_received, *received], Received())
        self.decoded = added([self._gone_decoded, *decoded], Decoded())
        self.rate = max(0, self.received.datagrams - before) / max(now - self._at, 0.001)
        self._at = now
        self._look_for_recent(now)
        self._say_losses(now)
        self._say_changes()

    def carry(self, counters: Received | Decoded) -> Received | Decoded:
        """Keeps the counts of a process that ended in the sums. Gives those with which its successor starts."""
        gone, successor = replace(counters), type(counters)()
        for name in gone.__struct_fields__:
            value = getattr(gone, name)
            if name in _OF_SOCKETS:
                setattr(successor, name, value)
            if name in _NOW | _OF_SOCKETS or isinstance(value, str | float):
                setattr(gone, name, type(value)())
        if isinstance(gone, Received):
            total = self._gone_received = added([self._gone_received, gone], Received())
            total.exporters = busiest(total.exporters)
            total.heard = {name: at for name, at in total.heard.items() if name in total.exporters}
        else:
            self._gone_decoded = added([self._gone_decoded, gone], Decoded())
            self._gone_decoded.exporters = busiest(self._gone_decoded.exporters)
        return successor

    @property
    def waiting_s(self) -> float:
        """For how long the oldest closed segment has waited, as of now; 0 if none does."""
        since = self.decoded.waiting_since
        return max(0.0, steady() - since) if since else 0.0

    @property
    def wrong(self) -> dict[str, str]:
        """What is wrong now, by a short name."""
        received, decoded = self.received, self.decoded
        states = {
            "spool": received.full and f"the spool cannot be written: {received.full}",
            "sync": received.trouble and f"the spool cannot be forced to disk: {received.trouble}",
            "store": decoded.full and f"decoding waits: {decoded.full}",
            "upkeep": decoded.upkeep and f"the store's upkeep failed and is tried again: {decoded.upkeep}",
            "behind": self.waiting_s > BEHIND_S and "decoding is more than five minutes behind",
        }
        texts = dict(_LOSSES)
        states |= {
            name: texts[name].format(f"{count - before:,}")
            for name, (_, before, count) in self._recent.items()
            if count > before
        }
        return {name: text for name, text in states.items() if isinstance(text, str) and text}

    def line(self) -> str:
        """The status in one line."""
        received, decoded = self.received, self.decoded
        refused = received.not_allowed + received.limited
        parts = [
            f"{received.datagrams:,} datagrams, {self.rate:,.0f}/s",
            f"{received.synced:,} on disk",
            f"{decoded.records:,} records stored",
            f"{decoded.waiting_octets / 1e6:,.0f} MB to decode",
            f"{received.kernel_drops + received.unspooled:,} dropped",
            f"{decoded.lost_records:,} records lost before",
        ]
        if refused:
            parts.append(f"{refused:,} refused")
        return ", ".join(parts) + "".join(f"; {text}" for text in self.wrong.values())

    def _look_for_recent(self, now: float) -> None:
        """Of each thing that is wrong in decoding: when it last got more, and how much since it began."""
        for name in _DECODING:
            count = getattr(self.decoded, name)
            at, before, seen = self._recent.get(name, (now, 0, 0))
            if count > seen:
                at = now
            elif now - at > RECENT_S:
                before = count
            self._recent[name] = at, before, count

    def _say_losses(self, now: float) -> None:
        for name, text in _LOSSES:
            count = getattr(self.received, name, 0) + getattr(self.decoded, name, 0)
            at, before = self._said.get(name, (-SAY_AGAIN_S, 0))
            if count > before and now - at >= SAY_AGAIN_S:
                self._said[name] = now, count
                self._say(text.format(f"{count - before:,}"))

    def _say_changes(self) -> None:
        wrong = {name: text for name, text in self.wrong.items() if name not in _DECODING}
        for name, text in wrong.items():
            if name not in self._wrong:
                self._say(text)
        for name in self._wrong.keys() - wrong.keys():
            self._say(f"over: {self._wrong[name]}")
        self._wrong = wrong
