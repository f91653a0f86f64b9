"""The connections of a receiver: how many there may be, until when each has to get on, and who gives way.

Facts the design follows:
- a connection costs a descriptor and memory whether anything comes or not, and costs its maker nothing: pending
  connections are an attack on a Collecting Process (RFC 7011 11.4). So each has to show that an exporter is behind it:
  the header of a message within HEADER_S of the connection, later of the message's first octet; the whole message within
  MESSAGE_S of that; something at all within IDLE_S. The times are ours: neither RFC 7011 nor RFC 5153 gives any (from memory);
- who has sent data may be quiet for as long as the other end answers (TCP keepalive): sites sleep at night, and templates
  are sent once in a connection (RFC 7011 8.1), so that its end costs them;
- when there are as many as there may be, who has earned least gives way to a newcomer: first those without a message,
  then those without data, of each the one that was heard the longest ago; of those with data only who was quiet for
  IDLE_S. An address that has its share displaces no other: its own connections give way to it.
"""

from __future__ import annotations

import math
import selectors
import socket
import time
from collections.abc import Iterable
from contextlib import suppress
from enum import IntEnum
from typing import Final

from msgspec import Struct, field

from flowdiag.collector.live.senders import Sender
from flowdiag.collector.readers.framing import IPFIX_HEADER

MAX_CONNECTIONS: Final = 1_024
MAX_CONNECTIONS_OF_EXPORTER: Final = 16
HANDSHAKE_S: Final = 10.0
HEADER_S: Final = 10.0
MESSAGE_S: Final = 30.0
IDLE_S: Final = 300.0


class Activity(IntEnum):
    """What has come on a connection."""

    NOTHING = 0
    MESSAGES = 1
    DATA = 2  # a Data Set (RFC 7011 3.3.2), whether it decodes or not


class Connection(Struct, eq=False):
    """Times are monotonic, in seconds."""

    stream: socket.socket
    address: tuple[str, int]
    sender: Sender
    owner: object  # the intake that reads it
    heard: float  # when it was made, or its last whole message came
    began: float  # when the first octet in the buffer came; the connection, if it is of the first message
    handshaking: bool = False
    activity: Activity = Activity.NOTHING
    buffer: bytearray = field(default_factory=bytearray)
    paused: float | None = None  # since when it is not read from; that time does not count
    events: int = selectors.EVENT_READ

    @property
    def exporter(self) -> bytes:
        return self.sender.exporter.address

    def due(self) -> float:
        """When it is closed unless it gets on."""
        if self.handshaking:
            return self.heard + HANDSHAKE_S
        if self.buffer:
            return self.began + (MESSAGE_S if len(self.buffer) >= IPFIX_HEADER else HEADER_S)
        return (
            self.heard
            + {Activity.NOTHING: HEADER_S, Activity.MESSAGES: IDLE_S, Activity.DATA: math.inf}[self.activity]
        )

    def secured(self, now: float) -> None:
        """Its handshake is done."""
        self.handshaking = False
        self.heard = self.began = now

    def gives_way(self, now: float) -> bool:
        """Whether it does so to a newcomer, if there are too many."""
        return self.activity < Activity.DATA or now - self.heard > IDLE_S


class Connections:
    """All connections of a receiver, of all its listeners. most: how many there may be.

    refused: those of who may not send, or too many; displaced: gave way to newcomers; slow: closed because nothing, or
    nothing whole, came in time; broken: closed for what is no IPFIX or no TLS.
    """

    def __init__(self, selector: selectors.BaseSelector, most: int) -> None:
        self._selector = selector
        self._most = most
        self._all: dict[socket.socket, Connection] = {}
        self._of_exporter: dict[bytes, list[Connection]] = {}
        self.refused = 0
        self.displaced = 0
        self.slow = 0
        self.broken = 0

    def __len__(self) -> int:
        return len(self._all)

    def of(self, owner: object) -> list[Connection]:
        """Those that an intake reads."""
        return [connection for connection in self._all.values() if connection.owner is owner]

    def __contains__(self, connection: Connection) -> bool:
        return connection.stream in self._all

    def make_room(self, exporter: bytes) -> bool:
        """Makes room for one more of an exporter, displacing another if need be. False if there is none."""
        own = self._of_exporter.get(exporter, [])
        if len(own) >= MAX_CONNECTIONS_OF_EXPORTER:
            return self._displace(own)
        return len(self._all) < self._most or self._displace(self._all.values())

    def add(self, connection: Connection) -> None:
        self._all[connection.stream] = connection
        self._of_exporter.setdefault(connection.exporter, []).append(connection)
        self._selector.register(connection.stream, connection.events, (connection.owner, connection))

    def drop(self, connection: Connection) -> None:
        if self._all.pop(connection.stream, None) is None:
            return
        if connection.paused is None:
            self._selector.unregister(connection.stream)
        own = self._of_exporter[connection.exporter]
        own.remove(connection)
        if not own:
            del self._of_exporter[connection.exporter]
        with suppress(OSError):
            connection.stream.close()

    def wait_for(self, connection: Connection, events: int) -> None:
        """What a connection waits for from now on: to be readable, writable, or both."""
        if events != connection.events:
            connection.events = events
            if connection.paused is None:
                self._selector.modify(connection.stream, events, (connection.owner, connection))

    def pause(self, connection: Connection) -> None:
        """Reads no more from a connection; its sender has to wait."""
        if connection in self and connection.paused is None:
            connection.paused = time.monotonic()
            self._selector.unregister(connection.stream)

    def resume(self, connection: Connection) -> None:
        if connection.paused is None:
            return
        waited = time.monotonic() - connection.paused
        connection.paused = None
        connection.heard += waited
        connection.began += waited
        self._selector.register(connection.stream, connection.events, (connection.owner, connection))

    def close_slow(self) -> None:
        """Closes those that did not get on in time."""
        now = time.monotonic()
        for connection in list(self._all.values()):
            if connection.paused is None and now > connection.due():
                self.slow += 1
                self.drop(connection)

    def _displace(self, among: Iterable[Connection]) -> bool:
        least = min(among, key=lambda connection: (connection.activity, connection.heard), default=None)
        if least is None or not least.gives_way(time.monotonic()):
            return False
        self.displaced += 1
        self.drop(least)
        return True
