"""Bounds on what an export can make the decoder keep: everything from the network is hostile (RFC 7011 11).

Each bound is far above what real exporters need and low enough that all of them together stay below about
half a gigabyte. What a bound turns away is counted and named in the report.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

# Records that wait for one columnar step: enough to make Python's share per batch small, few enough to stay in
# the processor's cache (twice as many decode a quarter slower); about 20 MB as rows.
BATCH_ROWS: Final = 1 << 17

# Observation domains of all sessions together. A managed fleet has hundreds; forged senders have no end.
MAX_DOMAINS: Final = 4096

# Templates of one domain. Ids are 16 bits; a switch that makes one per combination of headers sends 100.
MAX_TEMPLATES: Final = 4096

# Octets of all template definitions together, 4 to 8 a field: half a million fields, some 150 MB as objects.
MAX_TEMPLATE_OCTETS: Final = 2 << 20

# Data sets that wait for their template, and their octets: a minute of a busy exporter.
MAX_HELD_SETS: Final = 16_384
MAX_HELD_OCTETS: Final = 16 << 20

# Octets of data sets that wait for one columnar step, where records are large.
MAX_PENDING_OCTETS: Final = 64 << 20

# Messages remembered to recognise a copy. Copies of a mirror port stand next to each other.
RECENT_MESSAGES: Final = 256

# Options records read in one data set. Names come some dozens a message; 64 KiB of 1-octet records do not.
MAX_OPTIONS_RECORDS: Final = 4096

# Interfaces and applications kept. Large routers have some thousand of each.
MAX_NAMES: Final = 65_536

# Samplers, selectors and interfaces with a rate of their own, per domain.
MAX_SAMPLERS: Final = 1024

# Characters of a name. RFC 7011 strings can have 65,535; no interface or application is called that.
MAX_NAME_LENGTH: Final = 255

# Lists within lists (RFC 6313 5.2 sets no depth); its deepest example has three.
MAX_LIST_DEPTH: Final = 8

# Values of one options record, those within lists included.
MAX_RECORD_VALUES: Final = 4096

# Gaps in one sequence that late messages may still fill, and losses reported; more are added up.
MAX_OPEN_GAPS: Final = 1024
MAX_LOSSES: Final = 10_000

# Kinds of problem reported, counted by file and wording.
MAX_PROBLEMS: Final = 1000

# Minutes per exporter in which it was heard: two years.
MAX_HEARD_MINUTES: Final = 1 << 20

# Flows whose running totals are remembered (elements 85 and 86), per domain.
MAX_RUNNING_TOTALS: Final = 1 << 17

# Differences between capture clock and export clock kept for the median.
MAX_CLOCK_SAMPLES: Final = 4096

# Element types an exporter may teach (RFC 5610).
MAX_TAUGHT_ELEMENTS: Final = 4096


@dataclass(frozen=True)
class Limits:
    """The bounds that a caller may tighten; each is explained at its constant."""

    domains: int = MAX_DOMAINS
    templates: int = MAX_TEMPLATES
    template_octets: int = MAX_TEMPLATE_OCTETS
    held_sets: int = MAX_HELD_SETS
    held_octets: int = MAX_HELD_OCTETS
    pending_octets: int = MAX_PENDING_OCTETS
    recent_messages: int = RECENT_MESSAGES
    options_records: int = MAX_OPTIONS_RECORDS
    names: int = MAX_NAMES
    samplers: int = MAX_SAMPLERS
    name_length: int = MAX_NAME_LENGTH
    list_depth: int = MAX_LIST_DEPTH
    record_values: int = MAX_RECORD_VALUES
    open_gaps: int = MAX_OPEN_GAPS
    losses: int = MAX_LOSSES
    problems: int = MAX_PROBLEMS
    heard_minutes: int = MAX_HEARD_MINUTES
    running_totals: int = MAX_RUNNING_TOTALS
    clock_samples: int = MAX_CLOCK_SAMPLES
    taught_elements: int = MAX_TAUGHT_ELEMENTS
