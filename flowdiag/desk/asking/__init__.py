"""From a question to its answer: processes of their own work it out, once for all who ask the same."""

__all__ = [
    "answers",
    "figures_question",
    "note_question",
    "question",
    "review_question",
    "upload_question",
    "workers",
]
