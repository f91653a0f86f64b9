"""A site profile proposed from an export, with the evidence of each guess."""

__all__ = ["as_toml", "keepalives", "proposal"]
