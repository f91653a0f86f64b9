"""The note says what the diagnosis found, the client first, and nothing more."""

from html import unescape

import pytest
from msgspec.structs import replace

from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.kinds import KINDS
from flowdiag.diagnoser.verdict import decide
from flowdiag.note import html, markdown, text
from flowdiag.note.compose import compose, heard_part, rewritten
from flowdiag.note.figures import link_rows
from flowdiag.note.json_note import as_dict
from tests.diagnoser.building import PING, Book, profile
from tests.note.building import FULL_UPLOAD, Traffic, diagnosis, full_upload, ms, resting_on
from tests.note.situations import (
    SITUATIONS,
    healthy,
    hostile,
    leak_in_an_audit,
    mostly_silent,
    silent_backup_beside_a_complaint,
)


def test_the_client_part_has_one_cause_and_one_next_step() -> None:
    client = compose(full_upload()).client
    assert client.told == "“video calls freeze”. We looked at Tuesday 3 March 2026, 14:10 to 14:50 NZDT."
    assert client.saw == (FULL_UPLOAD.client,)
    assert client.means == "The line was working. It had no room left, so whatever else used it had to wait."
    assert client.next == (
        "We find out with you which transfers can wait, and whether others can be given priority.",
        "Pause the large transfer, or run it outside working hours.",
    )


def test_without_a_complaint_nothing_is_asked_of_the_client() -> None:
    case = Traffic(30).office().case(reported=None)
    client = compose(diagnosis(case, healthy().verdict)).client
    assert client.means == "The line is not short of room at present."
    assert client.next == ("Nothing needs to be done about the line's rate.",)


def test_more_than_the_plan_can_be_is_taken_up_before_anybody_pauses_anything() -> None:
    given = full_upload()
    finding = replace(given.findings[0], evidence={**given.findings[0].evidence, "over_plan": True})
    note = compose(diagnosis(given.case, resting_on(finding), finding))
    assert "our record of its rate, or the measurement, is wrong" in note.client.means
    assert note.client.next == (
        "We compare the rate on record with your contract, correct it, and look again.",
    )


def test_a_line_that_varies_is_not_called_faulty() -> None:
    given = SITUATIONS["below-plan"]()
    given.case.profile.link[0].__dict__["variable"] = True
    client = compose(given).client
    assert client.means.startswith("What this kind of line can do changes over time")
    assert client.next == ("We test the line at another time of day and report it if it stays slow.",)


@pytest.mark.parametrize("name", SITUATIONS)
def test_the_client_is_spared_addresses(name: str) -> None:
    client = compose(SITUATIONS[name]()).client
    said = " ".join((client.told, *client.saw, client.means, *client.next))
    assert "192.168." not in said
    assert "2001:db8" not in said


def test_an_audit_says_that_nobody_complained() -> None:
    told = compose(leak_in_an_audit()).client.told
    assert told.startswith(
        "No complaint: this is a check of the connection over Tuesday 3 March 2026, 13:00 to"
    )


def test_a_complaint_without_a_time_says_what_was_looked_at() -> None:
    case = Traffic(30).office().case(reported="it hangs?")
    told = compose(diagnosis(case, healthy().verdict)).client.told
    assert told == (
        "“it hangs?” No time was given, so we looked at all that was measured: "
        "Tuesday 3 March 2026, 13:00 to 13:30 NZDT."
    )


def test_the_verdicts_finding_comes_first() -> None:
    given = full_upload()
    turned = replace(given, findings=given.findings[::-1])
    assert [finding.code for finding in compose(turned).findings] == ["link-full", "realtime-contention"]


def test_a_fault_of_the_backup_is_mentioned_beside_a_line_that_is_not_the_cause() -> None:
    saw = compose(silent_backup_beside_a_complaint()).client.saw
    assert len(saw) == 2
    assert saw[1] == (
        "We also noticed something else, which does not explain this: the backup line is not being tested as it "
        "should be, so it may not take over when needed."
    )
    assert len(compose(healthy()).client.saw) == 1


def test_what_happens_next_about_a_fault_of_the_backup_is_said_beside_the_line() -> None:
    client = compose(silent_backup_beside_a_complaint()).client
    assert client.next == (
        "Try the same with a cable instead of Wi-Fi, and from a second device.",
        "We check the backup line and how it is tested, and agree a time with you to try it out before it is needed.",
    )


DEAD_BACKUP = replace(
    FULL_UPLOAD, code="keepalive-missing", severity="warning", link="lte", direction=None, start_ms=ms(0), end_ms=ms(120),
    client="The backup line has not been tested since 13:00, so it may not take over when needed.", evidence={},
    actions=(),
)  # fmt: skip


@pytest.mark.parametrize(
    ("code", "step"),
    [
        (
            "keepalive-missing",
            "We check the backup line and how it is tested, and agree a time with you to try it out",
        ),
        (
            "keepalive-unanswered",
            "We check the backup line, its account and its signal, have it repaired if it is dead",
        ),
        ("keepalive-excess", "We correct the setting of the backup line's test"),
        ("backup-leak", "We find the setting that sends this traffic over the backup line, and correct it."),
    ],
)
def test_an_audit_that_finds_a_fault_of_the_backup_says_what_happens_about_that(code: str, step: str) -> None:
    case = Traffic().office().case(reported=None)
    fault = replace(DEAD_BACKUP, code=code)
    client = compose(diagnosis(case, resting_on(fault), fault)).client
    assert len(client.saw) == len(client.next) == 1
    assert client.next[0].startswith(step)


@pytest.mark.parametrize("code", [kind.code for kind in KINDS if kind.ranks or kind.find is None])
def test_an_audit_never_advises_about_the_wifi(code: str) -> None:
    case = Traffic().office().case(reported=None)
    if code in ("not-the-link", "cannot-tell"):
        verdict = replace(decide(case, ()), code=code)
        note = compose(diagnosis(case, verdict))
    else:
        fault = replace(DEAD_BACKUP, code=code)
        note = compose(diagnosis(case, resting_on(fault), fault))
    said = " ".join(
        (*note.client.saw, note.client.means, *note.client.next, *(a.text for a in note.verdict.next_steps))
    )
    assert "Wi-Fi" not in said
    assert "complaint" not in said
    assert note.client.next != ("We will get back to you with the next step.",)


def test_a_busy_line_in_an_audit_asks_nobody_when_it_was_slow() -> None:
    busy = replace(DEAD_BACKUP, code="link-busy", link="fibre", direction="up")
    case = Traffic().office().case(reported=None)
    client = compose(diagnosis(case, resting_on(busy), busy, DEAD_BACKUP)).client
    assert client.next == (
        "We watch whether the line gets busier, and tell you before it is full.",
        "We check the backup line and how it is tested, and agree a time with you to try it out before it is needed.",
    )
    assert client.saw[1].startswith(
        "We also noticed something else: the backup line has not been tested since 13:00"
    )


def test_with_the_whole_site_cut_off_its_silent_backup_is_no_news() -> None:
    outage = replace(FULL_UPLOAD, code="outage", link=None, direction=None, start_ms=ms(0), end_ms=ms(60))
    during = replace(DEAD_BACKUP, start_ms=ms(0), end_ms=ms(61))
    case = Traffic().office().case()
    assert len(compose(diagnosis(case, resting_on(outage), outage, during)).client.saw) == 1
    longer = replace(DEAD_BACKUP, end_ms=ms(125))
    assert len(compose(diagnosis(case, resting_on(outage), outage, longer)).client.saw) == 2


def test_below_high_confidence_it_is_not_said_that_a_faster_line_would_not_help() -> None:
    given = healthy()
    assert "would not have helped" in compose(given).client.means
    unsure = replace(given, verdict=replace(given.verdict, confidence="medium"))
    assert compose(unsure).client.means == (
        "Nothing that we measured shows a line short of room, but we could not see everything."
    )


def test_the_findings_that_the_verdict_tells_come_first_and_are_numbered_in_every_format() -> None:
    given = full_upload()
    later = replace(FULL_UPLOAD, start_ms=ms(120), end_ms=ms(130))
    also = replace(given.verdict, also=(later,))
    note = compose(replace(given, verdict=also, findings=(*given.findings, later)))
    assert [finding.code for finding in note.findings] == ["link-full", "link-full", "realtime-contention"]
    for render in (text.render, markdown.render, html.render):
        assert "high confidence; it rests on findings 1 and 2" in render(note)
    assert "; it rests on finding 1\n" in text.render(compose(given))


def test_the_sentence_of_the_verdict_is_the_same_in_every_format() -> None:
    note = compose(full_upload())
    sentence = as_dict(note)["verdict"]["sentence"]
    assert as_dict(note)["client"]["saw"][0] == sentence == FULL_UPLOAD.client
    for render in (text.render, markdown.render, html.render):
        assert " ".join(sentence.split()) in unescape(" ".join(render(note).split()))


def test_the_header_has_the_seconds_that_were_asked_about() -> None:
    case = replace(Traffic().office().case(window=(60, 63)), window_ms=(ms(60) + 20_000, ms(62) + 5_000))
    note = compose(diagnosis(case, healthy().verdict))
    assert "\nTuesday 3 March 2026, 14:00:20 to 14:02:05 NZDT\n" in text.render(note)
    assert "We looked at Tuesday 3 March 2026, 14:00:20 to 14:02:05 NZDT." in note.client.told
    assert as_dict(note)["window"] == {"from": "2026-03-03T14:00:20+13:00", "to": "2026-03-03T14:02:05+13:00"}


def test_a_link_called_backup_is_not_called_so_twice() -> None:
    case = Traffic().office().case()
    for name, shown in (("lte", "lte (backup)"), ("LTE backup", "LTE backup"), ("backup", "backup")):
        links = replace(compose(healthy()).links[1], name=name)
        assert link_rows([links], case.window_ms)[0][0] == shown


def test_coverage_counts_the_windows_minutes() -> None:
    coverage = compose(mostly_silent()).coverage
    assert coverage.heard == pytest.approx(40 / 120)
    assert coverage.lost_percent == pytest.approx(100 * 1_523 / (1_523 + 240))


def test_a_window_beyond_the_export_was_heard_in_part() -> None:
    case = Traffic(60).office().case(window=(30, 120))
    assert heard_part(case) == pytest.approx(30 / 90)
    assert heard_part(replace(case, window_ms=(ms(100), ms(100)))) == 0.0


def test_every_text_is_one_printable_line() -> None:
    seen: list[str] = []

    def look(text: str) -> str:
        seen.append(text)
        return text

    rewritten(compose(hostile(), ticket="T\x1b[2J\n1"), look)
    assert len(seen) > 80
    assert not [text for text in seen if not text.isprintable()]


@pytest.mark.parametrize(("ticket", "shown"), [(None, None), ("  ", None), (" T-1 ", "T-1")])
def test_a_blank_ticket_is_none(ticket: str | None, shown: str | None) -> None:
    assert compose(healthy(), ticket=ticket).ticket == shown


def test_the_method_names_each_links_framing() -> None:
    case = Traffic(10).office().case()
    case.profile.link[1].__dict__["framing"] = "pppoe"
    method = " ".join(compose(diagnosis(case, healthy().verdict)).method)
    assert "Rates of fibre count IP octets alone" in method
    assert "Rates of lte count IP octets and 46 octets" in method
    assert "busy from 70% of the plan's rate on, and full from 90%" in method


def test_an_unknown_verdict_still_has_a_next_step() -> None:
    odd = replace(FULL_UPLOAD, code="something-new", actions=())
    client = compose(diagnosis(full_upload().case, resting_on(odd), odd)).client
    assert client.means == "An engineer will look at the details below."
    assert client.next == ("We will get back to you with the next step.",)


def test_beside_seconds_without_any_line_the_silent_backup_is_no_news() -> None:
    """Nothing came in for a hundred seconds, keepalives of the backup included: they do not count as another fault."""
    book = Book()
    book.browse(0, 1800, every=1.0)
    book.browse(1900, 3600, every=1.0)
    book.pings(0, 1800)
    book.pings(1900, 3600)
    case = book.case(profile(keepalives=[PING]), resolution_s=10)
    given = diagnose(case)
    assert [finding.code for finding in given.findings if finding.severity == "warning"] == [
        "keepalive-missing"
    ]
    note = compose(given)
    assert "101 seconds from 10:29:59 on, in which nothing came in" in note.client.saw[0]
    assert len(note.client.saw) == 1
