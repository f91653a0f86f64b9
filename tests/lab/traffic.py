"""Real traffic: `python traffic.py serve SECONDS` behind the uplinks, then `… download ADDRESS SECONDS` and others at the site.

Each prints what it did as JSON when it is done, times in ms since 1970 UTC; `serve` says "ready" before. Nothing of flowdiag is
used here, and only the standard library, so that a program is there in an instant.
"""

import json
import random
import socket
import struct
import sys
import threading
import time
from collections.abc import Callable

PORT, DATAGRAMS = 443, 5004
CHUNK = 16_384
# A host that reaches nobody gives up a connection so soon, and tries again.
GIVE_UP_S = 3.0
DATAGRAM = 1_200
SMALL_BUFFER = 65_536


def now_ms() -> int:
    return time.time_ns() // 1_000_000


# The servers


def serve(seconds: float) -> dict[str, object]:
    """Answers "octets rate_bytes_a_second\\n" with so many octets (rate 0: as fast as it goes), then takes what comes."""
    listener = socket.create_server(("0.0.0.0", PORT), backlog=128)
    sink = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sink.bind(("0.0.0.0", DATAGRAMS))
    taken = [0]

    def drain() -> None:
        while True:
            taken[0] += len(sink.recv(65_536))

    def accept() -> None:
        while True:
            stream, _ = listener.accept()
            threading.Thread(target=answer, args=(stream,), daemon=True).start()

    for work in (drain, accept):
        threading.Thread(target=work, daemon=True).start()
    print("ready", flush=True)
    time.sleep(seconds)
    return {"datagram_octets": taken[0]}


def answer(stream: socket.socket) -> None:
    with stream:
        try:
            octets, rate = map(int, stream.makefile("r").readline().split())
            began, sent = time.monotonic(), 0
            while sent < octets:
                chunk = min(CHUNK if rate == 0 else max(rate // 20, 1), octets - sent)
                stream.sendall(bytes(chunk))
                sent += chunk
                if rate:
                    time.sleep(max(began + sent / rate - time.monotonic(), 0))
            if octets:
                stream.shutdown(socket.SHUT_WR)
            while stream.recv(65_536):
                pass
        except (OSError, ValueError):  # the asker has gone
            return


# The hosts


def asked(address: str, octets: int, rate: int, patience_s: float) -> socket.socket:
    stream = socket.create_connection((address, PORT), timeout=patience_s)
    stream.sendall(f"{octets} {rate}\n".encode())
    return stream


def until(seconds: float, once: Callable[[float], int]) -> int:
    """Octets of `once(end)` again and again until `seconds` are over, whatever fails meanwhile."""
    end, octets = time.monotonic() + seconds, 0
    while time.monotonic() < end:
        try:
            octets += once(end)
        except OSError:
            time.sleep(0.2)
    return octets


def at_once(number: int, work: Callable[[], int]) -> int:
    """Octets of `number` equal workers."""
    octets: list[int] = []
    threads = [threading.Thread(target=lambda: octets.append(work())) for _ in range(number)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sum(octets)


def download(address: str, seconds: float, streams: int = 1, mbps: float = 0.0) -> int:
    """mbps: what the server gives each stream; 0 is all it can."""

    def once(end: float) -> int:
        octets = 0
        with asked(address, 1 << 40, int(mbps * 125_000), GIVE_UP_S) as stream:
            while time.monotonic() < end and (chunk := stream.recv(65_536)):
                octets += len(chunk)
        return octets

    return at_once(streams, lambda: until(seconds, once))


def upload(address: str, seconds: float, streams: int = 1) -> int:
    def once(end: float) -> int:
        octets = 0
        with asked(address, 0, 0, GIVE_UP_S) as stream:
            stream.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SMALL_BUFFER)
            stream.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            while time.monotonic() < end:
                octets += stream.send(bytes(CHUNK))
        return octets

    return at_once(streams, lambda: until(seconds, once))


def datagrams(address: str, seconds: float, mbps: float) -> int:
    """UDP at a rate of its own, in 1,200 octets a datagram, whatever becomes of it."""
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sender.connect((address, DATAGRAMS))
    began, sent = time.monotonic(), 0
    while (past := time.monotonic() - began) < seconds:
        try:
            while sent < past * mbps * 125_000:
                sent += sender.send(bytes(DATAGRAM))
        except OSError:
            pass
        time.sleep(0.01)
    return sent


def web(address: str, seconds: float, seed: int, most_octets: int = 60_000) -> int:
    """Pages: a new connection each time, a few thousand octets, a pause."""
    chance = random.Random(seed)

    def once(end: float) -> int:
        octets = 0
        with asked(address, chance.randint(2_000, most_octets), 0, GIVE_UP_S) as stream:
            while chunk := stream.recv(65_536):
                octets += len(chunk)
        time.sleep(min(chance.uniform(0.3, 1.5), max(end - time.monotonic(), 0)))
        return octets

    return until(seconds, once)


def ping(address: str, seconds: float, interval_s: float) -> list[tuple[int, float | None]]:
    """ICMP echo (RFC 792): (when it was sent in ms, round trip in ms or None) of each."""
    with socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_ICMP) as echo:
        echo.connect((address, 0))
        sent: list[tuple[int, float]] = []
        came: dict[int, float] = {}

        def listen() -> None:
            while True:
                try:
                    packet = echo.recv(2_048)
                except OSError:  # a message that nobody is there
                    if echo.fileno() < 0:
                        return
                    continue
                kind, sequence = packet[20], int.from_bytes(packet[26:28], "big")
                if kind == 0:
                    came.setdefault(sequence, time.monotonic())

        threading.Thread(target=listen, daemon=True).start()
        began = time.monotonic()
        for number in range(int(seconds / interval_s)):
            time.sleep(max(began + number * interval_s - time.monotonic(), 0))
            sent.append((now_ms(), time.monotonic()))
            try:
                echo.send(echo_request(number))
            except OSError:
                continue
        time.sleep(1.0)
    return [
        (ms, round((came[number] - begin) * 1000, 2) if number in came else None)
        for number, (ms, begin) in enumerate(sent)
    ]


def echo_request(sequence: int) -> bytes:
    """84 octets with the IP header; the checksum is that of RFC 1071."""
    head, data = struct.pack("!BBHHH", 8, 0, 0, 7, sequence & 0xFFFF), bytes(56)
    total = sum(struct.unpack("!4H", head))
    total = (total & 0xFFFF) + (total >> 16)
    total = (total & 0xFFFF) + (total >> 16)
    return head[:2] + struct.pack("!H", 0xFFFF ^ total) + head[4:] + data


def main(kind: str, *words: str) -> dict[str, object]:
    began = now_ms()
    if kind == "serve":
        return {"kind": kind, **serve(float(words[0]))}
    address, numbers = words[0], [float(word) for word in words[1:]]
    done: dict[str, object] = {"kind": kind, "address": address, "began_ms": began}
    if kind == "ping":
        return {**done, "pings": ping(address, numbers[0], numbers[1])}
    if kind == "download":
        octets = download(address, numbers[0], int(numbers[1]), numbers[2])
    elif kind == "upload":
        octets = upload(address, numbers[0], int(numbers[1]))
    elif kind == "datagrams":
        octets = datagrams(address, numbers[0], numbers[1])
    else:
        octets = web(address, numbers[0], int(numbers[1]), int(numbers[2]))
    return {**done, "octets": octets, "ended_ms": now_ms()}


if __name__ == "__main__":
    print(json.dumps(main(*sys.argv[1:])), flush=True)
