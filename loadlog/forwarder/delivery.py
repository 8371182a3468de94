"""Gets a body of lines through, or says why not: halves what is refused down to the single line, which is set aside with its reason.

A server that refuses everything is not the lines' fault: before the first line of a body that nothing was accepted of is set aside, a line
that is known to be good must get through. Otherwise the target as a whole refuses, and everything waits.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from loadlog.forwarder.answers import Answer, Verdict
from loadlog.forwarder.sender import Send

_DROPPED = re.compile(r"beyond retention policy.*dropped=(\d+)")
_ACCEPTED = Answer(Verdict.ACCEPTED)


@dataclass(slots=True)
class Delivery:
    """``answer``: accepted when every line was dealt with, else what stands in the way. ``aside``: (line, reason).
    ``is_other_connection``: see `Answer`."""

    answer: Answer = _ACCEPTED
    accepted: int = 0
    aside: list[tuple[str, str]] = field(default_factory=list)
    requests: int = 0
    is_other_connection: bool = False


def deliver(body: bytes, send: Send, proof: Callable[[], str], known_lines: int | None = None) -> Delivery:
    """Send ``body`` (lines, without the last line break) whole, then in halves as far as needed. ``proof``: makes a line that the server
    must take. ``known_lines``: how many the body has, where somebody has counted them."""
    result = Delivery()
    waiting = [body]
    while waiting:
        part = waiting.pop()
        lines = known_lines if part is body and known_lines is not None else part.count(b"\n") + 1
        answer = send(part)
        result.requests += 1
        result.is_other_connection |= answer.is_other_connection
        if answer.verdict is Verdict.ACCEPTED:
            result.accepted += lines
        elif answer.verdict not in (Verdict.LINES_REFUSED, Verdict.TOO_LARGE):
            result.answer = answer
            return result
        elif lines > 1 and not _all_expired(answer, lines):
            waiting += reversed(_halves(part.split(b"\n")))
        else:
            if not result.accepted and not result.aside and (objection := _objection(answer, send, proof)):
                result.answer = objection
                return result
            result.aside += [(line, answer.reason) for line in part.decode().split("\n")]
    return result


def _halves(lines: list[bytes]) -> tuple[bytes, bytes]:
    middle = len(lines) // 2
    return b"\n".join(lines[:middle]), b"\n".join(lines[middle:])


def _all_expired(answer: Answer, lines: int) -> bool:
    """The whole part is older than what the server keeps: no need to ask for each line."""
    found = _DROPPED.search(answer.reason)
    return found is not None and int(found[1]) == lines


def _objection(refusal: Answer, send: Send, proof: Callable[[], str]) -> Answer | None:
    """None when a line that must be taken is taken; else what stands in the way."""
    answer = send(proof().encode())
    if answer.verdict is Verdict.ACCEPTED:
        return None
    if answer.verdict in (Verdict.LINES_REFUSED, Verdict.TOO_LARGE):
        reason = f"every line is refused, a sound one too: {answer.reason}: check url, and what stands between"
        return replace(refusal, verdict=Verdict.TARGET_REFUSES, reason=reason)
    return answer
