"""Form tokens as pages show them."""

from __future__ import annotations

import secrets

from hypothesis import given
from hypothesis import strategies as st

from flowdiag.desk.access.form_tokens import is_of, shown


def test_a_token_is_shown_otherwise_each_time_and_known_each_time() -> None:
    token = secrets.token_urlsafe(32)
    pages = [shown(token) for _ in range(50)]
    assert len(set(pages)) == 50
    assert all(is_of(page, token) for page in pages)
    assert not any(token[:8] in page for page in pages)
    assert not any(is_of(page, secrets.token_urlsafe(32)) for page in pages)


@given(st.one_of(st.text(max_size=200), st.none(), st.binary(max_size=10)))
def test_nothing_else_is_taken_for_it(given: object) -> None:
    assert not is_of(given, "a-token-of-forty-three-characters-it-may-be")
    assert not is_of(given, "")
