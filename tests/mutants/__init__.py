"""Mutants: small errors put into the program on purpose, to see whether a test notices (`python -m tests.mutants`)."""
