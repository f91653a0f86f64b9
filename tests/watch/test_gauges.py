"""What a monitor is given of a watch, as Prometheus's own parser reads it."""

from __future__ import annotations

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.parser import text_string_to_metric_families

from flowdiag.watch.event import Incident, Matter, SiteMemory
from flowdiag.watch.gauges import WatchGauges
from flowdiag.watch.holding import Held
from flowdiag.watch.part import Letter, Part
from flowdiag.watch.state import SiteState
from flowdiag.watch.watcher import Round

NOW = 1_772_497_800_000


def incident(code: str, *, over: bool = False, told: bool = True) -> Incident:
    return Incident(
        key=code, matter=Matter(code, "lte", "up"), severity="warning", confidence="high", began_ms=NOW, ended_ms=None,
        seen_ms=NOW, client="", summary="", told=(NOW,) if told else (), over=over,
    )  # fmt: skip


def asked(gauges: WatchGauges) -> dict[str, list[tuple[dict[str, str], float]]]:
    registry = CollectorRegistry()
    registry.register(gauges)
    text = generate_latest(registry).decode()
    return {
        family.name.removeprefix("flowdiag_watch_"): [(one.labels, one.value) for one in family.samples]
        for family in text_string_to_metric_families(text)
    }


def test_a_gauge_for_each_site_link_and_finding_that_goes_on() -> None:
    memory = SiteMemory(
        name='Harbour\x1b[31m "Lane"\n',
        state=SiteState(heard_ms=NOW),
        incidents=(
            incident("link-full"),
            incident("link-busy", over=True),
            incident("backup-leak", told=False),
        ),
    )
    letters = (Letter("a", "phone", (), NOW, NOW), Letter("b", "-", (), NOW, NOW))
    held = {"part-00": Held(Part(sites={"harbour/lane": memory}, letters=letters), 1)}
    gauges = WatchGauges(lambda: held, 60.0)
    gauges.done(Round(NOW, 1, (), {"Harbour": "no"}, 0.5))
    found = asked(gauges)
    ((labels, value),) = found["finding"]
    assert value == 1
    assert (labels["place"], labels["code"], labels["link"], labels["direction"]) == (
        "harbour/lane",
        "link-full",
        "lte",
        "up",
    )
    assert "\x1b" not in labels["site"]
    assert [value for _, value in found["site_heard_timestamp_seconds"]] == [NOW / 1000]
    assert [value for _, value in found["letters_waiting"]] == [1]
    assert [value for _, value in found["sites_failed"]] == [1]
    assert [value for _, value in found["healthy"]] == [1]


def test_what_is_wrong_is_said() -> None:
    gauges = WatchGauges(dict, 60.0)
    gauges.failed(OSError("disk full"))
    assert gauges.wrong() == {"store": "disk full"}
    gauges.done(Round(NOW, 900, (), {}, 70.0))
    assert list(gauges.wrong()) == ["late"]
    assert [value for _, value in asked(gauges)["healthy"]] == [0]
