"""One file for each command: it parses, calls and prints."""

__all__ = []
