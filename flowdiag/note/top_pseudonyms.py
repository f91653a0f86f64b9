"""A ranking of `flowdiag top` with the addresses inside the site replaced by pseudonyms."""

from __future__ import annotations

from collections.abc import Sequence
from ipaddress import ip_address

from msgspec.structs import replace

from flowdiag.address_ranges import AddressRanges
from flowdiag.addresses import to_bytes
from flowdiag.aggregator.remark import said
from flowdiag.aggregator.top_keys import Conversation
from flowdiag.aggregator.top_ranking import Ranking, Top, TopRow
from flowdiag.note.pseudonyms import Address, Pseudonyms
from flowdiag.text.wording.coverage import told
from flowdiag.text.wording.top import PSEUDONYMS


def with_pseudonyms(top: Top, names: Pseudonyms, inside: Sequence[str]) -> Top:
    """The ranking without inside addresses: the inside ends of its rows, and whatever lies in the networks `inside`.

    Labels stay, since the site chose them.
    """
    ranges = AddressRanges(inside)

    def is_inside(address: Address) -> bool:
        return bool(ranges.contains([to_bytes(str(address))])[0])

    def outer(text: str) -> str:
        return names.of(ip_address(text)) if is_inside(ip_address(text)) else text

    def hidden(row: TopRow) -> TopRow:
        key, kind = row.key, top.request.kind
        if isinstance(key, Conversation):
            outside = outer(key.outside)
            shown = replace(key, inside=names.of(ip_address(key.inside)), outside=outside)
            return replace(row, key=shown, address=row.address if outside == key.outside else None)
        if kind == "talkers":
            return replace(row, key=names.of(ip_address(key)), address=None)
        if kind == "destinations" and (outside := outer(key)) != key:
            return replace(row, key=outside, address=None)
        return row

    def ranking(some: Ranking) -> Ranking:
        return replace(some, rows=tuple(hidden(row) for row in some.rows))

    remarks = tuple(said(names.replaced(note, is_inside)) for note in told(top.remarks))
    return replace(
        top,
        whole=ranking(top.whole),
        steps=tuple(map(ranking, top.steps)),
        remarks=(*remarks, said(PSEUDONYMS)),
    )
