"""Which text a request may carry, as patterns for the description of the interface; `strict.judge_text` asks the same.

Controls other than tab and line feed are none: terminals and databases make something else of them.
"""

from __future__ import annotations

_CHARACTER = r"[^\x00-\x08\x0b-\x1f\x7f-\x9f]"
TEXT = rf"^{_CHARACTER}*$"
SOME_TEXT = rf"^{_CHARACTER}*[^\s\x00-\x1f\x7f-\x9f]{_CHARACTER}*$"  # and not blank
SHOWN = 40  # characters of a foreign name in a message
