"""The templates of all domains, bounded in number and octets; the ones defined longest ago go first.

A withdrawn template keeps its place in the report, and so within the bounds, until it is forgotten.
"""

from __future__ import annotations

from typing import Final

from flowdiag.collector.decode.domain import Domain
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.problems import Problems
from flowdiag.collector.decode.templates import Template
from flowdiag.collector.report import TemplateReport

# Octets of objects for each octet of a definition (limits.py, MAX_TEMPLATE_OCTETS).
MEMORY_FACTOR: Final = 75
EVICTED = "templates beyond the number that is kept were forgotten"
REDEFINED_IN_CONNECTION = (
    "templates were redefined without being withdrawn, which RFC 7011 8.1 forbids over TCP and SCTP"
)


class TemplateStore:
    """Defines and forgets templates, in domains and in the report."""

    def __init__(self, limits: Limits, problems: Problems) -> None:
        self._limits = limits
        self._problems = problems
        self._octets = 0
        self._known: dict[tuple[int, int], tuple[Domain, int]] = {}

    @property
    def memory(self) -> int:
        """Octets that the definitions take as objects, roughly."""
        return self._octets * MEMORY_FACTOR

    def define(self, domain: Domain, template: Template, file: str = "", offset: int | None = None) -> None:
        """A new template, or another definition of a known one, which it replaces."""
        known = domain.templates.get(template.id)
        before = domain.report.templates.get(template.id)
        told = template_report(template)
        if known is not None and domain.session.transport in ("tcp", "sctp"):
            self._problems.add(file, offset, REDEFINED_IN_CONNECTION)
        if before is not None:
            told.records, told.redefined = before.records, before.redefined + 1
            self._drop(domain, template.id)
        elif len(domain.report.templates) >= self._limits.templates:
            self._forget_oldest(file, offset, next(iter(domain.report.templates)), domain)
        domain.templates[template.id] = template
        domain.report.templates.pop(template.id, None)
        domain.report.templates[template.id] = told
        self._known[domain.index, template.id] = domain, template.octets
        self._octets += template.octets
        while self._octets > self._limits.template_octets and len(self._known) > 1:
            index, number = next(iter(self._known))
            self._forget_oldest(file, offset, number, self._known[index, number][0])

    def forget(self, domain: Domain, number: int) -> None:
        """A withdrawn template."""
        domain.templates.pop(number, None)

    def count(self, domain: Domain, template: Template, records: int) -> None:
        told = domain.report.templates.get(template.id)
        if told is not None:
            told.records += records

    def _forget_oldest(self, file: str, offset: int | None, number: int, domain: Domain) -> None:
        self._drop(domain, number)
        domain.report.templates.pop(number, None)
        self._problems.add(file, offset, EVICTED)

    def _drop(self, domain: Domain, number: int) -> None:
        domain.templates.pop(number, None)
        self._octets -= self._known.pop((domain.index, number))[1]


def template_report(template: Template) -> TemplateReport:
    return TemplateReport(template.id, tuple(field.spec() for field in template.fields), template.scopes)
