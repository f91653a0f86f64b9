"""What the pages of the desk say, one module for each kind of page."""

__all__ = ["ask", "board", "shell", "sign_in"]
