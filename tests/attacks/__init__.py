"""Attacks on a running collector, each with honest exporters beside it of which no record may be missing."""
