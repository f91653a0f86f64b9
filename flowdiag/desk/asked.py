"""One request as the pages see it: who asks, about which site, with what in the form."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse

from flowdiag.desk.access.audit import PAGE
from flowdiag.desk.access.form_tokens import shown
from flowdiag.desk.access.sessions import Session
from flowdiag.desk.asking.span_question import SpanFields
from flowdiag.desk.people import Person
from flowdiag.desk.refusal import Refused as Refused
from flowdiag.site.catalogue import KnownSite

if TYPE_CHECKING:
    from flowdiag.desk.desk import Desk
    from flowdiag.desk.uploads import Upload


class Asked:
    """person: None on pages that are for anyone; site: of the page's address, which the person may see; client_sites: all
    sites of the client of the page's address, which the person may see; upload: of the page's address, or
    that came with the form, of this session; fields: of the form that was sent, whose token was right; event: what the
    audit log calls it; tried: the name that somebody tried to sign in with."""

    def __init__(self, desk: Desk, request: Request) -> None:
        self.desk = desk
        self.request = request
        self.session: Session | None = None
        self.person: Person | None = None
        self.site: KnownSite | None = None
        self.client_sites: list[KnownSite] = []
        self.upload: Upload | None = None
        self.fields = FormData()
        self.event = PAGE
        self.tried: str | None = None

    @property
    def address(self) -> str:
        """Of whoever asks."""
        return "" if self.request.client is None else self.request.client.host

    @property
    def form_token(self) -> str:
        """What forms send back, so that no other site's form is taken for one of the desk's."""
        return "" if self.session is None else shown(self.session.form_token)

    @property
    def who(self) -> Person:
        """On pages for those who are known."""
        assert self.person is not None
        return self.person

    @property
    def the_site(self) -> KnownSite:
        """On pages of a site."""
        assert self.site is not None
        return self.site

    @property
    def the_upload(self) -> Upload:
        """On pages of an upload."""
        assert self.upload is not None
        return self.upload

    @property
    def waiter(self) -> str:
        """Tells apart who waits for an answer."""
        return self.who.name if self.session is None else self.session.key

    def span(self, begin: str, end: str, site: KnownSite | None = None) -> SpanFields:
        """What a question about a time of a site is made of. begin, end: ISO 8601; site: that of the page for None."""
        about = site or self.the_site
        return {
            "store": self.desk.settings.store,
            "file": about.file,
            "digest": about.digest,
            "window_from": begin,
            "window_to": end,
        }

    def sites(self) -> list[KnownSite]:
        """All sites that the person may see."""
        return [site for site in self.desk.catalogue.all() if self.who.sees(site)]

    def query(self, name: str) -> str | None:
        """A value of the address, without space around it; None where it is empty."""
        return self.request.query_params.get(name, "").strip() or None

    def field(self, name: str) -> str | None:
        """A value of the form, as query()."""
        value: Any = self.fields.get(name)
        return (value.strip() or None) if isinstance(value, str) else None

    def to(self, address: str) -> RedirectResponse:
        """Sends the browser to another page of the desk."""
        return RedirectResponse(address, 303)
