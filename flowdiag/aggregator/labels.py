"""Names for addresses from the site profile; the longest prefix wins."""

from __future__ import annotations

from flowdiag.aggregator.addresses import Networks
from flowdiag.site.profile import Profile


class Labels:
    def __init__(self, profile: Profile) -> None:
        self._networks = Networks([label.network for label in profile.label])
        self._names = [label.name for label in profile.label]

    def label(self, address: bytes) -> str | None:
        """The label of an address (16 octets), or None."""
        number = self._networks.match(address)
        return None if number is None else self._names[number]
