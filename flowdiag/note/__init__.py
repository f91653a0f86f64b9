"""Findings in, ticket note out: one file per format, and one place that neutralises untrusted text."""
