"""What a site is: its profile, its clock and hours, and the times that people ask about."""

__all__ = [
    "catalogue",
    "clock",
    "config",
    "folder",
    "hours",
    "mistakes",
    "profile",
    "reading",
    "settings_file",
    "site_key",
    "span_words",
    "time_words",
    "values",
    "window",
]
