"""How often one may try to sign in: five times at once, then with a delay that doubles, by account and by address."""

from __future__ import annotations

import math
from collections import OrderedDict
from typing import Final

from flowdiag.desk.access.rates import MOST_REMEMBERED, Delays, Rate

FREE: Final = 5
FIRST_S: Final = 1.0
LONGEST_S: Final = 900.0
FORGOTTEN_S: Final = 3600.0
FREE_OF_ADDRESS: Final = 20  # several people sign in from one address
# Of an account from all addresses at which nobody has signed in to it: guessing by many machines.
ACCOUNT_A_SECOND: Final = 0.1
ACCOUNT_BURST: Final = 50


class Tries:
    """Counts tries of passwords. A try counts as failed from its beginning, so that many at once gain nothing."""

    def __init__(self) -> None:
        self._pairs = Delays(FREE, FIRST_S, LONGEST_S, FORGOTTEN_S)
        self._addresses = Delays(FREE_OF_ADDRESS, FIRST_S, LONGEST_S, FORGOTTEN_S)
        self._accounts = Rate(ACCOUNT_A_SECOND, ACCOUNT_BURST)
        self._at_home: OrderedDict[str, None] = OrderedDict()

    def begin(self, account: str, address: str) -> int:
        """Seconds to wait before it may be tried, in which case it counts not at all; else 0, and it counts."""
        pair = f"{address} {account}"
        wait = max(self._pairs.wait(pair), self._addresses.wait(address))
        if not wait and pair not in self._at_home:
            wait = self._accounts.take(account)
        if wait:
            return math.ceil(wait)
        self._pairs.failed(pair)
        self._addresses.failed(address)
        return 0

    def succeeded(self, account: str, address: str) -> None:
        pair = f"{address} {account}"
        self._pairs.succeeded(pair)
        self._addresses.succeeded(address)
        self._at_home[pair] = None
        self._at_home.move_to_end(pair)
        while len(self._at_home) > MOST_REMEMBERED:
            self._at_home.popitem(last=False)
