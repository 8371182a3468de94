"""What a run's recordings tell afterwards. Reads recordings only; nothing here can write one."""

from loadlog.review.summary import Summary, summarise
from loadlog.review.text import summary_text

__all__ = ["Summary", "summarise", "summary_text"]
