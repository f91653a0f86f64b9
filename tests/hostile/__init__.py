"""Files made to hurt: exports and site profiles under 20 MB that aim at memory or time, and what each costs.

`python -m tests.hostile` makes each of them and measures every command that reads it.
"""
