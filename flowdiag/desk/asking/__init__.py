"""From a question to its answer: processes of their own work it out, once for all who ask the same."""

__all__ = [
    "answers",
    "closer_question",
    "drill_question",
    "forms_question",
    "look_question",
    "morning_question",
    "note_question",
    "question",
    "rankings_question",
    "review_question",
    "span_question",
    "store_state",
    "upload_question",
    "workers",
]
