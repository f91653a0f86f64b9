"""Who asks, and what every request has to pass: sign-in, sessions, checks of hosts and origins, rates, the audit log."""

__all__ = [
    "audit",
    "bodies",
    "connections",
    "form_tokens",
    "guard",
    "known",
    "one_time",
    "openid",
    "passwords",
    "rates",
    "sessions",
    "tokens",
    "tries",
]
