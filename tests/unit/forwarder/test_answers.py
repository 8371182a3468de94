"""What servers answer, and what it means. Bodies are those of InfluxDB 1.6.7 (seen) and of the InfluxDB 2.x and 3.x API descriptions."""

from __future__ import annotations

import email.utils

import pytest

from loadlog.forwarder.answers import LONGEST_RETRY_AFTER_S, Verdict, judge, message_of, retry_after_s

JSON, PAGE = {"Content-Type": "application/json"}, {"Content-Type": "text/html; charset=utf-8"}
LIKE_NONE = "http://h answers like no time-series database: check url (status 200, text/html)"
CASES = [
    (204, {}, b"", Verdict.ACCEPTED, ""),
    (200, PAGE, b"<html>Welcome</html>", Verdict.TARGET_REFUSES, LIKE_NONE),
    (200, JSON, b"{}", Verdict.TARGET_REFUSES, "answers like no time-series database"),
    (202, {}, b"", Verdict.TARGET_REFUSES, "answers like no time-series database"),
    (301, {"Location": "https://h/"}, b"", Verdict.TARGET_REFUSES, "sends elsewhere (status 301): give the final address as url"),
    (302, PAGE, b"<html>Log in</html>", Verdict.TARGET_REFUSES, "sends elsewhere (status 302): give the final address as url"),
    (400, PAGE, b"<html>Bad Request</html>", Verdict.TARGET_REFUSES, "answers like no time-series database"),
    (400, JSON, b'{"error":"partial write: field type conflict: input field \\"v\\" on measurement \\"m\\" is type float, already '
     b'exists as type integer dropped=1"}', Verdict.LINES_REFUSED, 'partial write: field type conflict: input field "v" on'),
    (400, JSON, b'{"code":"invalid","message":"unable to parse \'x\': missing fields"}', Verdict.LINES_REFUSED, "unable to parse 'x'"),
    (400, JSON, b'{"error":"partial write of line protocol occurred","data":[{"original_line":"x",'
     b'"line_number":1,"error_message":"no field"}]}',
     Verdict.LINES_REFUSED, "partial write of line protocol occurred: no field"),
    (401, JSON, b'{"code":"unauthorized","message":"unauthorized access"}', Verdict.TARGET_REFUSES,
     "http://h does not accept the credentials: check forward[lab].token_env (unauthorized access)"),
    (403, JSON, b'{"code":"forbidden","message":"insufficient permissions for write"}', Verdict.TARGET_REFUSES, "does not permit writing"),
    (404, JSON, b'{"error":"database not found: \\"bench\\""}', Verdict.TARGET_REFUSES,
     "http://h has no bucket 'bench', or no such write path (database not found: \"bench\"): create it, or check url and kind"),
    (405, {}, b"", Verdict.TARGET_REFUSES, "http://h answers 405: check url"),
    (413, JSON, b'{"error":"Request Entity Too Large"}', Verdict.TOO_LARGE, "too large"),
    (422, JSON, b'{"code":"unprocessable entity","message":"points beyond retention policy dropped=3"}', Verdict.LINES_REFUSED, "=3"),
    (429, {"Retry-After": "7"}, b"", Verdict.UNAVAILABLE, "http://h answers 429"),
    (500, JSON, b'{"error":"timeout"}', Verdict.UNAVAILABLE, "http://h answers 500 (timeout)"),
    (502, PAGE, b"<html>Bad gateway</html>", Verdict.UNAVAILABLE, "http://h answers 502"),
    (503, {}, b"busy", Verdict.UNAVAILABLE, "http://h answers 503 (busy)"),
]  # fmt: skip


@pytest.mark.parametrize(("status", "headers", "body", "verdict", "reason"), CASES)
def test_an_answer_and_its_meaning(status: int, headers: dict[str, str], body: bytes, verdict: Verdict, reason: str) -> None:
    answer = judge(status, headers, body, "http://h", "forward[lab].token_env", "bucket 'bench'", 0.0)
    assert answer.verdict is verdict
    assert reason in answer.reason
    assert "\n" not in answer.reason
    assert answer.retry_after_s == (7.0 if status == 429 else None)


@pytest.mark.parametrize(
    ("text", "wait_s"),
    [("0", 0.0), ("120", 120.0), ("99999999999999999", LONGEST_RETRY_AFTER_S), ("-3", None), ("soon", None), ("", None), ("1.5", None)],
)
def test_retry_after_in_seconds(text: str, wait_s: float | None) -> None:
    assert retry_after_s({"retry-after": text}, 0.0) == wait_s


def test_retry_after_as_a_date() -> None:
    """RFC 9110, 10.2.3: either form."""
    assert retry_after_s({"Retry-After": email.utils.formatdate(1000.0, usegmt=True)}, 970.0) == 30.0
    assert retry_after_s({"Retry-After": email.utils.formatdate(1000.0, usegmt=True)}, 2000.0) == 0.0


def test_a_message_is_one_short_line_whatever_comes() -> None:
    for body in (b"", b"\xff\xfe\x00", b"a\r\nb", b"[1, 2]", b'{"error": null}', b'"text"', b"x" * 100_000):
        text = message_of(body)
        assert len(text) <= 300
        assert text.isprintable()
