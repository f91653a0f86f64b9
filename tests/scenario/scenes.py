"""A small site for the tests of the scenario wing."""

from __future__ import annotations

from typing import Any

from flowdiag.scenario.scene import MINUTE, Scene
from flowdiag.scenario.site import Site, SiteLink
from flowdiag.scenario.write import generator

START = 1_772_496_000_000  # 2026-03-03T00:00:00Z
FIBRE = SiteLink("fibre", 100, 20, (2,), framing="wire")
LTE = SiteLink("lte", 30, 5, (3,), "backup", framing="wire")


def scene(minutes: float = 10, hosts: int = 4, number: int = 7, **site: Any) -> Scene:
    options: dict[str, Any] = {"links": (FIBRE, LTE), "lan": ("192.168.40.0/24", "2001:db8:40::/48")} | site
    the_site = Site("Test site", **options)
    return Scene(the_site, START, START + int(minutes * MINUTE), generator(number), hosts=hosts)
