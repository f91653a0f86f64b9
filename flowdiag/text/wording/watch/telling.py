"""Messages of the watch: mails, and what is said of messages that nobody took."""

from __future__ import annotations

from typing import Final

TOO_MANY: Final = "more messages wait than are kept, and this one had waited longest"
