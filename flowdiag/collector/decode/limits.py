"""Bounds on what an export can make the decoder keep: everything from the network is hostile (RFC 7011 11).

Each bound is far above what real exporters need and low enough that all of them together stay below about
half a gigabyte. What a bound turns away is counted and named in the report.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct

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

# Octets of memory that messages and data sets may take while they wait for one columnar step, which takes some
# five times as many again; records of 200 octets fill it as fast as BATCH_ROWS.
MAX_PENDING_OCTETS: Final = 16 << 20

# What a waiting message, data set, and template with data sets take beside their octets; measured, rounded up.
MESSAGE_COST: Final = 256
SET_COST: Final = 128
GROUP_COST: Final = 4096
# What a domain that is new takes until it can be forgotten again.
DOMAIN_COST: Final = 4096
# What each variable-length value takes once it is found: where it starts, its length, where the next run starts.
VALUE_COST: Final = 24

# Template ids that a problem names.
MAX_IDS_NAMED: Final = 8

# Messages remembered to recognise a copy. Copies of a mirror port stand next to each other.
RECENT_MESSAGES: Final = 256

# Options records read in one data set. Names come some dozens a message; 64 KiB of 1-octet records do not.
MAX_OPTIONS_RECORDS: Final = 4096

# Interfaces and applications kept, and application names within one batch. Large routers have some thousand of each.
MAX_NAMES: Final = 32_768

# Samplers, selectors and interfaces with a rate of their own, per domain and of all domains.
MAX_SAMPLERS: Final = 1024
MAX_ALL_SAMPLERS: Final = 65_536

# Octets of a name. RFC 7011 strings can have 65,535; no interface or application is called that.
MAX_NAME_LENGTH: Final = 255

# Lists within lists (RFC 6313 5.2 sets no depth); its deepest example has three.
MAX_LIST_DEPTH: Final = 8

# Values of one options record, those within lists included.
MAX_RECORD_VALUES: Final = 4096

# Gaps in one sequence that late messages may still fill, gaps kept of all sequences, and losses reported; more are
# added up.
MAX_OPEN_GAPS: Final = 1024
MAX_GAPS: Final = 1 << 17
MAX_LOSSES: Final = 10_000

# Kinds of problem reported, counted by file and wording.
MAX_PROBLEMS: Final = 1000

# Minutes in which exporters were heard, of all exporters: four years of one, five days of 300.
MAX_HEARD_MINUTES: Final = 1 << 21

# Flows whose running totals are remembered (elements 85 and 86), of all domains.
MAX_RUNNING_TOTALS: Final = 1 << 16

# Differences between capture clock and export clock kept for the median of one domain.
MAX_CLOCK_SAMPLES: Final = 256

# Names of elements that exporters may teach (RFC 5610).
MAX_TAUGHT_ELEMENTS: Final = 4096


class Limits(Struct, frozen=True):
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
    all_samplers: int = MAX_ALL_SAMPLERS
    name_length: int = MAX_NAME_LENGTH
    list_depth: int = MAX_LIST_DEPTH
    record_values: int = MAX_RECORD_VALUES
    open_gaps: int = MAX_OPEN_GAPS
    gaps: int = MAX_GAPS
    losses: int = MAX_LOSSES
    problems: int = MAX_PROBLEMS
    heard_minutes: int = MAX_HEARD_MINUTES
    running_totals: int = MAX_RUNNING_TOTALS
    clock_samples: int = MAX_CLOCK_SAMPLES
    taught_elements: int = MAX_TAUGHT_ELEMENTS
