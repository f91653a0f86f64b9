"""The templates of all domains, bounded in number and octets.

Facts the design follows:
- those that never decoded a record go first, the ones defined longest ago before the others, and then those that were
  not used for the longest time (eviction.py): whoever sends definitions without end pushes out nothing but these;
- a withdrawn template keeps its place in the report, and so within the bounds, until it is forgotten, next of all.
"""

from __future__ import annotations

from typing import Final

from flowdiag.collector.decode.domain import Domain
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.problems import Problems
from flowdiag.collector.decode.templates import Template
from flowdiag.collector.eviction import EvictionOrder
from flowdiag.collector.report import TemplateReport

# Octets of objects for each octet of a definition (limits.py, MAX_TEMPLATE_OCTETS).
MEMORY_FACTOR: Final = 75
# A domain's index and a template's number.
Key = tuple[int, int]

EVICTED: Final = "templates beyond the number that is kept were forgotten"
REDEFINED_IN_CONNECTION: Final = (
    "templates were redefined without being withdrawn, which RFC 7011 8.1 forbids over TCP and SCTP"
)


class TemplateStore:
    """Defines and forgets templates, in domains and in the report."""

    def __init__(self, limits: Limits, problems: Problems) -> None:
        self._limits = limits
        self._problems = problems
        self.defined = 0  # definitions taken so far, of known templates too
        self._octets = 0
        self._known: dict[Key, tuple[Domain, int]] = {}
        self._eviction: EvictionOrder[Key] = EvictionOrder(self._uses)

    @property
    def memory(self) -> int:
        """Octets that the definitions take as objects, roughly."""
        return self._octets * MEMORY_FACTOR

    def define(self, domain: Domain, template: Template, file: str = "", offset: int | None = None) -> None:
        """A new template, or another definition of a known one, which it replaces."""
        self.defined += 1
        known = domain.templates.get(template.id)
        before = domain.report.templates.get(template.id)
        report = template_report(template)
        if known is not None and domain.session.transport in ("tcp", "sctp"):
            self._problems.add(file, offset, REDEFINED_IN_CONNECTION)
        if before is not None:
            report.records, report.redefined = before.records, before.redefined + 1
            self._drop(domain, template.id)
        elif len(domain.report.templates) >= self._limits.templates:
            self._evict(file, offset, domain, domain.eviction.next_to_go())
        while self._known and self._octets + template.octets > self._limits.template_octets:
            index, number = self._eviction.next_to_go()
            self._evict(file, offset, self._known[index, number][0], number)
        domain.templates[template.id] = template
        domain.report.templates[template.id] = report
        domain.eviction.add(template.id)
        self._eviction.add((domain.index, template.id))
        self._known[domain.index, template.id] = domain, template.octets
        self._octets += template.octets

    def forget(self, domain: Domain, number: int) -> None:
        """A withdrawn template: it is the next to go."""
        domain.templates.pop(number, None)
        domain.eviction.finish(number)
        self._eviction.finish((domain.index, number))

    def use(self, domain: Domain, template: Template) -> None:
        """A template has records, that of a data set which came before it was replaced as well."""
        if domain.templates.get(template.id) is template and template.id in domain.eviction:
            domain.eviction.prove(template.id)
            self._eviction.prove((domain.index, template.id))

    def count(self, domain: Domain, template: Template, records: int) -> None:
        """Records of options."""
        report = domain.report.templates.get(template.id)
        if report is not None:
            report.records += records
            if records:
                self.use(domain, template)

    def forget_domain(self, domain: Domain) -> None:
        """All templates of a domain that is given up."""
        for number in list(domain.report.templates):
            if (domain.index, number) in self._known:
                self._drop(domain, number)

    def _uses(self, key: Key) -> int:
        return self._known[key][0].sets_waiting(key[1])

    def _evict(self, file: str, offset: int | None, domain: Domain, number: int) -> None:
        self._drop(domain, number)
        self._problems.add(file, offset, EVICTED)

    def _drop(self, domain: Domain, number: int) -> None:
        domain.templates.pop(number, None)
        domain.report.templates.pop(number, None)
        domain.eviction.drop(number)
        key = domain.index, number
        self._eviction.drop(key)
        self._octets -= self._known.pop(key)[1]


def template_report(template: Template) -> TemplateReport:
    return TemplateReport(template.id, tuple(field.spec() for field in template.fields), template.scopes)
