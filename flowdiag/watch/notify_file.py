"""The file that says whom a watch tells what (`--notify`). Its reference (docs/reference/notify.md) follows these models; each
mistake in a file becomes one line."""

from __future__ import annotations

import os
import re
from collections import Counter
from datetime import UTC, datetime
from email.utils import parseaddr
from pathlib import Path
from typing import Annotated, Any, Final, Literal
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from flowdiag.diagnoser.finding import Severity
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS
from flowdiag.errors import ConfigError
from flowdiag.explained import codes
from flowdiag.site.hours import MINUTES_A_WEEK, parse_hours
from flowdiag.site.settings_file import read_settings
from flowdiag.site.values import check_time_zone, shown
from flowdiag.watch.event import EventState
from flowdiag.watch.notify import STATES, Command, Mail, Notify, Quiet, Secret, Target, Webhook
from flowdiag.watch.silenced import LONGEST_TEXT, Silence

MOST_TARGETS: Final = 100
MOST_ENTRIES: Final = 2_000
LONGEST_TIMEOUT_S: Final = 60.0  # nobody waits longer for a receiver
LONGEST_STORM_S: Final = 900
_LOOPBACK: Final = frozenset({"localhost", "127.0.0.1", "::1"})
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_ADDRESS: Final = re.compile(r"[^\s@<>,;:\"()\[\]\\]{1,64}@[A-Za-z0-9](?:[A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")
_DURATION: Final = re.compile(r"(\d{1,6}) ?(s|m|min|h|d)")
_UNIT_MS: Final = {"s": SECOND_MS, "m": MINUTE_MS, "min": MINUTE_MS, "h": HOUR_MS, "d": DAY_MS}
_SUBMISSION: Final = 587  # RFC 6409 3.1
_SUBMISSIONS: Final = 465  # RFC 8314 7.3

Text = Annotated[str, Field(min_length=1, max_length=LONGEST_TEXT)]
Texts = Annotated[tuple[Text, ...], Field(max_length=MOST_ENTRIES)]
Timeout = Annotated[float, Field(gt=0, le=LONGEST_TIMEOUT_S, allow_inf_nan=False)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class TargetTable(_Table):
    """What all kinds of targets have."""

    name: str
    severity: Severity = "warning"
    codes: Texts = ()
    sites: Texts = ()
    states: Annotated[tuple[EventState, ...], Field(min_length=1)] = STATES
    quiet: Text | None = None
    timezone: Text | None = None
    timeout_s: Timeout = 10.0

    @field_validator("name")
    @classmethod
    def _plain(cls, name: str) -> str:
        if not _NAME.fullmatch(name):
            raise ValueError("cannot be used: 1 to 64 letters, digits, dots, hyphens and underscores")
        return name

    @field_validator("codes")
    @classmethod
    def _codes(cls, codes: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(check_code(code) for code in codes)

    @field_validator("quiet")
    @classmethod
    def _quiet(cls, text: str | None) -> str | None:
        if text is not None:
            hours = parse_hours(text)
            if sum(end - begin for begin, end in hours.open_ranges) >= MINUTES_A_WEEK:
                raise ValueError("is all the time: nobody would ever be told")
        return text

    @field_validator("timezone")
    @classmethod
    def _zone(cls, text: str | None) -> str | None:
        return None if text is None else check_time_zone(text)

    def common(self, timezone: str) -> dict[str, Any]:
        """The fields of a Target. timezone: of the file."""
        quiet = None if self.quiet is None else Quiet(parse_hours(self.quiet), self.timezone or timezone)
        names = ("name", "severity", "codes", "sites", "states", "timeout_s")
        return {name: getattr(self, name) for name in names} | {"quiet": quiet}


class WebhookTable(TargetTable):
    url: Text
    plain_http: bool = False
    secret: Text | None = None
    secret_file: Path | None = None
    secret_variable: Text | None = None
    ca_file: Path | None = None

    @field_validator("url")
    @classmethod
    def _address(cls, url: str) -> str:
        parts = urlsplit(url)
        if parts.scheme not in ("https", "http") or not parts.hostname or parts.fragment or not url.isascii():
            raise ValueError("is no address of a receiver: https://…")
        if parts.username is not None or parts.password is not None:
            raise ValueError("has a password in it; a receiver knows us by the signature of a secret")
        _ = parts.port  # raises ValueError
        return url

    @model_validator(mode="after")
    def _whole(self) -> WebhookTable:
        _one_of(self, "secret")
        parts = urlsplit(self.url)
        if parts.scheme == "http" and parts.hostname not in _LOOPBACK and not self.plain_http:
            raise ValueError(
                "url: whoever is on the way reads what goes by http; https://…, or plain_http = true"
            )
        return self

    def target(self, timezone: str) -> Webhook:
        return Webhook(
            **self.common(timezone), url=self.url, secret=_secret(self, "secret"), ca_file=_file(self.ca_file)
        )


class MailTable(TargetTable):
    host: Text
    port: Annotated[int, Field(ge=1, le=65_535)] | None = None
    starttls: bool = True
    implicit_tls: bool = False
    username: Text | None = None
    password: Text | None = None
    password_file: Path | None = None
    password_variable: Text | None = None
    sender: str = Field(alias="from")
    to: Annotated[tuple[str, ...], Field(min_length=1, max_length=100)]
    ca_file: Path | None = None
    timeout_s: Timeout = 20.0

    @field_validator("host")
    @classmethod
    def _host(cls, host: str) -> str:
        if not re.fullmatch(r"[A-Za-z0-9.:-]+", host):
            raise ValueError("is no name or address of a host")
        return host

    @field_validator("sender")
    @classmethod
    def _from(cls, address: str) -> str:
        return _address(address)

    @field_validator("to")
    @classmethod
    def _to(cls, addresses: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(_address(address) for address in addresses)

    @model_validator(mode="after")
    def _whole(self) -> MailTable:
        _one_of(self, "password")
        if (self.username is None) != (_given(self, "password") == 0):
            raise ValueError("needs username and password, or neither")
        return self

    def target(self, timezone: str) -> Mail:
        tls: Literal["starttls", "implicit", "none"] = "starttls" if self.starttls else "none"
        if self.implicit_tls:
            tls = "implicit"
        return Mail(
            **self.common(timezone),
            host=self.host,
            port=self.port or (_SUBMISSIONS if self.implicit_tls else _SUBMISSION),
            sender=self.sender,
            to=self.to,
            tls=tls,
            username=self.username,
            password=_secret(self, "password"),
            ca_file=_file(self.ca_file),
        )


class CommandTable(TargetTable):
    argv: Annotated[tuple[Text, ...], Field(min_length=1, max_length=100)]
    timeout_s: Timeout = 30.0

    def target(self, timezone: str) -> Command:
        return Command(**self.common(timezone), argv=self.argv)


class SilenceTable(_Table):
    """until: a date and time; without an offset in the file's time zone."""

    until: datetime
    site: Text | None = None
    code: Text | None = None
    link: Text | None = None
    reason: Annotated[str, Field(max_length=LONGEST_TEXT)] = ""

    @field_validator("code")
    @classmethod
    def _code(cls, code: str | None) -> str | None:
        return None if code is None else check_code(code)

    def until_ms(self, timezone: str) -> int:
        until = self.until if self.until.tzinfo is not None else self.until.replace(tzinfo=ZoneInfo(timezone))
        return round((until - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()) * SECOND_MS


class MuteTable(SilenceTable):
    key: Text | None = None

    @model_validator(mode="after")
    def _something(self) -> MuteTable:
        if (self.key, self.site, self.code, self.link) == (None, None, None, None):
            raise ValueError("needs a key, or site, code or link: it would mute everything")
        return self


class AcknowledgeTable(_Table):
    key: Text
    until: datetime
    reason: Annotated[str, Field(max_length=LONGEST_TEXT)] = ""


class NotifyFile(_Table):
    """Everything in the file."""

    timezone: Text = "UTC"
    desk: Text | None = None
    storm_s: Annotated[int, Field(ge=0, le=LONGEST_STORM_S)] = 120
    webhook: Annotated[tuple[WebhookTable, ...], Field(max_length=MOST_TARGETS)] = ()
    mail: Annotated[tuple[MailTable, ...], Field(max_length=MOST_TARGETS)] = ()
    command: Annotated[tuple[CommandTable, ...], Field(max_length=MOST_TARGETS)] = ()
    minimum: dict[str, str] = Field(default_factory=dict, max_length=MOST_ENTRIES)
    mute: Annotated[tuple[MuteTable, ...], Field(max_length=MOST_ENTRIES)] = ()
    acknowledge: Annotated[tuple[AcknowledgeTable, ...], Field(max_length=MOST_ENTRIES)] = ()

    @field_validator("timezone")
    @classmethod
    def _zone(cls, text: str) -> str:
        return check_time_zone(text)

    @field_validator("desk")
    @classmethod
    def _desk(cls, url: str | None) -> str | None:
        parts = urlsplit(url or "https://desk")
        if parts.scheme not in ("https", "http") or not parts.hostname or parts.query or parts.fragment:
            raise ValueError("is no address of a desk: https://…, without query")
        return url

    @field_validator("minimum")
    @classmethod
    def _durations(cls, minimum: dict[str, str]) -> dict[str, str]:
        for code, text in minimum.items():
            check_code(code)
            if _duration_ms(text) > DAY_MS:
                raise ValueError(f"{code}: is longer than a day")
        return minimum

    @model_validator(mode="after")
    def _names(self) -> NotifyFile:
        names = Counter(table.name.lower() for table in self.targets)
        twice = [name for name, times in names.items() if times > 1]
        if twice:
            raise ValueError(f"{names[twice[0]]} targets have the name {shown(twice[0])}")
        return self

    @property
    def targets(self) -> tuple[WebhookTable | MailTable | CommandTable, ...]:
        return (*self.webhook, *self.mail, *self.command)

    @property
    def silences(self) -> tuple[Silence, ...]:
        mutes = (
            Silence(
                kind="muted", until_ms=one.until_ms(self.timezone), key=one.key, site=one.site, code=one.code,
                link=one.link, reason=one.reason,
            )
            for one in self.mute
        )  # fmt: skip
        known = (
            Silence(
                kind="acknowledged",
                until_ms=SilenceTable(until=one.until).until_ms(self.timezone),
                key=one.key,
                reason=one.reason,
            )
            for one in self.acknowledge
        )
        return (*mutes, *known)


def read_notify(path: Path) -> Notify:
    """What a file says, with its secrets. Raises ConfigError; with several mistakes its text has one line for each."""
    read = read_settings(path, NotifyFile, "a notify file")
    try:
        targets: list[Target] = [table.target(read.timezone) for table in read.targets]
    except ConfigError as error:
        raise ConfigError(str(error), file=str(path)) from None
    return Notify(
        targets=tuple(targets),
        minimum_ms={code: _duration_ms(text) for code, text in read.minimum.items()},
        storm_ms=read.storm_s * SECOND_MS,
        silences=read.silences,
        desk=None if read.desk is None else read.desk.rstrip("/"),
    )


def check_code(code: str) -> str:
    """Raises ValueError for a code of which no event ever is."""
    if code not in codes():
        from difflib import get_close_matches

        near = get_close_matches(code, sorted(codes()), n=1)
        raise ValueError(f"{shown(code)} is no code" + (f', did you mean "{near[0]}"?' if near else ""))
    return code


def _duration_ms(text: str) -> int:
    match = _DURATION.fullmatch(text.strip())
    if match is None:
        raise ValueError(f'{shown(text)} is no length of time such as "5m", "90s", "2h"')
    return int(match[1]) * _UNIT_MS[match[2]]


def _address(text: str) -> str:
    """A mail address without a name; nothing in it can end a header (RFC 5322 3.4.1)."""
    if not _ADDRESS.fullmatch(text) or not text.isascii() or parseaddr(text) != ("", text):
        raise ValueError(f"{shown(text)} is no mail address such as noc@example.net")
    return text


def _file(path: Path | None) -> str | None:
    if path is None:
        return None
    if not path.is_file():
        raise ConfigError(f"ca_file {path} is no file that can be read")
    return str(path)


def _given(table: _Table, name: str) -> int:
    return sum(getattr(table, key) is not None for key in (name, f"{name}_file", f"{name}_variable"))


def _one_of(table: _Table, name: str) -> None:
    if _given(table, name) > 1:
        raise ValueError(f"has more than one of {name}, {name}_file, {name}_variable")


def _secret(table: TargetTable, name: str) -> Secret | None:
    """As the table gives it, or says where it is. Raises ConfigError where it cannot be had."""
    file, variable = getattr(table, f"{name}_file"), getattr(table, f"{name}_variable")
    given: str | None = getattr(table, name)
    where = f"{name} of {table.name}"
    if variable is not None:
        given = os.environ.get(variable)
        if not given:
            raise ConfigError(f"{where}: the environment has no {variable}")
    elif file is not None:
        try:
            given = file.read_text(encoding="utf-8").strip()
        except (OSError, ValueError) as error:
            reason = error.strerror if isinstance(error, OSError) else None
            raise ConfigError(f"{where}: {file} cannot be read ({reason or 'it is no UTF-8 text'})") from None
        if not given:
            raise ConfigError(f"{where}: {file} is empty")
    return None if given is None else Secret(given)
