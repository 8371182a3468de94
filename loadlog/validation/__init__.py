"""From `Reading` or `PollFailure` to `Sample`: quality, reasons and standard uncertainty per channel. Pure, O(1) a poll.

A bad value is kept and marked, never dropped and never repaired.
"""

from loadlog.validation.reasons import REASONS, Reason
from loadlog.validation.validator import Validator

__all__ = ["REASONS", "Reason", "Validator"]
