"""One file for each finding and nothing else: the folder's listing is the list of findings."""

__all__ = [
    "cannot_tell",
    "not_the_link",
    "on_backup",
    "single_host",
]
