"""Where a figure becomes words, and where text from the network becomes harmless."""

__all__ = ["csv_table", "escape", "figures", "table_figures"]
