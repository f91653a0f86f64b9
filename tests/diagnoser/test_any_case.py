"""Whatever the records say, the link and attack findings hold together: times, shares and severities make sense."""

from __future__ import annotations

from types import ModuleType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flowdiag.diagnoser.findings import (
    backup_leak,
    flapping,
    inbound_flood,
    keepalive_excess,
    keepalive_irregular,
    keepalive_missing,
    keepalive_unanswered,
    on_backup,
    outage,
    outbound_scan,
    unanswered_connections,
)
from flowdiag.site.profile import Profile, Site
from tests.diagnoser.building import PING, Book, profile

MODULES = (
    backup_leak, flapping, inbound_flood, keepalive_excess, keepalive_irregular, keepalive_missing,
    keepalive_unanswered, on_backup, outage, outbound_scan, unanswered_connections,
)  # fmt: skip
SECTIONS = ("Means:", "Decided:", "Thresholds:", "Fooled by:", "Do:", "Limits:")

rows = st.lists(
    st.fixed_dictionaries(
        {
            "start": st.integers(0, 3000),
            "lasting": st.integers(0, 600),
            "way": st.integers(0, 1),
            "octets": st.integers(1, 10**9),
            "link": st.sampled_from(["fibre", "lte", None]),
            "outside": st.sampled_from(["203.0.113.9", "198.51.100.1", "2001:db8:ffff::1", "192.168.40.9"]),
            "port": st.sampled_from([-1, 0, 53, 443, 2048]),
            "protocol": st.sampled_from([-1, 1, 6, 17, 58]),
            "flags": st.sampled_from([-1, 0, 2, 0x1B]),
            "opened_inside": st.integers(-1, 1),
            "egress": st.integers(-1, 2),
        }
    ),
    max_size=30,
)


@settings(max_examples=60, deadline=None)
@given(rows, st.booleans())
def test_findings_hold_together(drawn: list[dict[str, int]], heard: bool) -> None:
    book = Book()
    for row in drawn:
        start = row.pop("start")
        book.row(start, start + row.pop("lasting"), **row)  # type: ignore[arg-type]
    of = profile(keepalives=[PING], allowance_gb=50)
    case = book.case(of, span=(0, 3600), heard=[(0, 3600)] if heard else [])
    for module in MODULES:
        for finding in module.find(case):
            assert finding.code == module.CODE
            assert finding.start_ms is not None
            assert finding.end_ms is not None
            assert finding.start_ms <= finding.end_ms
            assert finding.summary.endswith(".")
            assert finding.client.endswith(".")
            assert finding.actions
            for kind in ("hosts", "applications", "destinations"):
                shares = [entry["share"] for entry in finding.evidence.get(kind, ())]
                assert shares == sorted(shares, reverse=True)
                assert sum(shares) <= 1.001


@pytest.mark.parametrize("module", MODULES)
def test_no_records_and_no_links_say_nothing(module: ModuleType) -> None:
    assert module.find(Book().case(profile(), span=(0, 3600), heard=[])) == []
    bare = Profile(site=Site(name="Nothing bought"))
    book = Book()
    book.row(0, 10, way=1, octets=1000, link=None)
    assert module.find(book.case(bare, span=(0, 3600))) == []


@pytest.mark.parametrize("module", MODULES)
def test_each_page_opens_with_one_sentence_and_has_its_sections(module: ModuleType) -> None:
    page = module.__doc__
    assert page is not None
    assert page.split("\n\n")[0].count(".") <= 1
    assert [page.index(section) for section in SECTIONS] == sorted(
        page.index(section) for section in SECTIONS
    )
