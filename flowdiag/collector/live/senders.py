"""Who sends, what each may send, and the packet headers of each.

Facts the design follows:
- a sender is an address and port (a transport session, RFC 7011 8.1); an exporter is an address. Limits are the
  exporter's, or many ports would be many allowances;
- each second an exporter has credit for so many datagrams. Without credit they are counted and left out before they
  cost the disk and the decoder anything; who may not send at all has never any;
- senders can be forged without end (RFC 7011 11.4): a full table of exporters forgets the half that is worth least, those
  heard for the first time before those that were heard in many seconds; their counts stay in the sums. What is known of
  senders can be had again at once from their exporter, so their tables just start afresh.
"""

from __future__ import annotations

import time
from typing import Final

from msgspec import Struct, field

from flowdiag.addresses import to_bytes
from flowdiag.collector.frames import udp_front
from flowdiag.collector.live.allow import AllowList, plain

MAX_EXPORTERS: Final = 16_384
MAX_SENDERS: Final = 65_536
# Packet headers kept of all senders, one for each length of payload; exporters fill their datagrams alike.
MAX_FRONTS: Final = 131_072


class Exporter(Struct):
    """Counts are of datagrams, as of the last refill unless said otherwise."""

    address: bytes
    name: str
    allowed: bool
    credit: int = 0  # that it may send until the next refill, now
    granted: int = 0  # the credit at the last refill
    over: int = 0  # refused since then
    taken: int = 0
    limited: int = 0  # refused for want of credit
    heard: int = 0  # when the last one was taken, s since 1970
    seconds: int = 0  # refills before which some were taken
    idle: int = 0  # refills since then

    @property
    def worth(self) -> tuple[int, int]:
        """Who is worth least goes first: the magnitude of the seconds in which it sent, then who was quiet for long."""
        return (self.seconds + (self.credit < self.granted)).bit_length(), -self.idle

    def settle(self) -> tuple[int, int]:
        """Counts what came since the last refill. Gives datagrams taken and refused."""
        taken, over = self.granted - self.credit, self.over
        self.taken += taken
        if taken:
            self.heard = int(time.time())
        self.seconds += taken > 0
        self.idle = 0 if taken else self.idle + 1
        self.granted, self.over = self.credit, 0
        if self.allowed:
            self.limited += over
        return taken, over


class Sender(Struct):
    """One address and port, seen at one socket. fronts: packet headers by length of payload."""

    exporter: Exporter
    port: int
    socket: Senders
    fronts: dict[int, bytes] = field(default_factory=dict)

    def front(self, octets: int) -> bytes:
        """The packet headers of a payload of so many octets."""
        target, target_port = self.socket.target
        front = udp_front(self.exporter.address, self.port, target, target_port, octets)
        self.socket.keep_front()
        self.fronts[octets] = front
        return front


class Exporters:
    """All exporters that were heard lately. rate: datagrams a second that each may send.

    taken, limited, not_allowed: datagrams in all, as of the last refill; forgotten: exporters that had to go.
    """

    def __init__(self, allow: AllowList, rate: int) -> None:
        self._allow = allow
        self._rate = rate
        self._by_host: dict[str, Exporter] = {}
        self.taken = 0
        self.limited = 0
        self.not_allowed = 0
        self.forgotten = 0
        self.generation = 0  # counts up when senders must forget the exporters they know

    def get(self, host: str) -> Exporter:
        """The exporter of an address as a socket gives it."""
        exporter = self._by_host.get(host)
        if exporter is None:
            if len(self._by_host) >= MAX_EXPORTERS:
                self._forget()
            name = plain(host)
            exporter = self._by_host[host] = Exporter(to_bytes(name), name, self._allow.allows(name))
            self._grant(exporter, self._rate)
        return exporter

    def refill(self, seconds: float) -> None:
        """Counts, and gives each exporter credit for the next second. seconds: since the last time."""
        credit = round(self._rate * max(seconds, 1.0))
        for exporter in self._by_host.values():
            self._settle(exporter)
            self._grant(exporter, credit)

    def allow(self, allow: AllowList) -> None:
        """Another list counts from now on."""
        self._allow = allow
        for exporter in self._by_host.values():
            self._settle(exporter)
            exporter.allowed = allow.allows(exporter.name)
            self._grant(exporter, self._rate)

    def heard(self) -> list[Exporter]:
        """Those that may send, the busiest first."""
        return sorted((e for e in self._by_host.values() if e.allowed), key=lambda e: (-e.taken, e.address))

    def _grant(self, exporter: Exporter, credit: int) -> None:
        exporter.credit = exporter.granted = credit if exporter.allowed else 0

    def _settle(self, exporter: Exporter) -> None:
        taken, refused = exporter.settle()
        self.taken += taken
        if exporter.allowed:
            self.limited += refused
        else:
            self.not_allowed += refused

    def _forget(self) -> None:
        ranked = sorted(self._by_host.items(), key=lambda item: item[1].worth)
        gone = ranked[: len(ranked) // 2 + 1]
        for host, exporter in gone:
            self._settle(exporter)
            del self._by_host[host]
        self.forgotten += len(gone)
        self.generation += 1


class Senders:
    """The senders seen at one socket. target: the socket's own address, 16 octets, and port."""

    def __init__(self, exporters: Exporters, target: bytes, target_port: int) -> None:
        self._exporters = exporters
        self.target = target, target_port
        self._generation = exporters.generation
        self._fronts = 0
        self.known: dict[object, Sender] = {}

    def get(self, address: tuple[str, int]) -> Sender:
        """The sender of an address as recvfrom() or accept() gives it."""
        self.renew()
        sender = self.known.get(address)
        if sender is None:
            if len(self.known) >= MAX_SENDERS:
                self._forget()
            exporter = self._exporters.get(address[0])
            sender = Sender(exporter, address[1], self)
            self.renew()
            self.known[address] = sender
        return sender

    def renew(self) -> None:
        """Forgets all senders once Exporters has forgotten some exporters."""
        if self._generation != self._exporters.generation:
            self._generation = self._exporters.generation
            self._forget()

    def keep_front(self) -> None:
        """Makes room for one more of the headers that senders keep."""
        if self._fronts >= MAX_FRONTS:
            for sender in self.known.values():
                sender.fronts.clear()
            self._fronts = 0
        self._fronts += 1

    def _forget(self) -> None:
        self.known.clear()
        self._fronts = 0
