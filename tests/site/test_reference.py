"""The documentation's tables of the site profile."""

from __future__ import annotations

import pytest

from flowdiag.site.mistakes import allowed_text, keys_of
from flowdiag.site.profile import Thresholds
from flowdiag.site.reference import TABLES, profile_tables


def test_a_table_for_each_part_of_the_profile() -> None:
    site, link, keepalive, label, application, thresholds = profile_tables()
    assert "| `timezone` | zone in which the site's times are given | an IANA time zone" in site
    assert (
        "| `down_mbps` | download rate of the plan; whatever judges against it asks for it | a rate in Mbit/s above 0 |"
        in link
    )
    assert "| ip, ethernet, wire or pppoe | ethernet |" in link
    assert "| true or false | false |" in link
    assert "| `port` | destination port of the probe |" in keepalive
    assert "| `network` | address or network to be named |" in label
    assert "| `kind` | what it is, in plain words | web, video calls, voice," in application
    assert "| a fraction above 0 and up to 1 | 0.9 |" in thresholds


@pytest.mark.parametrize(("name", "key"), [(name, key) for name, model in TABLES for key in keys_of(model)])
def test_every_key_says_what_it_means_and_what_it_may_hold(name: str, key: str) -> None:
    model = dict(TABLES)[name]
    assert keys_of(model)[key].description
    assert allowed_text(model, key)


def test_every_threshold_has_a_default_and_its_source() -> None:
    for key, field in Thresholds.model_fields.items():
        assert isinstance(field.default, int | float), key
        assert field.description is not None
        assert field.description.endswith(")"), f"{key}: where its default comes from"
