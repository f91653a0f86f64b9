"""What the pages of the desk say, one module for each kind of page."""

__all__ = [
    "accounts",
    "api",
    "ask",
    "board",
    "closer",
    "shell",
    "sign_in",
    "upload",
    "watch",
]
