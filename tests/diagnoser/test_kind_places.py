"""Pages and places of the kinds, asked of each file by its name."""

from __future__ import annotations

from types import ModuleType

import pytest

from flowdiag.diagnoser.findings import (
    backup_leak,
    below_plan,
    cannot_tell,
    export_gap,
    flapping,
    inbound_flood,
    keepalive_excess,
    keepalive_irregular,
    keepalive_missing,
    keepalive_unanswered,
    link_busy,
    link_full,
    not_the_link,
    on_backup,
    outage,
    outbound_scan,
    realtime_contention,
    single_host,
    unanswered_connections,
)

# In the order of the reference: what fills a line, what takes it away, the backup and its test, who uses it, attacks,
# and what can be said at all.
PAGES: tuple[ModuleType, ...] = (
    link_full, link_busy, below_plan, on_backup, flapping, backup_leak, keepalive_missing, keepalive_unanswered,
    keepalive_excess, keepalive_irregular, outage, realtime_contention, single_host, unanswered_connections,
    inbound_flood, outbound_scan, export_gap, not_the_link, cannot_tell,
)  # fmt: skip
# From what takes the line away to what merely uses it; then faults that are verdicts of an audit only.
VERDICTS: tuple[ModuleType, ...] = (
    outage, flapping, on_backup, inbound_flood, outbound_scan, link_full, below_plan, backup_leak, link_busy,
    unanswered_connections, outbound_scan, keepalive_missing, keepalive_unanswered, keepalive_excess, backup_leak,
)  # fmt: skip


@pytest.mark.parametrize(("page", "module"), list(enumerate(PAGES, 1)))
def test_each_kind_has_its_page(page: int, module: ModuleType) -> None:
    assert module.KIND.page == page
    assert module.KIND.code == module.CODE == module.__name__.rpartition(".")[2].replace("_", "-")


def test_the_places_of_the_verdicts_follow_one_another() -> None:
    places = sorted((rank.at, rank.audit, module.CODE) for module in set(PAGES) for rank in module.KIND.ranks)
    assert [code for _, _, code in places] == [module.CODE for module in VERDICTS]
    assert [audit for _, audit, _ in places] == [False] * 11 + [True] * 4
    assert len({at for at, _, _ in places}) == len(places)
