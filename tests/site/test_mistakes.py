"""A site profile with mistakes gets one clear line for each: file, key, what is allowed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from flowdiag.errors import ProfileError
from flowdiag.site.mistakes import mistakes_in
from flowdiag.site.profile import Profile
from flowdiag.site.reading import MAX_MISTAKES, profile_from_text
from tests.site.profiles import GOOD, changed, lines, only_line


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        (
            "down_mbps = 30",
            "down_mbps = -5",
            "link[2].down_mbps (link 'lte')",
            "-5 is not allowed; expected a rate in",
        ),
        (
            "down_mbps = 30",
            "down_mbps = 0",
            "link[2].down_mbps (link 'lte')",
            "0 is not allowed; expected a rate in",
        ),
        (
            "down_mbps = 30",
            "down_mbps = nan",
            "link[2].down_mbps",
            "nan is not allowed; expected a rate in Mbit/s",
        ),
        (
            "down_mbps = 30",
            "down_mbps = inf",
            "link[2].down_mbps",
            "inf is not allowed; expected a rate in Mbit/s",
        ),
        ("down_mbps = 30", "down_mbps = true", "link[2].down_mbps", "true is not allowed; expected a rate"),
        ("down_mbps = 30", 'down_mbps = "30"', "link[2].down_mbps", "'30' is not allowed; expected a rate"),
        (
            "down_mbps = 30",
            "down_mpbs = 30",
            "link[2].down_mpbs",
            'unknown key, did you mean "down_mbps"?; expected',
        ),
        (
            "interfaces = [3]",
            "interfaces = [2]",
            "link[2].interfaces",
            "interface 2 belongs to link[1] already",
        ),
        (
            "interfaces = [3]",
            "interfaces = 3",
            "link[2].interfaces",
            "3 is not allowed; expected a list of ifIndex",
        ),
        (
            "interfaces = [3]",
            "interfaces = [0]",
            "link[2].interfaces[1]",
            "0 is not allowed; expected a list of",
        ),
        (
            "interfaces = [3]",
            "interfaces = [true]",
            "link[2].interfaces[1]",
            "true is not allowed; expected a list",
        ),
        (
            "interfaces = [3]",
            "interfaces = []",
            "link[2].interfaces",
            "only a site's single link can do without",
        ),
        ('name = "lte"', 'name = "Fibre"', "link[2].name", 'link[1] is called "Fibre" too'),
        ('name = "lte"', 'name = " "', "link[2].name", "it is blank; expected text of 1 to 200 characters"),
        (
            'name = "lte"',
            f'name = "{"x" * 201}"',
            "link[2].name",
            "it has 201 characters; expected text of 1 to 200",
        ),
        (
            'role = "backup"',
            'role = "spare"',
            "link[2].role",
            "'spare' is not allowed; expected primary or backup",
        ),
        (
            'role = "backup"',
            'role = "primary"',
            "link[2].keepalive",
            "checked on backup links only, and this one is",
        ),
        ('role = "primary"', 'role = "backup"', "link[1].role", "no link is the primary one"),
        (
            'framing = "ethernet"',
            'framing = "atm"',
            "link[1].framing (link 'fibre')",
            "expected ip, ethernet, wire or pppoe",
        ),
        ("variable = false", "variable = 0", "link[1].variable", "0 is not allowed; expected true or false"),
        (
            "allowance_gb = 50",
            "allowance_gb = -1",
            "link[2].allowance_gb",
            "-1 is not allowed; expected gigabytes",
        ),
        (
            'protocol = "icmp"',
            'protocol = "gre"',
            "link[2].keepalive[1].protocol",
            "expected icmp, udp or tcp",
        ),
        (
            'protocol = "icmp"',
            'protocol = "udp"',
            "link[2].keepalive[1].port",
            "a udp keepalive needs its port",
        ),
        ("port = 0", "port = 7", "link[2].keepalive[1].port", "icmp has no ports, but 7 is given"),
        ("interval_s = 10", "interval_s = 0", "link[2].keepalive[1].interval_s", "expected seconds, above 0"),
        (
            "packet_bytes = 84",
            "packet_bytes = 84.5",
            "link[2].keepalive[1].packet_bytes",
            "84.5 is not allowed",
        ),
        (
            '"198.51.100.1"',
            '"gateway"',
            "link[2].keepalive[1].destination",
            "'gateway' is not an address; expected",
        ),
        ('"Pacific/Auckland"', '"Pacific/Aukland"', "site.timezone", 'did you mean "Pacific/Auckland"?'),
        ('"Pacific/Auckland"', '"pacific"', "site.timezone", "'pacific' is not a time zone"),
        ('"Pacific/Auckland"', '"../../etc/passwd"', "site.timezone", "is not a time zone"),
        ('"Pacific/Auckland"', '"America"', "site.timezone", "'America' is not a time zone"),
        (
            '"192.168.40.0/24"',
            '"192.168.40.0/33"',
            "site.lan[1]",
            "'192.168.40.0/33' is not a network; expected a",
        ),
        ('"192.168.40.0/24"', '"0.0.0.0/0"', "site.lan[1]", "takes in every address"),
        ('"2001:db8:40::/48"', '"fe80::1%eth0"', "site.lan[2]", "has a zone, which flow records do not know"),
        ('"192.0.2.10"', '"192.0.2.300"', "site.exporters[1]", "'192.0.2.300' is not an address"),
        (
            '"Mon-Fri 08:00-18:00"',
            '"whenever"',
            "site.hours",
            "'whenever' cannot be read as days and a time range",
        ),
        ('"192.168.40.20/32"', '"archive"', "label[1].network (label 'imaging archive')", "is not a network"),
        ("[250, 100]", "[250]", "plan_catalogue.'Fibre 250'", "expected plans such as"),
        ("[250, 100]", "[250, 100, 5]", "plan_catalogue.'Fibre 250'", "expected plans such as"),
        (
            "[250, 100]",
            "[250, -1]",
            "plan_catalogue.'Fibre 250'[2]",
            "-1 is not allowed; expected plans such as",
        ),
        ('"Fibre 250"', '""', "plan_catalogue", "the name '' cannot be used"),
        (
            "full = 0.95",
            "full = 1.5",
            "thresholds.full",
            "1.5 is not allowed; expected a fraction above 0 and up to 1",
        ),
        ("full = 0.95", "full = 0.6", "thresholds.busy", "busy (0.7) has to be below full (0.6)"),
        ("full = 0.95", "fully = 0.95", "thresholds.fully", 'did you mean "full"?'),
        ("[thresholds]", "[treshold]", "treshold", 'unknown key, did you mean "thresholds"?'),
        ('name = "Harbour Lane Clinic"', "", "site.name", "is missing; expected text of 1 to 200 characters"),
        (
            "[thresholds]\nfull = 0.95",
            "[site.link]",
            "site.link",
            "unknown key, it belongs at the top; expected name",
        ),
    ],
)
def test_a_mistake_names_its_key_and_what_is_allowed(old: str, new: str, key: str, says: str) -> None:
    line = only_line(changed(old, new))
    assert line.startswith(f"site.toml: {key}")
    assert says in line


def test_label_networks_have_one_name() -> None:
    text = GOOD + '[[label]]\nnetwork = "192.168.40.20"\nname = "again"\n'
    assert "label[2].network (label 'again'): label[1] names 192.168.40.20/32 already" in only_line(text)


def test_all_mistakes_are_told_at_once() -> None:
    text = changed("down_mbps = 100", "down_mbps = -1").replace("interfaces = [3]", 'interfaces = "3"')
    text = text.replace("Mon-Fri", "Mo-Fr").replace("[thresholds]", "[threshold]")
    assert [line.split(": ")[1].split(" ")[0] for line in lines(text)] == [
        "site.hours",
        "link[1].down_mbps",
        "link[2].interfaces",
        "threshold",
    ]


def test_links_are_compared_although_another_part_is_wrong() -> None:
    text = changed("interfaces = [3]", "interfaces = [2]").replace("Pacific/Auckland", "Nowhere")
    assert [line.split(": ")[1].split(" ")[0] for line in lines(text)] == [
        "site.timezone",
        "link[2].interfaces",
    ]


def test_a_profile_that_is_wrong_all_over_does_not_flood_the_terminal() -> None:
    said = lines(GOOD + "".join(f'[[label]]\nname = "{n}"\n' for n in range(500)))
    assert len(said) == MAX_MISTAKES + 1
    assert said[-1] == f"site.toml: {500 - MAX_MISTAKES} more mistakes"


def test_a_profile_without_links_is_of_no_use() -> None:
    assert (
        only_line('[site]\nname = "x"\n')
        == "site.toml: link: is missing; expected at least one [[link]] table"
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[site]\nname = Harbour\n", 'site.toml: line 2: not TOML: invalid value; expected text in "quotes"'),
        ("[site]\nname 3\n", "site.toml: line 2: not TOML: expected '=' after a key"),
        ('[site]\nname = "x', "site.toml: line 2: not TOML:"),
        ("a = 1\na = 2\n", "site.toml: line 2: not TOML: cannot overwrite a value"),
        ("x = " + "[" * 100_000, "site.toml: values are nested too deep"),
        ("[site]\na" + ".a" * 300_000 + " = 1", "site.toml: line 2: more than 16 keys joined by dots"),
    ],
)
def test_a_slip_of_the_pen_is_placed(text: str, says: str) -> None:
    assert only_line(text).startswith(says)


@given(st.text(max_size=200) | st.binary(max_size=200).map(lambda b: b.decode("latin-1")))
def test_any_text_is_a_profile_or_a_profile_error(text: str) -> None:
    with pytest.raises(ProfileError):
        profile_from_text(text, "site.toml")


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=5,
)
tables = st.dictionaries(
    st.sampled_from(
        [
            "name",
            "timezone",
            "lan",
            "exporters",
            "hours",
            "role",
            "interfaces",
            "down_mbps",
            "up_mbps",
            "framing",
            "keepalive",
            "network",
            "x",
        ]
    ),
    values,
    max_size=6,
)


@given(
    st.dictionaries(
        st.sampled_from(["site", "link", "label", "plan_catalogue", "thresholds", "else"]),
        values | tables | st.lists(tables, max_size=3),
        max_size=6,
    )
)
def test_any_value_in_any_place_is_told_in_lines(raw: dict[str, object]) -> None:
    with pytest.raises(ValidationError) as raised:
        Profile.model_validate(raw)
    told = [str(mistake) for mistake in mistakes_in(raised.value, raw)]
    assert told
    assert not any("\n" in line for line in told)
