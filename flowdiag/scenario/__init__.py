"""Invents a site's traffic and writes it as the bytes a router would export, with the truth beside it.

The way of a situation: a `Site` (what was bought), a `Ledger` of conversations (what people and machines
wanted), a `Network` (which link carried, how much it could), `carry` (what got through, second by second),
`meter` (which flow records the router made of it), a wire encoder (NetFlow v5, v9 or IPFIX messages), and a
container (classic pcap or IPFIX file). Truth is read off what was carried, before anything is encoded;
nothing here uses the decoder.

Many sites over months go another way: portfolio.py draws their demand, stored_days.py writes it straight into a flow store.
"""

__all__ = ["capture", "exporting", "library", "provider", "site", "write"]
