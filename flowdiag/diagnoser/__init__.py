"""A case in, findings and one verdict out."""

__all__ = [
    "attacked",
    "case",
    "comparison",
    "diagnose",
    "diagnosis",
    "evidence",
    "evidence_schema",
    "finding",
    "findings",
    "kinds",
    "long_time",
    "signals",
]
