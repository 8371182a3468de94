"""What a run's recordings tell afterwards. Reads recordings only; nothing here can write one."""

from loadlog.review.postmortem import first_answer
from loadlog.review.summary import Summary, summarise
from loadlog.review.text import summary_text, verdict_text

__all__ = ["Summary", "first_answer", "summarise", "summary_text", "verdict_text"]
