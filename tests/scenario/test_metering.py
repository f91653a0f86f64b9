"""The router's records: nothing lost, cut at the timeouts, sampled without bias."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.scenario import activities as do
from flowdiag.scenario.metering import ACTIVE_TIMEOUT, END_SEEN, FORCED_END, IDLE_TIMEOUT, Meter
from flowdiag.scenario.scene import MINUTE
from flowdiag.scenario.site import SiteKeepalive
from flowdiag.scenario.translating import BETWEEN, Translation
from flowdiag.scenario.write import enact
from tests.scenario.scenes import scene


def test_a_call_is_cut_at_the_active_timeout() -> None:
    stage = scene(5)
    do.call(stage, stage.hosts[0], stage.start, stage.start + 150_000)
    records = enact(stage, Meter(active_s=60)).records
    down = records[records["ingress"] == 2]
    assert (down["end"] - down["start"]).tolist() == [60_000, 60_000, 30_000]
    # RFC 3551, G.711 at 20 ms: 50 packets a second of 200 IP octets.
    assert down["packets"].tolist() == [3000, 3000, 1500]
    assert down["octets"].tolist() == [600_000, 600_000, 300_000]
    assert down["end_reason"].tolist() == [ACTIVE_TIMEOUT, ACTIVE_TIMEOUT, IDLE_TIMEOUT]
    assert (down["export"][2] - down["end"][2]) >= 15_000


def test_a_transfer_is_cut_too_and_ends_with_its_fin() -> None:
    stage = scene(10)
    do.download(stage, stage.hosts[0], stage.start + 5000, 1000)
    records = enact(stage, Meter(active_s=60)).records
    data = records[records["ingress"] == 2]
    assert data["octets"].sum() == pytest.approx(1e9, abs=len(data))
    assert set(data["end_reason"][:-1].tolist()) == {ACTIVE_TIMEOUT}
    assert data["end_reason"][-1] == END_SEEN
    assert (data["flags"] & 1).tolist() == [0] * (len(data) - 1) + [1]
    assert (data["end"] - data["start"])[:-1] == pytest.approx(60_000, abs=1000)


@pytest.mark.parametrize(("interval", "records_each_way"), [(10, 10), (30, 20)])
def test_keepalives_within_the_idle_timeout_share_a_record(interval: int, records_each_way: int) -> None:
    stage = scene(10)
    do.keepalive(stage, 1, SiteKeepalive("198.51.100.1", interval_s=interval), stage.start, stage.end)
    records = enact(stage, Meter(active_s=60, idle_s=15)).records
    out = records[records["egress"] == 3]
    assert len(out) == pytest.approx(records_each_way, abs=1)
    assert out["packets"].sum() == 600 / interval
    assert set(out["dst_port"].tolist()) == {8 << 8}
    assert len(records) - len(out) == len(out)


def test_metering_at_both_points_reports_everything_twice() -> None:
    once, twice = scene(5), scene(5)
    for stage in (once, twice):
        do.web(stage, stage.start, stage.end, 5)
    single, double = enact(once, Meter()).records, enact(twice, Meter(both_points=True)).records
    assert len(double) == 2 * len(single)
    assert double["octets"][double["direction"] == 1].sum() == single["octets"].sum()


def test_sampling_is_unbiased() -> None:
    whole, sampled = scene(10), scene(10)
    for stage in (whole, sampled):
        do.streaming(stage, stage.hosts[0], stage.start, stage.end, 40)
    everything, seen = enact(whole, Meter()).records, enact(sampled, Meter(sampling=100)).records
    # Binomial: about 2140 packets are taken of the video, so the relative error is within 1.96/sqrt(2140) = 4.2 %.
    video = seen["octets"][seen["ingress"] == 2].sum() * 100
    assert video == pytest.approx(everything["octets"][everything["ingress"] == 2].sum(), rel=0.05)
    assert (seen["end"] >= seen["start"]).all()
    assert (seen["end"] == seen["start"])[seen["packets"] == 1].all()


def test_open_flows_are_flushed_or_lost_at_the_end() -> None:
    flushed, cut = scene(3), scene(3)
    for stage in (flushed, cut):
        do.call(stage, stage.hosts[0], stage.start + 10_000, stage.end + MINUTE)
    every = enact(flushed, Meter(active_s=60)).records
    assert every["end"].max() == every["export"].max() == flushed.end
    assert set(every["end_reason"][every["export"] == flushed.end].tolist()) == {FORCED_END}
    assert enact(cut, Meter(active_s=60, flush=False)).records["export"].max() < cut.end


def test_the_same_number_gives_the_same_records() -> None:
    first, second, other = scene(3), scene(3), scene(3, number=8)
    for stage in (first, second, other):
        do.office(stage, stage.start, stage.end, 4)
    results = [enact(stage).records for stage in (first, second, other)]
    assert np.array_equal(results[0], results[1])
    assert not np.array_equal(results[0], results[2])


@pytest.mark.parametrize("keep", [True, False])
def test_a_translating_router_exports_what_it_carries_once_on_each_side(keep: bool) -> None:
    plain, behind = scene(5), scene(5)
    for stage in (plain, behind):
        do.upload(stage, stage.hosts[1], stage.start, 20)
    before = enact(plain, Meter()).records
    router = behind.outside("203.0.113.250")
    records = enact(behind, Meter(translation=Translation(router, keep_ports=keep))).records
    inner = records[(records["ingress"] == BETWEEN) == (records["dst"] == behind.hosts[1])]
    inner = inner[(inner["src"] == behind.hosts[1]) | (inner["dst"] == behind.hosts[1])]
    outer = records[(records["src"] == router) | (records["dst"] == router)]
    assert len(inner) == len(outer) == len(before)
    for side in (inner, outer):
        assert side["octets"].sum() == before["octets"].sum()
    ports = [
        set(side["src_port"][side["egress"] == end].tolist()) for side, end in ((inner, BETWEEN), (outer, 2))
    ]
    assert (ports[0] == ports[1]) == keep
    assert set(outer["egress"].tolist()) == {2, BETWEEN}


def test_a_translating_router_that_meters_at_both_points_translates_between_them() -> None:
    stage = scene(5)
    do.upload(stage, stage.hosts[1], stage.start, 20)
    router = stage.outside("203.0.113.250")
    meter = Meter(both_points=True, translation=Translation(router))
    records = enact(stage, meter).records
    up = records[records["egress"] == 2]
    assert set(up["src"][up["direction"] == 0].tolist()) == {stage.hosts[1]}
    assert set(up["src"][up["direction"] == 1].tolist()) == {router}
    outside = enact(stage, Meter(both_points=True, translation=Translation(router, inner=False))).records
    assert set(outside["src"][outside["egress"] == 2].tolist()) == {router}
    assert set(outside["dst"][outside["ingress"] == 2].tolist()) == {router}


def test_an_upload_metered_before_the_queue_holds_what_was_dropped_there() -> None:
    stage = scene(5)  # 20 Mbit/s up; 60 Mbit/s are sent for 100 s: 750 MB
    stage.ledger.add(
        start=stage.start, end=stage.start + 100_000, inside=stage.hosts[0], outside=stage.servers(1)[0],
        inside_port=50_000, outside_port=4100, protocol=17, kind=0, up_octets=7.5e8, up_packets=6e5,
    )  # fmt: skip
    octets = enact(stage, Meter(before_queue=True)).records["octets"].sum()
    assert octets == pytest.approx(7.5e8, rel=1e-5)
    assert enact(stage, Meter()).records["octets"].sum() < 20 * 125_000 * 100
