"""What the pages of the desk say, one module for each kind of page."""

__all__ = ["accounts", "api", "ask", "shell", "sign_in", "upload"]
