"""A ranking with pseudonyms for the addresses inside; labels and outside addresses stay."""

from __future__ import annotations

from dataclasses import replace
from ipaddress import ip_address

from flowdiag.aggregator.top import Ranking, Top, TopRow
from flowdiag.aggregator.top_keys import Conversation
from flowdiag.note.pseudonyms import Pseudonyms


def with_pseudonyms(top: Top, names: Pseudonyms) -> Top:
    """Talkers, and the inside end of conversations; other rankings have no inside address."""

    def row_of(row: TopRow) -> TopRow:
        if isinstance(row.key, Conversation):
            return replace(row, key=replace(row.key, inside=names.of(ip_address(row.key.inside))))
        if top.request.kind == "talkers":
            return replace(row, key=names.of(ip_address(row.key)))
        return row

    def ranking_of(ranking: Ranking) -> Ranking:
        return replace(ranking, rows=tuple(map(row_of, ranking.rows)))

    return replace(top, whole=ranking_of(top.whole), steps=tuple(map(ranking_of, top.steps)))
