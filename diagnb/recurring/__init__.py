"""The room of recurring failures: a question and two tables in, a study and its own PDF out, which proves its numbers."""

from diagnb.recurring.document import FIELD, findings, render_study
from diagnb.recurring.study import Question, Source, Study, answer, recompute

__all__ = ["FIELD", "Question", "Source", "Study", "answer", "findings", "recompute", "render_study"]
