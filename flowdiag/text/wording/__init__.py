"""Headings, names and phrases of everything that is printed for people, one file for each thing that is printed."""

__all__ = ["brief", "comparison", "figures", "note", "pictures", "review"]
