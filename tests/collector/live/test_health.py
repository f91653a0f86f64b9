"""What a collector says of itself."""

from __future__ import annotations

import pytest

from flowdiag.collector.live import counters, health
from flowdiag.collector.live.clocks import steady
from flowdiag.collector.live.counters import Decoded, Received
from flowdiag.collector.live.health import Health, added


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def told(said: list[str]) -> Health:
    return Health(said.append)


def test_counts_of_workers_are_added_up() -> None:
    total = added(
        [
            Received(
                datagrams=5,
                exporters={"192.0.2.1": (5, 0)},
                heard={"192.0.2.1": 1_700_000_060},
                full="No space left on device",
            ),
            Received(
                datagrams=7,
                exporters={"192.0.2.1": (3, 2), "192.0.2.2": (4, 0)},
                heard={"192.0.2.1": 1_700_000_000},
            ),
        ],
        Received(),
    )
    assert total.datagrams == 12
    assert total.exporters == {"192.0.2.1": (8, 2), "192.0.2.2": (4, 0)}
    assert total.full == "No space left on device"
    assert total.heard == {"192.0.2.1": 1_700_000_060}
    decoded = added(
        [
            Decoded(waiting_since=3.0, exporters={"192.0.2.1": (24, 1, 24)}),
            Decoded(waiting_since=0.0),  # nothing waits
            Decoded(waiting_since=2.0, exporters={"192.0.2.1": (48, 0, 2), "192.0.2.2": (1, 0, 0)}),
        ],
        Decoded(),
    )
    assert decoded.waiting_since == 2.0
    assert decoded.exporters == {"192.0.2.1": (72, 1, 26), "192.0.2.2": (1, 0, 0)}


def test_the_counts_of_a_process_that_ended_go_on(told: Health) -> None:
    died = Received(
        datagrams=5, connections=2, exporters={"192.0.2.1": (5, 1)}, full="No space left on device"
    )
    told.update(
        [died], [Decoded(records=120, waiting_segments=3, waiting_since=9.0, decoders=4, full="no room")]
    )
    successor = told.carry(died)
    assert isinstance(successor, Received)
    told.carry(told.decoded)
    told.update(
        [Received(datagrams=2, exporters={"192.0.2.1": (1, 0), "192.0.2.2": (1, 0)})], [Decoded(records=24)]
    )
    assert told.received.datagrams == 7
    assert told.received.exporters == {"192.0.2.1": (6, 1), "192.0.2.2": (1, 0)}
    assert told.decoded.records == 144
    # and what was true only then does not
    assert (told.received.connections, told.received.full) == (0, "")
    assert (told.decoded.waiting_segments, told.decoded.waiting_since, told.decoded.decoders) == (0, 0.0, 0)
    assert told.decoded.full == ""


def test_what_the_kernel_counts_with_the_socket_is_not_counted_again_for_the_next_process(
    told: Health,
) -> None:
    died = Received(kernel_drops=100)
    told.update([died], [])
    successor = told.carry(died)
    assert isinstance(successor, Received)
    told.update([successor], [])
    assert told.received.kernel_drops == 100  # until the new one has told
    told.update([Received(kernel_drops=130)], [])
    assert told.received.kernel_drops == 130


def test_counts_carried_by_exporter_are_bounded(told: Health, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(counters, "MAX_LISTED", 2)
    heard = {"192.0.2.1": 70, "192.0.2.2": 50, "192.0.2.3": 60}
    told.carry(
        Received(exporters={"192.0.2.1": (1, 0), "192.0.2.2": (9, 0), "192.0.2.3": (5, 0)}, heard=heard)
    )
    told.carry(Decoded(exporters={"192.0.2.1": (7, 0, 1), "192.0.2.2": (2, 3, 4), "192.0.2.3": (7, 0, 0)}))
    told.update([], [])
    assert told.received.exporters == {"192.0.2.2": (9, 0), "192.0.2.3": (5, 0)}
    assert told.received.heard == {"192.0.2.2": 50, "192.0.2.3": 60}
    assert told.decoded.exporters == {"192.0.2.1": (7, 0, 1), "192.0.2.3": (7, 0, 0)}


def test_a_loss_is_said_with_its_count_at_once_and_more_of_it_not_each_second(
    told: Health, said: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    told.update([Received(kernel_drops=1200)], [])
    assert said == ["1,200 datagrams were dropped by the kernel: they came faster than they were taken"]
    told.update([Received(kernel_drops=1300)], [])
    assert len(said) == 1
    monkeypatch.setattr(health, "SAY_AGAIN_S", 0.0)
    told.update([Received(kernel_drops=1500)], [])
    assert said[1:] == ["300 datagrams were dropped by the kernel: they came faster than they were taken"]
    told.update([Received(kernel_drops=1500)], [])
    assert len(said) == 2


@pytest.mark.parametrize(
    "counts",
    [
        Received(unspooled=3), Received(limited=3), Received(not_allowed=3), Received(connections_broken=3),
        Received(connections_refused=3), Received(connections_slow=3), Received(connections_displaced=3),
        Decoded(set_aside=3), Decoded(damaged=3), Decoded(forgotten=3), Decoded(lost_messages=3),
        Decoded(lost_records=3), Decoded(kept=3), Decoded(deferred=3), Decoded(given_up=3),
        Decoded(evicted=3), Decoded(undecoded=3), Received(senders_forgotten=3),
    ],
)  # fmt: skip
def test_no_loss_is_silent(told: Health, said: list[str], counts: Received | Decoded) -> None:
    told.update(
        [c for c in [counts] if isinstance(c, Received)], [c for c in [counts] if isinstance(c, Decoded)]
    )
    assert len(said) == 1
    assert said[0].startswith("3 ")


def test_what_is_wrong_is_said_once_and_when_it_is_over(told: Health, said: list[str]) -> None:
    for _ in range(3):
        told.update([Received(full="No space left on device")], [])
    told.update([Received()], [])
    text = "the spool cannot be written: No space left on device"
    assert said == [text, f"over: {text}"]
    assert told.wrong == {}


def test_the_status_line_has_the_counts_and_the_text_of_all_that_is_wrong(told: Health) -> None:
    told.update(
        [Received(datagrams=12_000, synced=11_900, kernel_drops=3, unspooled=4, limited=5, not_allowed=6, trouble="I/O")],
        [Decoded(records=288_000, waiting_octets=17_000_000, waiting_since=steady() - 301, lost_records=48, full="disk full")],
    )  # fmt: skip
    line = told.line()
    for part in (
        "12,000 datagrams", "11,900 on disk", "288,000 records stored", "17 MB to decode", "7 dropped",
        "48 records lost before", "11 refused", "the spool cannot be forced to disk: I/O",
        "decoding waits: disk full", "decoding is more than five minutes behind",
    ):  # fmt: skip
        assert part in line


def test_a_spool_that_waits_for_less_than_the_bound_is_not_behind(told: Health) -> None:
    told.update([], [Decoded(waiting_since=steady() - health.BEHIND_S + 1)])
    assert told.wrong == {}


@pytest.mark.parametrize(
    "name", ["kept", "deferred", "given_up", "evicted", "forgotten", "undecoded", "set_aside"]
)
def test_what_is_not_decoded_is_wrong_until_it_has_not_happened_for_five_minutes(
    told: Health, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    now = [1000.0]
    monkeypatch.setattr(health.time, "monotonic", lambda: now[0])
    told.update([], [Decoded(**{name: 5})])
    assert told.wrong[name].startswith("5 ")
    now[0] += 200
    told.update([], [Decoded(**{name: 7})])
    now[0] += 200
    told.update([], [Decoded(**{name: 7})])
    assert told.wrong[name].startswith("7 ")
    now[0] += 101
    told.update([], [Decoded(**{name: 7})])
    assert told.wrong == {}
    told.update([], [Decoded(**{name: 9})])
    assert told.wrong[name].startswith("2 ")


def test_what_is_kept_now_is_no_count_since_the_start(told: Health) -> None:
    died = Decoded(kept=9, kept_segments=2, kept_octets=1_000)
    told.update([], [died])
    told.carry(died)
    told.update([], [Decoded(kept_segments=2, kept_octets=1_000)])
    assert (told.decoded.kept, told.decoded.kept_segments, told.decoded.kept_octets) == (9, 2, 1_000)
