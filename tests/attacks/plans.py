"""The attacks: what comes, how fast, and for how long."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from tests.attacks import crowds, salvos
from tests.attacks.crowds import Crowd
from tests.attacks.salvos import Salvo


@dataclass(frozen=True)
class Attack:
    """salvos: hostile datagrams, in turn, rate a second in all; crowds: hostile connections; load: sound datagrams a
    second of exporters that are not hostile, only many; ends: the collector is told to end in the middle of it, and
    started again; tls: connections have to be TLS; honest: records a second of each honest exporter."""

    name: str
    what: str
    salvos: tuple[Salvo, ...] = ()
    rate: int = 500
    crowds: tuple[Crowd, ...] = ()
    load: int = 0
    ends: bool = False
    tls: bool = False
    honest: int = 2_000
    seconds: float = 5.0


def together(name: str, *attacks: Attack) -> Attack:
    """Several at once, each at its own pace."""
    one = attacks[0]
    return replace(
        one,
        name=name,
        what="; ".join(attack.what for attack in attacks),
        salvos=tuple(salvo for attack in attacks for salvo in attack.salvos),
        rate=sum(attack.rate for attack in attacks if attack.salvos),
        crowds=tuple(crowd for attack in attacks for crowd in attack.crowds),
        tls=any(attack.tls for attack in attacks),
    )


# What item by item makes the mixed one: templates, options, garbage, many sources.
MIXED: Final = (
    salvos.forged_sources,
    salvos.silent_sources,
    salvos.unused_templates,
    salvos.unused_templates_of_the_honest,
    salvos.options,
    salvos.garbage,
    salvos.domains,
    salvos.redefinitions,
    salvos.untaught_data,
    salvos.duplicates,
    salvos.replays,
)

# An end forgets which messages have come, so a copy that is sent before it and decoded after it counts again; what the
# honest send has to be there all the same.
WITHOUT_REPLAYS: Final = tuple(salvo for salvo in MIXED if salvo is not salvos.replays)

METRICS: Final = (crowds.SILENT_METRICS, crowds.SLOW_METRICS, crowds.DEAF_METRICS)

ATTACKS: Final = (
    Attack("nothing", "no attack, for comparison"),
    Attack(
        "forged-sources", "a sound small datagram from each of ever new addresses", (salvos.forged_sources,),
        4_000,
    ),
    Attack(
        "forged-again", "the same from 2,300 addresses in turn", (salvos.forged_sources_coming_again,), 4_000
    ),
    Attack("silent-sources", "empty messages from ever new addresses", (salvos.silent_sources,), 4_000),
    Attack("templates", "12,000 templates that are never used, in one domain", (salvos.unused_templates,)),
    Attack(
        "templates-address", "the same from the honest addresses and domain, another port",
        (salvos.unused_templates_of_the_honest,),
    ),
    Attack(
        "templates-session", "the same from the honest ports: in their sessions and domain",
        (salvos.unused_templates_in_the_session,),
    ),
    Attack("wide-templates", "templates as long as a datagram", (salvos.wide_templates,), 100),
    Attack("options", "ever new interface names and samplers", (salvos.options,)),
    Attack(
        "options-address", "the same from the honest addresses and domain, another port",
        (salvos.options_of_the_honest,),
    ),
    Attack("garbage", "octets of any kind from 50 addresses", (salvos.garbage,), 2_000),
    Attack("domains", "ever new observation domains", (salvos.domains,), 2_000),
    Attack("domains-session", "the same in the honest sessions", (salvos.domains_of_the_honest,), 2_000),
    Attack("redefinitions", "a template that is another one each time, with data", (salvos.redefinitions,), 2_000),
    Attack(
        "redefinitions-address", "the same from the honest addresses and domain, another port",
        (salvos.redefinitions_of_the_honest,), 2_000,
    ),
    Attack("untaught", "data whose templates never come, from 2,300 addresses", (salvos.untaught_data,), 2_000),
    Attack("duplicates", "honest datagrams doubled by the network", (salvos.duplicates,), 400),
    Attack("replays", "honest datagrams once more, some time later", (salvos.replays,), 400),
    Attack("ports", "honest addresses, each datagram from another port", (salvos.ports,), 1_000),
    Attack("slow-records", "the longest datagrams of the shortest variable records", (salvos.slow_records,), 50),
    Attack("exhausting", "what fills one table of the decoder after another", (salvos.exhausting,), 500),
    Attack("idle-connections", "1,056 connections that say nothing", crowds=(crowds.IDLE,)),
    Attack(
        "slow-connections", "600 connections of an octet a second", crowds=(crowds.SLOW, crowds.SLOW_HEADERS)
    ),
    Attack("no-ipfix", "300 connections a second of another protocol", crowds=(crowds.NO_IPFIX,)),
    Attack(
        "tls-handshakes", "600 TLS handshakes never finished", crowds=(crowds.SILENT_TLS, crowds.HALF_TLS),
        tls=True,
    ),
    Attack(
        "metrics", "300 clients of the metrics that send nothing, slowly, or read nothing",
        crowds=METRICS,
    ),
    Attack("mixed", "500 a second of all kinds from many sources", MIXED, 500, seconds=10.0),
    Attack(
        "end", "SIGTERM within a flood and stalled clients of the metrics; what waits is decoded at the next start",
        WITHOUT_REPLAYS, 4_000, METRICS, ends=True,
    ),
    Attack("load", "40,000 sound datagrams a second", load=40_000, seconds=10.0),
)  # fmt: skip
