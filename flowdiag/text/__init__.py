"""Where figures become words, and where text from the network becomes harmless."""

__all__ = [
    "action",
    "asked",
    "clock",
    "csv_table",
    "escape",
    "figures",
    "sentences",
    "table_figures",
    "wording",
]
