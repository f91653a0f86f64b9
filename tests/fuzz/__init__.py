"""Coverage-guided fuzzing of the readers and the decoder: `python -m tests.fuzz --seconds N`."""
