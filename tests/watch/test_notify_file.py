"""The notify file: what it means, each mistake one line, and no line with a secret."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

import pytest

from flowdiag.errors import ConfigError
from flowdiag.explained import known_codes
from flowdiag.site.mistakes import keys_of
from flowdiag.text.wording.matters import MATTERS
from flowdiag.watch.notify import Command, Mail, Notify, Webhook
from flowdiag.watch.notify_file import (
    AcknowledgeTable,
    CommandTable,
    MailTable,
    MuteTable,
    NotifyFile,
    TargetTable,
    WebhookTable,
    read_notify,
)
from flowdiag.watch.silenced import Silence

HOOK = '[[webhook]]\nname = "tickets"\nurl = "https://tickets.example.net/in"\nsecret = "hush-hush"\n'
MAIL = '[[mail]]\nname = "noc"\nhost = "mail.example.net"\nfrom = "watch@example.net"\nto = ["noc@example.net"]\n'
COMMAND = '[[command]]\nname = "lamp"\nargv = ["/usr/local/bin/lamp", "on"]\n'


def given(folder: Path, text: str) -> Notify:
    file = folder / "notify.toml"
    file.write_text(text, encoding="utf-8")
    return read_notify(file)


def mistakes(folder: Path, text: str) -> str:
    """The error of a file, without its name at the beginning of each line."""
    with pytest.raises(ConfigError) as raised:
        given(folder, text)
    return str(raised.value).replace(f"{folder / 'notify.toml'}: ", "")


def test_a_file_with_everything_is_right(tmp_path: Path) -> None:
    (tmp_path / "password").write_text("also-hush\n")
    text = f"""
timezone = "Europe/Berlin"
desk = "https://desk.example.net/"
storm_s = 180
{HOOK}severity = "critical"
codes = ["outage", "not-heard"]
sites = ["kowhai-group/*"]
states = ["began", "ended"]
quiet = "Sat, Sun, 22:00-06:00"
timezone = "Pacific/Auckland"
timeout_s = 5
{MAIL}username = "watch"
password_file = "{tmp_path / "password"}"
quiet = "22:00-06:00"
{COMMAND}
[minimum]
outage = "5m"
keepalive-missing = "1 h"
[[mute]]
site = "rata/*"
code = "backup-leak"
until = 2026-04-01T08:00:00
reason = "works at the exchange"
[[acknowledge]]
key = "abcdefgh"
until = 2026-04-01T08:00:00Z
"""
    notify = given(tmp_path, text)
    hook, mail, command = notify.targets
    assert isinstance(hook, Webhook)
    assert hook.secret is not None
    assert (hook.url, hook.secret.text, hook.timeout_s) == ("https://tickets.example.net/in", "hush-hush", 5)
    assert (hook.severity, hook.codes, hook.states) == (
        "critical",
        ("outage", "not-heard"),
        ("began", "ended"),
    )
    assert hook.quiet is not None
    assert hook.quiet.timezone == "Pacific/Auckland"
    assert isinstance(mail, Mail)
    assert mail.password is not None
    assert (mail.host, mail.port, mail.tls, mail.password.text) == (
        "mail.example.net", 587, "starttls", "also-hush",
    )  # fmt: skip
    assert mail.quiet is not None
    assert mail.quiet.timezone == "Europe/Berlin"
    assert (mail.severity, mail.sites, mail.states) == ("warning", (), ("began", "ongoing", "ended"))
    assert isinstance(command, Command)
    assert command.argv == ("/usr/local/bin/lamp", "on")
    assert notify.minimum_ms == {"outage": 300_000, "keepalive-missing": 3_600_000}
    assert (notify.storm_ms, notify.desk) == (180_000, "https://desk.example.net")
    berlin = datetime.fromisoformat("2026-04-01T08:00+02:00").timestamp() * 1000
    assert notify.silences == (
        Silence(kind="muted", until_ms=int(berlin), site="rata/*", code="backup-leak", reason="works at the exchange"),
        Silence(kind="acknowledged", until_ms=int(berlin) + 7_200_000, key="abcdefgh"),
    )  # fmt: skip


def test_no_print_of_what_was_read_has_a_secret(tmp_path: Path) -> None:
    assert "hush" not in repr(given(tmp_path, HOOK + MAIL + 'username = "watch"\npassword = "also-hush"'))


def test_an_empty_file_tells_nobody(tmp_path: Path) -> None:
    assert given(tmp_path, "") == Notify()


def test_mail_by_implicit_tls_has_its_own_port_and_clear_mail_is_written_down(tmp_path: Path) -> None:
    for more, port, tls in (("implicit_tls = true", 465, "implicit"), ("starttls = false", 587, "none")):
        (mail,) = given(tmp_path, MAIL + more).targets
        assert isinstance(mail, Mail)
        assert (mail.port, mail.tls) == (port, tls)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (HOOK + 'adress = "x"', "webhook[1].adress: unknown key"),
        (HOOK + 'secrets = "x"', 'webhook[1].secrets: unknown key, did you mean "secret"?'),
        ('[[webhok]]\nname = "x"', 'webhok: unknown key, did you mean "webhook"?'),
        ('[[webhook]]\nname = "tickets"', "webhook[1].url: is missing"),
        (HOOK.replace("https", "ftp"), "webhook[1].url: is no address of a receiver: https://…"),
        (
            HOOK.replace("https", "http"),
            "webhook[1]: url: whoever is on the way reads what goes by http; https://…, or plain_http = true",
        ),
        (
            HOOK.replace("https://", "https://me:hush@"),
            "webhook[1].url: has a password in it; a receiver knows us by the signature of a secret",
        ),
        (
            HOOK + 'secret_variable = "SECRET"',
            "webhook[1]: has more than one of secret, secret_file, secret_variable",
        ),
        (
            HOOK.replace("tickets", "a b"),
            "webhook[1].name: cannot be used: 1 to 64 letters, digits, dots, hyphens and underscores",
        ),
        (HOOK + HOOK, "2 targets have the name 'tickets'"),
        (HOOK + MAIL.replace("noc", "Tickets", 1), "2 targets have the name 'tickets'"),
        (HOOK + 'codes = ["outag"]', "webhook[1].codes: 'outag' is no code, did you mean \"outage\"?"),
        (HOOK + "states = []", "webhook[1].states: is empty"),
        (
            HOOK + 'severity = "grave"',
            "webhook[1].severity: is not allowed: input should be 'info', 'warning' or 'critical'",
        ),
        (
            HOOK + 'quiet = "22-"',
            "webhook[1].quiet: '22-' cannot be read as days and a time range",
        ),
        (HOOK + 'quiet = "24/7"', "webhook[1].quiet: is all the time: nobody would ever be told"),
        (
            HOOK + 'timezone = "Europe/Berln"',
            "webhook[1].timezone: 'Europe/Berln' is not a time zone, did you mean \"Europe/Berlin\"?",
        ),
        (
            HOOK + "timeout_s = 600",
            "webhook[1].timeout_s: is not allowed: input should be less than or equal to 60",
        ),
        (
            MAIL.replace("noc@example.net", "noc"),
            "mail[1].to: 'noc' is no mail address such as noc@example.net",
        ),
        (
            MAIL.replace("noc@example.net", "noc@example.net\\nBcc: all@example.net"),
            "mail[1].to: 'noc@example.net\\nBcc: all@example.net' is no mail address such as noc@example.net",
        ),
        (MAIL.replace("from", "sender"), "mail[1].from: is missing"),
        (MAIL + 'username = "watch"', "mail[1]: needs username and password, or neither"),
        (MAIL + 'password = "hush"', "mail[1]: needs username and password, or neither"),
        (MAIL + "port = 70000", "mail[1].port: is not allowed: input should be less than or equal to 65535"),
        (COMMAND.replace('"/usr/local/bin/lamp", "on"', ""), "command[1].argv: is empty"),
        (COMMAND.replace('["/usr/local/bin/lamp", "on"]', '"lamp on"'), "command[1].argv: is no list"),
        ('[minimum]\noutage = "soon"', 'minimum: \'soon\' is no length of time such as "5m", "90s", "2h"'),
        ('[minimum]\noutages = "5m"', "minimum: 'outages' is no code, did you mean \"outage\"?"),
        ('[minimum]\noutage = "2d"', "minimum: outage: is longer than a day"),
        (
            "[[mute]]\nuntil = 2026-04-01T08:00:00",
            "mute[1]: needs a key, or site, code or link: it would mute everything",
        ),
        ('[[mute]]\nsite = "*"', "mute[1].until: is missing"),
        ("[[acknowledge]]\nuntil = 2026-04-01T08:00:00", "acknowledge[1].key: is missing"),
        ('desk = "desk"', "desk: is no address of a desk: https://…, without query"),
        ("storm_s = -1", "storm_s: is not allowed: input should be greater than or equal to 0"),
    ],
)
def test_each_mistake_is_one_line(tmp_path: Path, text: str, line: str) -> None:
    assert line in mistakes(tmp_path, text).splitlines()


def test_several_mistakes_are_told_at_once_and_none_repeats_a_secret(tmp_path: Path) -> None:
    text = HOOK.replace('"hush-hush"', "[1]") + MAIL + 'password = ["hush"]\nusername = 5\nport = "hush"'
    told = mistakes(tmp_path, text)
    assert len(told.splitlines()) == 4
    assert "hush" not in told


@pytest.mark.parametrize(
    ("more", "reason"),
    [
        ('secret_file = "/nowhere/secret"', "secret of tickets: /nowhere/secret cannot be read"),
        ('secret_variable = "NOWHERE_SET"', "secret of tickets: the environment has no NOWHERE_SET"),
        ('secret = "x"\nca_file = "/nowhere/ca"', "ca_file /nowhere/ca is no file that can be read"),
    ],
)
def test_a_secret_that_cannot_be_had_is_one_line(tmp_path: Path, more: str, reason: str) -> None:
    assert reason in mistakes(tmp_path, HOOK.replace('secret = "hush-hush"\n', "") + more)


def test_a_secret_is_read_from_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TICKETS_SECRET", "hush")
    text = HOOK.replace('secret = "hush-hush"', 'secret_variable = "TICKETS_SECRET"')
    (hook,) = given(tmp_path, text).targets
    assert isinstance(hook, Webhook)
    assert hook.secret is not None
    assert hook.secret.text == "hush"


def test_what_is_no_toml_or_is_not_there_is_one_line(tmp_path: Path) -> None:
    assert "is not TOML" in mistakes(tmp_path, "[[webhook")
    with pytest.raises(ConfigError, match="cannot be read"):
        read_notify(tmp_path / "none.toml")


def test_reading_loads_nothing_heavy() -> None:
    import subprocess
    import sys

    program = (
        "import sys, flowdiag.watch.notify_file, flowdiag.watch.telling\n"
        "print([name for name in ('numpy', 'pyarrow', 'pandas', 'jinja2', 'httpcore') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_reference_has_every_key_and_no_other() -> None:
    """Rows of its tables begin with one key or several."""
    page = (Path(__file__).parents[2] / "docs/reference/notify.md").read_text(encoding="utf-8")
    sections = {
        section.partition("\n")[0]: set(re.findall(r"`([a-z_]+)`", " ".join(re.findall(r"(?m)^\| (`.*?) \|", section))))
        for section in page.split("\n## ")
    }  # fmt: skip
    common = set(keys_of(TargetTable))
    assert sections["Every target"] == common
    for name, model in (
        ("`[[webhook]]`", WebhookTable),
        ("`[[mail]]`", MailTable),
        ("`[[command]]`", CommandTable),
    ):
        assert sections[name] == set(keys_of(model)) - common
    silences = set(keys_of(MuteTable)) | set(keys_of(AcknowledgeTable))
    assert sections["`[[mute]]` and `[[acknowledge]]`"] == silences
    tables = {"webhook", "mail", "command", "minimum", "mute", "acknowledge"}
    assert sections["At the top"] == set(keys_of(NotifyFile)) - tables


def test_the_example_of_the_reference_is_right(tmp_path: Path) -> None:
    page = (Path(__file__).parents[2] / "docs/reference/notify.md").read_text(encoding="utf-8")
    example = page.split("```toml\n")[1].partition("```")[0].replace("/etc/flowdiag", str(tmp_path))
    for name in ("tickets-secret", "mail-password"):
        (tmp_path / name).write_text("hush")
    assert [target.name for target in given(tmp_path, example).targets] == ["tickets", "noc", "lamp"]


def test_there_are_words_for_every_code() -> None:
    told = set(known_codes()) - {"not-the-link", "cannot-tell"}
    assert told == set(MATTERS)
