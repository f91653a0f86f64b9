"""The standards: export messages in, columns of the flow table out. Does no input or output of its own."""

__all__ = [
    "cursor",
    "decoder",
    "holding",
    "ie",
    "limits",
    "malformed",
    "messages",
    "roster",
    "template_store",
    "templates",
    "work",
]
