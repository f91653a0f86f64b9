"""Links carry what they can: full ones at their plan, none above, nothing while they are down."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.carry import carry, wire_octets
from flowdiag.scenario.ledger import STEADY
from flowdiag.scenario.scene import MINUTE
from flowdiag.scenario.site import SiteLink
from flowdiag.scenario.transfers import share_out
from flowdiag.scenario.truth import Truth
from tests.scenario.scenes import FIBRE, scene


def test_a_full_link_is_full_and_never_over() -> None:
    stage = scene(20)
    do.office(stage, stage.start, stage.end, 5)
    do.upload(stage, stage.hosts[0], stage.start + 2 * MINUTE, 2000)
    carried = carry(stage.ledger, stage.site, stage.network)
    assert (carried.wire <= stage.network.capacity * (1 + 1e-9)).all()
    rates = Truth(carried).mbps(0, 1)[4:12]
    assert (rates >= 0.97 * 20).all()
    assert (rates <= 20).all()


def test_steady_traffic_alone_above_the_plan_is_cut_to_it() -> None:
    stage = scene(10)
    trouble.flood(
        stage, stage.hosts[0], stage.start, stage.end, sources=50, packets_per_s=40_000, packet_octets=500
    )
    carried = carry(stage.ledger, stage.site, stage.network)
    rates = Truth(carried).mbps(0, 0)[4:6]
    assert (rates >= 97).all()
    assert (rates <= 100).all()


def test_a_transfer_moves_exactly_its_octets_and_its_acknowledgements() -> None:
    stage = scene(10)
    do.download(stage, stage.hosts[0], stage.start + 1000, 60)
    chunks = carry(stage.ledger, stage.site, stage.network).chunks
    assert chunks["down_octets"].sum() == pytest.approx(60e6)
    # One 40-octet acknowledgement for two 1500-octet segments (RFC 1122 4.2.3.2): 40 in 3000.
    assert chunks["up_octets"].sum() == pytest.approx(60e6 * 40 / 3000)


def test_ethernet_framing_of_full_and_of_short_packets() -> None:
    # IEEE 802.3: 1500 octets take 1538 on the wire; a 40-octet acknowledgement is padded to 46 and takes 84.
    stage = scene(links=(FIBRE,))
    full, short = wire_octets(np.array([1500.0, 40.0]), np.array([1.0, 1.0]), stage.site, 0)
    assert (full, short) == (1538, 84)


@pytest.mark.parametrize(("framing", "octets"), [("ip", 40), ("ethernet", 64), ("wire", 84), ("pppoe", 86)])
def test_what_the_plan_counts_of_a_40_octet_packet(framing: str, octets: int) -> None:
    # ethernet 46+18; wire 46+38; pppoe: 40 is above its least of 38, 40+46 (RFC 2516 adds 8 to the 38).
    stage = scene(links=(SiteLink("line", 10, 10, framing=framing),))  # type: ignore[arg-type]
    assert wire_octets(np.array([40.0]), np.array([1.0]), stage.site, 0)[0] == octets


def test_failover_moves_traffic_and_leaves_the_gap() -> None:
    stage = scene(10)
    do.call(stage, stage.hosts[0], stage.start, stage.end)
    begin, end = stage.start + 3 * MINUTE, stage.start + 6 * MINUTE
    stage.network.fail(0, begin, end, backup=1, gap_ms=5000)
    carried = carry(stage.ledger, stage.site, stage.network)
    spans = [(int(p["link"]), p["start"] - stage.start, p["end"] - stage.start) for p in carried.pieces]
    assert spans == [(0, 0, 180_000), (1, 185_000, 360_000), (0, 360_000, 600_000)]
    assert carried.wire[1, 0, 185:360].min() > 0
    assert carried.wire[:, :, 180:185].sum() == 0


def test_a_site_that_keeps_on_failback_finishes_on_the_backup() -> None:
    stage = scene(10)
    stage.network.keeps_on_failback = True
    stage.network.fail(0, stage.start + 2 * MINUTE, stage.start + 4 * MINUTE, backup=1)
    do.call(stage, stage.hosts[0], stage.start + 3 * MINUTE, stage.start + 7 * MINUTE)
    do.download(stage, stage.hosts[1], stage.start + 3 * MINUTE, 60, cap_mbps=2)
    carried = carry(stage.ledger, stage.site, stage.network)
    assert set(carried.pieces["link"].tolist()) == {1}
    assert set(carried.chunks["link"].tolist()) == {1}
    assert carried.chunks["end"].max() > stage.start + 6 * MINUTE


def test_sharing_is_max_min_fair() -> None:
    # Bertsekas and Gallager: of room 10, wants 1 and 2 are met, the other two share the remaining 7 evenly.
    one = np.ones(4)
    granted = share_out(
        np.array([1.0, 2.0, 8.0, 9.0]),
        np.zeros(4, int),
        np.ones(4, int),
        one,
        one * 0.01,
        np.array([10.0, 5.0]),
    )
    assert granted == pytest.approx([1, 2, 3.5, 3.5])


def test_acknowledgements_without_room_hold_the_transfer_back() -> None:
    granted = share_out(
        np.array([100.0]),
        np.zeros(1, int),
        np.ones(1, int),
        np.ones(1),
        np.full(1, 0.1),
        np.array([90.0, 2.0]),
    )
    assert granted == pytest.approx([20])


def test_truth_shares_follow_what_was_carried() -> None:
    stage = scene(6)
    for host, octets in zip(stage.hosts[:2], (3e6, 1e6), strict=True):
        stage.ledger.add(
            start=stage.start + 1000, end=stage.start + 301_000, inside=host, outside=stage.servers(1)[0],
            kind=STEADY, protocol=17, up_octets=octets, up_packets=octets / 1000,
        )  # fmt: skip
    truth = Truth(carry(stage.ledger, stage.site, stage.network))
    octets = truth.host_octets(stage.start + 1000, stage.start + 101_000, 0, (1,))
    assert octets == pytest.approx({stage.hosts[0]: 1e6, stage.hosts[1]: 1e6 / 3})
