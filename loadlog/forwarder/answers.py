"""What a server's answer means for the lines that were sent. Only 204 acknowledges.

Sources: InfluxDB v2 API, "POST /api/v2/write" (204 written, 400 malformed or partly rejected, 401, 404, 413, 422, 429, 5xx with
Retry-After); InfluxDB 1.x HTTP API reference, "/write" (204, 400 with a partial write, 401, 404 database not found, 413, 500); RFC 9110
10.2.3 (Retry-After in seconds or as a date). A 200 or a page of HTML comes from something that is no time-series database.
"""

from __future__ import annotations

import email.utils
import json
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

LONGEST_RETRY_AFTER_S = 900.0
LONGEST_REASON = 300


class Verdict(Enum):
    """What to do next."""

    ACCEPTED = "accepted"
    LINES_REFUSED = "lines refused"  # some line of these: halve and send again, down to the single line
    TOO_LARGE = "too large"  # halve and send again
    TARGET_REFUSES = "refused"  # nothing gets through until somebody acts: wrong token, no such bucket, no such server
    UNAVAILABLE = "unavailable"  # busy, down or silent: the same lines again, later
    UNREACHABLE = "unreachable"  # no connection, or it was cut: the server may have been started again; the same lines, later


@dataclass(frozen=True, slots=True)
class Answer:
    """``reason``: one line for people, empty when accepted. ``retry_after_s``: what the server asked for, None when it did not.
    ``is_other_connection``: the one before was cut without a word while nothing was under way, as when a server is started again."""

    verdict: Verdict
    reason: str = ""
    retry_after_s: float | None = None
    is_other_connection: bool = False


def judge(status: int, headers: Mapping[str, str], body: bytes, where: str, credentials: str, store: str, now_utc_s: float) -> Answer:
    """The meaning of an HTTP answer. ``where``: the target's address; ``credentials``: the setting that names them; ``store``: bucket or
    database, for messages."""
    if status == 204:
        return Answer(Verdict.ACCEPTED)
    kind = headers.get("content-type", headers.get("Content-Type", "")).split(";")[0].strip().lower()
    said = message_of(body)
    is_page = "html" in kind or body.lstrip()[:1] == b"<"
    if status in (408, 425, 429) or status >= 500:
        after = retry_after_s(headers, now_utc_s)
        return Answer(Verdict.UNAVAILABLE, f"{where} answers {status}{_tail('' if is_page else said)}", after)
    if 300 <= status < 400:  # to a page for people as a rule, where somebody is to log in
        return Answer(Verdict.TARGET_REFUSES, f"{where} sends elsewhere (status {status}): give the final address as url")
    if status < 300 or (is_page and status not in (401, 403)):
        hint = "answers like no time-series database: check url"
        return Answer(Verdict.TARGET_REFUSES, f"{where} {hint} (status {status}{', ' + kind if kind else ''})")
    if status in (401, 403):
        what = "does not accept the credentials" if status == 401 else "does not permit writing"
        return Answer(Verdict.TARGET_REFUSES, f"{where} {what}: check {credentials}{_tail('' if is_page else said)}")
    if status == 404:
        return Answer(
            Verdict.TARGET_REFUSES, f"{where} has no {store}, or no such write path{_tail(said)}: create it, or check url and kind"
        )
    if status == 413:
        return Answer(Verdict.TOO_LARGE, f"too large{_tail(said)}")
    if status in (400, 422):
        return Answer(Verdict.LINES_REFUSED, said or f"status {status}")
    return Answer(Verdict.TARGET_REFUSES, f"{where} answers {status}{_tail(said)}: check url")


def _tail(said: str) -> str:
    return f" ({said})" if said else ""


def message_of(body: bytes) -> str:
    """What the server says, in one line: ``error`` or ``message`` of its JSON, else the beginning of the text."""
    text = body[:65536].decode("utf-8", "replace")
    try:
        data = json.loads(text)
    except ValueError:
        data = None
    if isinstance(data, dict):
        said = data.get("error") or data.get("message")
        details = data.get("data")
        if isinstance(details, list) and details and isinstance(details[0], dict):  # InfluxDB 3.x lists the lines that it refused
            said = f"{said}: {details[0].get('error_message', '')}"
        text = str(said) if said else text
    words = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return words if len(words) <= LONGEST_REASON else words[: LONGEST_REASON - 1] + "…"


def retry_after_s(headers: Mapping[str, str], now_utc_s: float) -> float | None:
    """Seconds that the server wants to be left alone, at most `LONGEST_RETRY_AFTER_S`; None where it does not say, or not sensibly."""
    text = next((value for name, value in headers.items() if name.lower() == "retry-after"), "").strip()
    if text.isascii() and text.isdigit():
        wait_s = float(text[:9])
    else:
        try:
            wait_s = email.utils.parsedate_to_datetime(text).timestamp() - now_utc_s
        except (ValueError, TypeError):
            return None
    return min(max(wait_s, 0.0), LONGEST_RETRY_AFTER_S)
