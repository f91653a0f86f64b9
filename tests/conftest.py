"""What holds for all tests: examples that hypothesis draws may take their time on a busy machine."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
