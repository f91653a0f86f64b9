"""Hostile datagrams are what they are said to be."""

from __future__ import annotations

from itertools import islice

import pytest

from tests.attacks import salvos
from tests.attacks.honest import TEMPLATE_ID, Honest, own_numbers
from tests.attacks.plans import ATTACKS
from tests.attacks.salvos import Salvo, Shot
from tests.collector.decode.wire import decode


@pytest.fixture
def honest() -> list[Honest]:
    return [Honest("udp", "127.0.1.1", 4739), Honest("udp, templates once", "127.0.1.2", 4739)]


def shots(salvo: Salvo, honest: list[Honest], number: int) -> list[Shot]:
    return list(islice(salvo(honest), number))


# What repeats the honest ones does not count here, and what exhausts the decoder has tests of its own.
KINDS = {
    salvo.__name__: salvo
    for attack in ATTACKS
    for salvo in attack.salvos
    if salvo not in (salvos.duplicates, salvos.replays, salvos.exhausting)
}


@pytest.mark.parametrize("kind", KINDS)
def test_every_datagram_can_be_sent_and_no_record_of_it_passes_for_an_honest_one(
    kind: str, honest: list[Honest]
) -> None:
    fired = shots(KINDS[kind], honest, 20)
    assert max(len(shot.payload) for shot in fired) <= salvos.UDP_ROOM
    decoded = decode(*(shot.payload for shot in fired)).table
    assert len(own_numbers(decoded["octets"].to_numpy(), decoded["packets"].to_numpy())) == 0


def test_replays_are_what_was_sent_before(honest: list[Honest]) -> None:
    fired = salvos.replays(honest)
    replayed = []
    for number in range(100):
        for one in honest:
            one.last = b"%d" % number
            shot = next(fired)
            assert shot.source is one
        replayed.append(int(shot.payload))
    assert replayed == [*[0] * (salvos.REPLAYED - 1), *range(101 - salvos.REPLAYED)]


def test_forged_sources_are_as_many_as_their_datagrams_and_each_tells_a_record(honest: list[Honest]) -> None:
    fired = shots(salvos.forged_sources, honest, salvos.SOURCES)
    assert len({shot.source for shot in fired}) == salvos.SOURCES
    assert decode(fired[0].payload).table["octets"].to_pylist() == [7]


def test_templates_are_twelve_thousand_that_nothing_is_sent_by(honest: list[Honest]) -> None:
    fired = shots(salvos.unused_templates, honest, len(salvos.TEMPLATES) // salvos.TEMPLATES_A_MESSAGE)
    defined = [
        int.from_bytes(shot.payload[place : place + 2], "big")
        for shot in fired
        for place in range(20, len(shot.payload), 8)
    ]
    assert sorted(defined) == list(salvos.TEMPLATES)
    assert TEMPLATE_ID not in defined


def test_what_is_aimed_at_the_honest_comes_from_their_addresses_or_their_own_sockets(
    honest: list[Honest],
) -> None:
    addresses = {one.address for one in honest}
    for salvo in (
        salvos.unused_templates_of_the_honest,
        salvos.options_of_the_honest,
        salvos.redefinitions_of_the_honest,
        salvos.ports,
    ):
        assert {shot.source for shot in shots(salvo, honest, 10)} == addresses
    for salvo in (salvos.unused_templates_in_the_session, salvos.domains_of_the_honest, salvos.duplicates):
        assert [shot.source for shot in shots(salvo, honest, 4)] == [*honest, *honest]


def test_data_without_templates_cannot_be_decoded_and_options_can(honest: list[Honest]) -> None:
    untaught = decode(*(shot.payload for shot in shots(salvos.untaught_data, honest, 100)))
    assert (len(untaught.table), untaught.report.undecoded_sets) == (0, 100)
    told = decode(*(shot.payload for shot in shots(salvos.options, honest, 100))).report
    assert sum(session.option_records for session in told.sessions) == 100 * 100
    assert told.undecoded_sets == 0
    assert len(told.interfaces) == 100 * 50


def test_domains_and_redefinitions_are_new_each_time(honest: list[Honest]) -> None:
    many = decode(*(shot.payload for shot in shots(salvos.domains, honest, 500))).report
    assert len(many.sessions) == 500
    [one] = decode(*(shot.payload for shot in shots(salvos.redefinitions, honest, 70))).report.sessions
    assert (one.templates[TEMPLATE_ID].redefined, one.records) == (69, 70)


def test_garbage_is_the_same_in_each_run(honest: list[Honest]) -> None:
    assert shots(salvos.garbage, honest, 200) == shots(salvos.garbage, honest, 200)
