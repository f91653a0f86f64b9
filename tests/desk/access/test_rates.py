"""How often somebody may do something, worked out by hand on a clock that the tests move."""

from __future__ import annotations

import pytest

from flowdiag.desk.access.rates import Delays, Rate, address_key
from flowdiag.desk.access.tries import ACCOUNT_BURST, FREE_OF_ADDRESS, Tries


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def test_a_rate_lets_a_burst_through_and_then_so_many_a_second() -> None:
    clock = Clock()
    rate = Rate(2, 3, now=clock)
    assert [rate.take("a") for _ in range(4)] == [0, 0, 0, 0.5]
    clock.now += 0.5
    assert [rate.take("a"), rate.take("a")] == [0, 0.5]
    assert rate.take("b") == 0
    clock.now += 3600
    assert [rate.take("a") for _ in range(4)] == [0, 0, 0, 0.5]  # a pause saves up no more than a burst


def test_a_rate_forgets_whom_it_has_not_heard_of_for_longest() -> None:
    rate = Rate(1, 1, most=2, now=Clock())
    assert rate.take("a") == rate.take("b") == 0
    assert rate.take("a") == 1
    assert rate.take("c") == 0  # in the place of b
    assert rate.take("a") == 1
    assert rate.take("b") == 0


def test_each_failure_after_the_free_ones_doubles_the_delay() -> None:
    clock = Clock()
    delays = Delays(2, 1, 10, 600, now=clock)
    seen = []
    for _ in range(7):
        delays.failed("a")
        seen.append(delays.wait("a"))
    assert seen == [0, 0, 1, 2, 4, 8, 10]
    clock.now += 4
    assert delays.wait("a") == 6
    delays.succeeded("a")
    assert delays.wait("a") == 0


def test_failures_are_forgotten_after_a_while() -> None:
    clock = Clock()
    delays = Delays(1, 1, 10, 600, now=clock)
    for _ in range(6):
        delays.failed("a")
    clock.now += 601
    delays.failed("a")
    assert delays.wait("a") == 0


def test_many_thousand_failures_make_no_number_too_large() -> None:
    delays = Delays(1, 1, 900, 600, now=Clock())
    for _ in range(5_000):
        delays.failed("a")
    assert delays.wait("a") == 900


@pytest.mark.parametrize(
    ("address", "key"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("testclient", "testclient"),
        ("", ""),
    ],
)
def test_a_network_of_ipv6_counts_as_one_address(address: str, key: str) -> None:
    assert address_key(address) == key


def test_an_account_is_slowed_down_from_addresses_at_which_nobody_signed_in_to_it() -> None:
    """Guessing by many machines, each with few tries."""
    tries = Tries()
    tries.succeeded("mere", "192.0.2.1")
    refused = [number for number in range(ACCOUNT_BURST + 10) if tries.begin("mere", f"198.51.100.{number}")]
    assert refused == list(range(ACCOUNT_BURST, ACCOUNT_BURST + 10))
    assert tries.begin("mere", "192.0.2.1") == 0
    assert tries.begin("hana", "198.51.100.200") == 0


def test_an_address_is_slowed_down_whatever_accounts_it_tries() -> None:
    tries = Tries()
    seen = [tries.begin(f"name-{number}", "198.51.100.9") for number in range(FREE_OF_ADDRESS + 3)]
    assert seen[: FREE_OF_ADDRESS + 1] == [0] * (FREE_OF_ADDRESS + 1)
    assert min(seen[FREE_OF_ADDRESS + 1 :]) >= 1
