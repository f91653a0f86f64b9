"""Who asks, and what every request has to pass: sign-in, sessions, checks of hosts and origins, rates, the audit log."""

__all__ = ["guard", "one_time", "sessions"]
