"""A case in, findings and one verdict out."""

__all__ = [
    "attacked",
    "case",
    "comparison",
    "diagnose",
    "diagnosis",
    "evidence",
    "finding",
    "findings",
    "kinds",
    "long_time",
    "pages",
    "signals",
]
