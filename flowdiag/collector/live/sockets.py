"""The sockets of a collector: for each listening address a UDP and a TCP socket, one of each per worker.

Facts the design follows:
- with SO_REUSEPORT the kernel spreads senders over the sockets of one port, each sender always to the same one
  (Linux socket(7)); but any process of the same user could then take a share, so the port is tried without it first;
- port 0 lets the kernel choose, for UDP alone: what it chooses may be taken over TCP (a closed connection holds its
  port for a minute, RFC 9293 3.6.1), so it is asked again;
- a receive buffer above the system's limit needs CAP_NET_ADMIN; without it the limit counts (net.core.rmem_max);
- [::] is both families in one socket, unless 0.0.0.0 is listed too (IPV6_V6ONLY, RFC 3493 5.3).
"""

from __future__ import annotations

import errno
import re
import socket
from collections.abc import Sequence
from contextlib import suppress
from typing import Final, NamedTuple

from flowdiag.collector.live.udp import SO_RCVBUFFORCE
from flowdiag.errors import UsageError

_ADDRESS: Final = re.compile(r"(?:\[(?P<six>[^\]]*)\]|(?P<host>[^:\[\]]*)):(?P<port>\d{1,5})")
# Connections that the kernel holds until they are accepted; beyond that it lets their makers try again a second later.
_BACKLOG: Final = 1_024
_MOST_CHOICES: Final = 64  # ports that the kernel is asked to choose before none is held to be free


class Listening(NamedTuple):
    """The sockets of one worker at one address."""

    udp: socket.socket
    tcp: socket.socket


class Address(NamedTuple):
    """host: as text; empty for any IPv6 and IPv4 address."""

    host: str
    port: int

    def __str__(self) -> str:
        return (
            f"[{self.host or '::'}]:{self.port}" if ":" in (self.host or "::") else f"{self.host}:{self.port}"
        )


def read_address(text: str) -> Address:
    """HOST:PORT, [IPv6]:PORT or :PORT. Raises UsageError."""
    match = _ADDRESS.fullmatch(text.strip())
    if match is None or int(match["port"]) > 65_535:
        raise UsageError(
            f"{text[:60]!r} is no place to listen at", expected="HOST:PORT, such as 0.0.0.0:4739 or [::]:4739"
        )
    host = match["six"] if match["six"] is not None else match["host"]
    return Address("" if host in ("", "*", "::") else host, int(match["port"]))


def listen(addresses: Sequence[Address], workers: int, buffer: int) -> list[list[Listening]]:
    """The sockets of each worker. buffer: octets of receive buffer. Raises UsageError if an address cannot be bound."""
    four = {address.port for address in addresses if address.host == "0.0.0.0"}
    sockets: list[list[Listening]] = [[] for _ in range(workers)]
    for address in addresses:
        only_six = address.port in four
        try:
            pairs = _pairs(address, workers, only_six, buffer)
        except OSError as error:
            raise UsageError(
                f"cannot listen at {address} ({error.strerror or error})",
                expected="an address of this machine and a port that no other program uses",
            ) from error
        for own, pair in zip(sockets, pairs, strict=True):
            own.append(pair)
    return sockets


def _pairs(address: Address, workers: int, only_six: bool, buffer: int) -> list[Listening]:
    """The sockets at one address, one pair per worker. Raises OSError."""
    choices = 1 if address.port else _MOST_CHOICES
    while True:
        choices -= 1
        pairs: list[Listening] = []
        try:
            free = _pair(address, only_six, buffer, shared=False)
            if workers == 1:
                return [free]
            chosen = Address(address.host, free.udp.getsockname()[1])
            _close([free])
            pairs.extend(_pair(chosen, only_six, buffer, shared=True) for _ in range(workers))
        except OSError as error:
            _close(pairs)
            if choices == 0 or error.errno != errno.EADDRINUSE:
                raise
        else:
            return pairs


def _close(pairs: Sequence[Listening]) -> None:
    for pair in pairs:
        pair.udp.close()
        pair.tcp.close()


def _pair(address: Address, only_six: bool, buffer: int, *, shared: bool) -> Listening:
    udp = _bound(address, socket.SOCK_DGRAM, only_six, shared)
    with suppress(OSError):
        udp.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer)
        udp.setsockopt(socket.SOL_SOCKET, SO_RCVBUFFORCE, buffer)
    try:
        tcp = _bound(Address(address.host, udp.getsockname()[1]), socket.SOCK_STREAM, only_six, shared)
        tcp.listen(_BACKLOG)
    except OSError:
        udp.close()
        raise
    return Listening(udp, tcp)


def _bound(address: Address, kind: socket.SocketKind, only_six: bool, shared: bool) -> socket.socket:
    found = socket.getaddrinfo(address.host or "::", address.port, type=kind, flags=socket.AI_PASSIVE)
    family, _, protocol, _, target = found[0]
    bound = socket.socket(family, kind, protocol)
    try:
        bound.setblocking(False)
        if family == socket.AF_INET6:
            bound.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, bool(address.host) or only_six)
        if kind == socket.SOCK_STREAM:
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, True)
        if shared:
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, True)
        bound.bind(target)
    except OSError:
        bound.close()
        raise
    return bound


def receive_buffer(udp: socket.socket) -> int:
    """Octets that the kernel holds for a socket; it counts its own overhead in, and gives twice what was asked for."""
    return udp.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)
