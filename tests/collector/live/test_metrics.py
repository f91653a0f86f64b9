"""What a collector's counters are called, and that none is left out."""

from __future__ import annotations

import os
import re
import time
from multiprocessing import Pipe
from pathlib import Path

import pytest
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.parser import text_string_to_metric_families

from flowdiag.collector.live import health as module
from flowdiag.collector.live.allow import AllowList
from flowdiag.collector.live.clocks import steady
from flowdiag.collector.live.counters import Decoded, Received
from flowdiag.collector.live.decoding import Decoding
from flowdiag.collector.live.health import BEHIND_S, Health
from flowdiag.collector.live.metrics import COUNTERS, GAUGES, HealthCollector
from flowdiag.collector.live.settings import Settings
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.opening import open_backend
from tests.collector.live.running import FLOWS, Running, Sender

PREFIX = "flowdiag_collect_"
# promtool's rules: https://prometheus.io/docs/practices/naming/ (from memory).
NAME = re.compile(r"flowdiag_collect(_[a-z]+)+")


@pytest.fixture
def health() -> Health:
    return Health(lambda _: None)


def told(health: Health) -> dict[str, dict[str, float]]:
    """The values of each metric by its exporter, or by nothing."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(HealthCollector(health))
    return {
        family.name.removeprefix(PREFIX): {
            sample.labels.get("exporter", ""): sample.value for sample in family.samples
        }
        for family in text_string_to_metric_families(generate_latest(registry).decode())
    }


def numbers() -> set[str]:
    """Without since when something waits, by a clock that means nothing to others; they are told for how long."""
    every = {**Received.__annotations__, **Decoded.__annotations__}
    return {name for name, kind in every.items() if kind in ("int", "float")} - {"waiting_since"}


def test_each_number_that_processes_tell_is_a_metric() -> None:
    assert {name for name, _ in COUNTERS} | {name for name, _, _ in GAUGES} == numbers()
    assert len(COUNTERS) + len(GAUGES) == len(numbers())


def test_names_and_types_follow_the_conventions(health: Health) -> None:
    registry = CollectorRegistry(auto_describe=False)
    registry.register(HealthCollector(health))
    text = generate_latest(registry).decode()
    for family in text_string_to_metric_families(text):
        assert NAME.fullmatch(family.name)
        assert family.documentation.endswith(".")
        assert all(sample.name.endswith("_total") is (family.type == "counter") for sample in family.samples)
        assert ("timestamp" in family.name) <= family.name.endswith("_timestamp_seconds")
        assert family.type in ("counter", "gauge")
    names = re.findall(r"^# TYPE (\S+)", text, re.MULTILINE)
    assert len(names) == len(set(names))


def test_each_value_stands_with_its_name(health: Health) -> None:
    """Each number is another one, so that none can stand for another."""
    received, decoded = Received(), Decoded()
    for value, name in enumerate(sorted(numbers()), 1):
        setattr(received if hasattr(received, name) else decoded, name, value)
    health.update([received], [decoded])
    values = told(health)
    for name in [name for name, _ in COUNTERS] + [name for name, _, _ in GAUGES]:
        metric = {name: called for name, called, _ in GAUGES}.get(name, name)
        assert values[metric] == {"": sorted(numbers()).index(name) + 1}


def test_waiting_seconds_grow_although_the_decoder_says_nothing_more(
    health: Health, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = 5_000.0
    monkeypatch.setattr(module, "steady", lambda: now)
    health.update([], [Decoded(waiting_since=now - 5), Decoded(waiting_since=now - 42), Decoded()])
    assert told(health)["waiting_seconds"] == {"": 42}
    assert told(health)["healthy"] == {"": 1}
    now += BEHIND_S
    assert told(health)["waiting_seconds"] == {"": 42 + BEHIND_S}
    assert told(health)["healthy"] == {"": 0}
    health.update([], [Decoded()])
    assert told(health)["waiting_seconds"] == {"": 0}


def test_a_decoder_tells_since_when_the_oldest_segment_waits(tmp_path: Path) -> None:
    make_store(open_backend(str(tmp_path / "store")))
    spool = tmp_path / "spool" / "0"
    spool.mkdir(parents=True)
    now = time.time()
    for number, since in ((7, now - 3_600), (8, now - 60)):
        path = spool / f"{number:012d}.pcap"
        path.write_bytes(bytes(100 * number))
        os.utime(path, (since, since))
    own, its = Pipe()
    with own, its:
        settings = Settings(store=str(tmp_path / "store"), spool=tmp_path / "spool")
        Decoding(settings, [spool], AllowList(None), its)._send_counters()
        decoded = own.recv()
    assert (decoded.waiting_segments, decoded.waiting_octets) == (2, 1_500)
    assert 3_600 <= steady() - decoded.waiting_since < 3_660


def test_each_exporter_has_when_it_was_heard_what_it_sent_and_what_was_lost(tmp_path: Path) -> None:
    with Running(tmp_path / "store", "--allow", "127.0.0.0/8") as running:
        began = int(time.time())
        whole, gaps = (Sender(running.port, source=f"127.0.0.{last}") for last in (2, 3))
        whole.send(20)
        gaps.send(10)
        for _ in range(7):
            gaps.message()  # lost on its way
        gaps.send(20)
        gaps.export_s += 600  # what is missing is not late any more
        gaps.send(1)
        running.wait_for("records_total", 51 * FLOWS)
        ended = time.time()
        text = running.get("/metrics")
    values = {
        family.name.removeprefix(PREFIX): {
            sample.labels["exporter"]: sample.value for sample in family.samples
        }
        for family in text_string_to_metric_families(text)
        if family.samples and "exporter" in family.samples[0].labels
    }
    assert values.pop("exporter_datagrams") == {"127.0.0.2": 20, "127.0.0.3": 31}
    assert values.pop("exporter_limited") == {"127.0.0.2": 0, "127.0.0.3": 0}
    assert values.pop("exporter_records") == {"127.0.0.2": 20 * FLOWS, "127.0.0.3": 31 * FLOWS}
    assert values.pop("exporter_lost_messages") == {"127.0.0.2": 0, "127.0.0.3": 0}
    assert values.pop("exporter_lost_records") == {"127.0.0.2": 0, "127.0.0.3": 7 * FLOWS}
    heard = values.pop("exporter_last_heard_timestamp_seconds")
    assert heard.keys() == {"127.0.0.2", "127.0.0.3"}
    assert all(began <= at <= ended for at in heard.values())
    assert values == {}
