"""Two hosts that talk: `python switch_traffic.py serve` on one, then `… ask ADDRESS …` on the other.

Buffers are small, so that what is on its way never fills the queue of a switch and nothing has to be sent twice.
"""

import socket
import sys

PORT = 5000
ASKED, ANSWERED = 200_000, 1_000_000
SMALL_BUFFER = 16_384
ECHOES = 50


def small(stream: socket.socket) -> None:
    for option in (socket.SO_RCVBUF, socket.SO_SNDBUF):
        stream.setsockopt(socket.SOL_SOCKET, option, SMALL_BUFFER)


def all_of(stream: socket.socket) -> int:
    """Octets until the other end has no more."""
    count = 0
    while octets := stream.recv(65_536):
        count += len(octets)
    return count


def serve() -> None:
    """Echoes datagrams, and answers a stream at its end, until it is ended."""
    listener = socket.socket(socket.AF_INET6, socket.SOCK_STREAM)
    listener.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, False)
    small(listener)
    echo = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)
    echo.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, False)
    for one in (listener, echo):
        one.bind(("::", PORT))
    listener.listen()
    print("ready", flush=True)
    while True:
        for _ in range(ECHOES):
            octets, asker = echo.recvfrom(65_536)
            echo.sendto(octets, asker)
        stream, _ = listener.accept()
        with stream:
            assert all_of(stream) == ASKED
            stream.sendall(bytes(ANSWERED))


def ask(address: str) -> None:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as echo:
        echo.connect((address, PORT))
        for number in range(ECHOES):
            echo.send(bytes(20 * number))
            echo.recv(65_536)
    with socket.socket(family, socket.SOCK_STREAM) as stream:
        small(stream)
        stream.connect((address, PORT))
        stream.sendall(bytes(ASKED))
        stream.shutdown(socket.SHUT_WR)
        assert all_of(stream) == ANSWERED


if __name__ == "__main__":
    if sys.argv[1] == "serve":
        serve()
    for where in sys.argv[2:]:
        ask(where)
