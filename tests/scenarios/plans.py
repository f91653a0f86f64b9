"""Traffic that stops clearly under the plan: a line trained down, a shaper, a wrong plan rate; and what
resembles it.
"""

from __future__ import annotations

from flowdiag.scenario import activities as do
from flowdiag.scenario.scene import Scene
from tests.scenarios.stage import Stage, situation


def many_want_more(
    s: Stage, scene: Scene, from_minute: float, to_minute: float, mbps: float, up: bool = False
) -> None:
    """Transfers of many hosts that together could use far more than mbps, arriving all along."""
    total = mbps / 8 * 60 * (to_minute - from_minute)
    count = 40
    for number in range(count):
        begin = from_minute + (to_minute - from_minute) * 0.85 * number / count
        host = scene.hosts[number % len(scene.hosts)]
        go = do.upload if up else do.download
        go(scene, host, s.at(begin), total / count * s.uniform(0.7, 1.3))


@situation
def the_line_trained_down(s: Stage) -> None:
    s.site(plans=((50, 10), (100, 20), (100, 40), (250, 25)))
    scene = s.open(90, hosts=16)
    level = s.uniform(0.35, 0.6) * s.the_site.links[0].down_mbps
    scene.network.ceiling(0, 0, level, s.start, s.end)
    many_want_more(s, scene, 15, 65, level)
    s.look(15, 60)
    s.want("below-plan", severity="critical", link="fibre", direction="down")
    s.verdict("below-plan")


@situation
def the_upload_is_shaped(s: Stage) -> None:
    s.site(plans=((50, 10), (100, 20), (100, 40)))
    scene = s.open(90, hosts=16)
    level = s.uniform(0.3, 0.55) * s.the_site.links[0].up_mbps
    scene.network.ceiling(0, 1, level, s.start, s.end)
    many_want_more(s, scene, 15, 65, level, up=True)
    s.look(20, 60)
    s.want("below-plan", severity="critical", link="fibre", direction="up")
    s.verdict("below-plan")


@situation
def slower_since_this_afternoon(s: Stage) -> None:
    """The morning reached the plan; since then the line stops at a fraction."""
    s.site(plans=((50, 10), (100, 20), (100, 40)))
    scene = s.open(240, hosts=16)
    plan = s.the_site.links[0].down_mbps
    many_want_more(s, scene, 20, 40, plan * 0.9)
    scene.network.ceiling(0, 0, plan * 0.4, s.at(120), s.end)
    many_want_more(s, scene, 140, 200, plan * 0.4)
    s.look(140, 195)
    s.want("below-plan", severity="critical", link="fibre", direction="down")
    s.verdict("below-plan")


@situation
def a_variable_line_far_under_its_typical_rate(s: Stage) -> None:
    s.site((150, 15), variable=True)
    scene = s.open(90, hosts=16)
    scene.network.ceiling(0, 0, 30, s.start, s.end, wobble=0.03)
    many_want_more(s, scene, 15, 65, 29)
    s.look(15, 60)
    s.want("below-plan", severity="critical", link="fibre", direction="down")
    s.verdict("below-plan")


@situation
def two_slow_servers(s: Stage) -> None:
    s.site(framing="ethernet")
    scene = s.open(80, background=0.02)
    link = s.the_site.links[0]
    for host in scene.hosts[:2]:
        level = link.down_mbps * s.uniform(0.18, 0.25)
        do.download(scene, host, s.at(s.uniform(5, 20)), level / 8 * 60 * 40, cap_mbps=level)
    s.healthy = True
    s.look(10, 70)
    s.forbid("below-plan", "link-busy", "link-full")
