"""What the watch says: one file for each thing that is read."""

__all__ = ["morning"]
