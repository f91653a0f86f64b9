"""Where a collector listens."""

from __future__ import annotations

import socket

import pytest

from flowdiag.collector.live.sockets import Address, listen, read_address, receive_buffer
from flowdiag.errors import UsageError


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("192.0.2.1:4739", Address("192.0.2.1", 4739)),
        ("[2001:db8::1]:2055", Address("2001:db8::1", 2055)),
        ("[::]:4739", Address("", 4739)),
        (":4739", Address("", 4739)),
        ("*:4739", Address("", 4739)),
    ],
)
def test_places_are_read(text: str, address: Address) -> None:
    assert read_address(text) == address


@pytest.mark.parametrize(
    "text", ["", "4739", "192.0.2.1", "2001:db8::1:4739", "192.0.2.1:65536", "[::1:4739"]
)
def test_what_is_no_place_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="is no place to listen at"):
        read_address(text)


def test_an_address_that_is_not_this_machines_is_refused() -> None:
    with pytest.raises(
        UsageError, match=r"cannot listen at 203\.0\.113\.1:4739 \(Cannot assign requested address\)"
    ):
        listen([Address("203.0.113.1", 4739)], 1, 1 << 20)


def test_any_address_is_both_families_unless_ipv4_is_listed_beside_it() -> None:
    (own,) = listen([Address("", 0)], 1, 1 << 20)
    both = own[0].udp.getsockname()[1]
    ((own4, own6),) = listen([Address("0.0.0.0", free := _free_port()), Address("", free)], 1, 1 << 20)
    for target, expected in (((both, "127.0.0.1"), own[0]), ((both, "::1"), own[0]),
                             ((free, "127.0.0.1"), own4), ((free, "::1"), own6)):  # fmt: skip
        port, host = target
        with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.sendto(b"here", (host, port))
        expected.udp.settimeout(10)
        assert expected.udp.recv(10) == b"here"
    for pair in (*own, own4, own6):
        pair.udp.close()
        pair.tcp.close()


def test_each_worker_has_sockets_of_its_own_at_one_port_with_the_buffer_asked_for() -> None:
    workers = listen([Address("127.0.0.1", 0)], 3, 128 << 10)
    ports = {pair.udp.getsockname()[1] for (pair,) in workers} | {
        pair.tcp.getsockname()[1] for (pair,) in workers
    }
    assert len(ports) == 1
    assert len({pair.udp.fileno() for (pair,) in workers}) == 3
    assert all(receive_buffer(pair.udp) == 2 * (128 << 10) for (pair,) in workers)
    for (pair,) in workers:
        pair.udp.close()
        pair.tcp.close()


@pytest.mark.parametrize("workers", [1, 2])
def test_a_port_that_tcp_has_not_free_is_not_the_one_chosen(
    workers: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The kernel chooses for UDP alone: made to choose what a TCP socket holds twice, then what is free."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        choices = iter([taken.getsockname()[1]] * 2)
        bind = socket.socket.bind

        class Choosing(socket.socket):
            def bind(self, where: tuple[str, int]) -> None:  # type: ignore[override]
                host, port = where
                bind(self, (host, port or next(choices, 0)))

        monkeypatch.setattr(socket, "socket", Choosing)
        found = listen([Address("127.0.0.1", 0)], workers, 1 << 20)
        assert next(choices, None) is None
    assert len({one.getsockname()[1] for (pair,) in found for one in pair}) == 1
    for (pair,) in found:
        pair.udp.close()
        pair.tcp.close()


def test_a_port_that_is_asked_for_and_taken_is_refused_at_once() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(UsageError, match="Address already in use"):
            listen([Address("127.0.0.1", taken.getsockname()[1])], 1, 1 << 20)


def _free_port() -> int:
    ((pair,),) = listen([Address("", 0)], 1, 1 << 20)
    port = int(pair.udp.getsockname()[1])
    pair.udp.close()
    pair.tcp.close()
    return port
