"""Applications that a site names itself: their ports, the spelling of their name, and what they are."""

from __future__ import annotations

import numpy as np

from flowdiag.aggregator.applications import Names, catalogue, catalogue_of
from flowdiag.aggregator.ranking import rank_applications
from flowdiag.site.profile import Application, Profile
from tests.aggregator.tables import START, build, down, site, up


def profile() -> Profile:
    return site(
        application=[
            Application(name="Practice records", kind="file sharing", tcp=[7001, 443]),
            Application(name="TeleScan", kind="backup"),
        ]
    )


def test_without_own_applications_the_rules_are_those_of_the_package() -> None:
    assert catalogue_of(site()) is catalogue()


def test_a_port_that_the_site_names_has_the_sites_name() -> None:
    rules = catalogue_of(profile())
    assert rules.ports[6, 7001] == rules.ports[6, 443] == "Practice records"
    assert rules.ports[17, 443] == "https"
    assert rules.class_of("practice RECORDS") == "file sharing"
    assert rules.class_of("https") == "web"


def test_names_and_kinds_reach_the_ranking() -> None:
    rows = [
        up(dst_port=7001, octets=500),
        down(src_port=7001, octets=300),
        up(src_port=50_001, octets=200, application="telescan"),
        up(src_port=50_002, dst_port=25, octets=100),
    ]
    flows, _, _ = build(rows, profile())
    found = rank_applications(flows, profile(), (START, START + 1001))
    assert [(row.key, row.label, row.octets) for row in found] == [
        ("Practice records", "file sharing", 800),
        ("TeleScan", "backup", 200),
        ("smtp", "mail", 100),
    ]


def test_services_are_numbered_alike_in_whatever_order_they_are_met() -> None:
    protocol = np.array([17, 6, 1, 6, -1, 6, 50, 6], np.int16)
    port = np.array([53, 443, -1, 65_535, -1, -1, -1, 443], np.int32)
    texts = ["dns", "https", "icmp", "tcp/65535", "unknown", "unknown", "esp", "https"]
    tables = []
    for order in (np.arange(8), np.arange(8)[::-1]):
        names = Names(catalogue())
        met = np.concatenate([names.slots(protocol[[row]], port[[row]]) for row in order])
        names.settle()
        numbers = names.named(np.append(met, np.int32(0)))
        assert numbers[-1] == 0  # what is named already stays
        assert [names.all()[number] for number in numbers[:-1]] == [texts[row] for row in order]
        tables.append(names.all())
    assert tables[0] == tables[1]


def test_every_port_may_be_a_service() -> None:
    names = Names(catalogue())
    given = names.of_exporters([f"named by the exporter {number}" for number in range(4_096)])
    ports = np.arange(-1, 65_536, dtype=np.int32)
    met = [names.slots(np.full(len(ports), protocol, np.int16), ports) for protocol in (6, 17)]
    names.settle()
    numbers = names.named(np.concatenate([given, *met]))
    known = names.all()
    texts = [known[number] for number in numbers]
    assert texts[4_095] == "named by the exporter 4095"
    assert texts[4_097] == texts[4_097 + len(ports)] == "unknown"
    assert texts[-1] == "udp/65535"
