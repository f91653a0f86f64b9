"""Labelled situations: what flowdiag has to find, and what it must not. Run `python -m tests.scenarios`."""
