"""Answers that are no notes as text, JSON and CSV: one module for each command whose answer it is."""

__all__ = ["inspect", "top", "usage"]
