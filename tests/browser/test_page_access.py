"""The page for others: log in with a token, read alone, a token that was changed."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect

from loadlog.model.event import Severity
from loadlog.web import Access
from tests.browser.conftest import Open, picture
from tests.browser.live_page import card, history
from tests.serving import READ_TOKEN, TOKEN, serving
from tests.unit.web.stand_in import StandIn

pytestmark = [pytest.mark.browser, pytest.mark.server]
LOST = ("ERR_CONNECTION_REFUSED", "ERR_INCOMPLETE_CHUNKED_ENCODING", "ERR_CONNECTION_RESET", "Failed to load resource")


def test_a_page_from_outside_asks_for_the_token_and_then_works(bench: StandIn, tmp_path: Path, open_page: Open) -> None:
    history(bench, 5)
    with serving(tmp_path / "data", Access(False, TOKEN)) as base:
        page = open_page(base, may_fail=("401", "Failed to load resource"))
        dialog = page.get_by_role("dialog", name="Token needed")
        expect(dialog).to_be_visible()
        picture(page, "dialog-token")
        page.get_by_label("Token", exact=True).fill("wrong")
        dialog.get_by_role("button", name="Log in").click()
        expect(dialog).to_contain_text("the token is wrong")
        page.get_by_label("Token", exact=True).fill(TOKEN)
        page.keyboard.press("Enter")
        expect(dialog).to_be_hidden()
        expect(page.locator("#link")).to_contain_text("Live", timeout=10_000)
        expect(card(page, "load-1").locator(".chip")).not_to_contain_text("no data")
        assert page.evaluate("document.cookie") == ""


def test_who_may_only_read_gets_no_buttons_that_act_and_may_log_in_to_act(bench: StandIn, tmp_path: Path, open_page: Open) -> None:
    history(bench, 5)
    event = bench.event("load_trip", "load-1", Severity.ALARM, "tripped")
    bench.flush()
    with serving(tmp_path / "data", Access(False, TOKEN, READ_TOKEN)) as base:
        page = open_page(base, may_fail=("401", "Failed to load resource"))
        page.get_by_label("Token", exact=True).fill(READ_TOKEN)
        page.keyboard.press("Enter")
        expect(page.locator("#active li")).to_contain_text("tripped", timeout=10_000)
        expect(page.locator("#access")).to_contain_text("Read only.")
        acknowledge = page.locator("button.ack")
        expect(acknowledge).to_have_count(1)
        expect(acknowledge).to_be_hidden()
        picture(page, "read-only")
        page.get_by_role("button", name="Log in to act").click()
        page.get_by_label("Token", exact=True).fill(TOKEN)
        page.keyboard.press("Enter")
        expect(page.locator("#access")).to_contain_text("Logged in.")
        acknowledge.click()
        page.get_by_role("textbox", name="Your name").fill("Ida")
        page.get_by_role("button", name="Acknowledge", exact=True).click()
        expect(page.locator("#active li")).to_contain_text("Acknowledged by Ida")
        assert bench.events[event.id].acknowledged
        page.get_by_role("button", name="Log out").click()
        expect(page.get_by_role("dialog", name="Token needed")).to_be_visible()


def test_a_token_that_was_changed_ends_the_log_in(bench: StandIn, tmp_path: Path, open_page: Open) -> None:
    """The service comes back with another token on the same port: the page asks for it."""
    history(bench, 5)
    with serving(tmp_path / "data", Access(False, TOKEN)) as base:
        page = open_page(base, may_fail=("401", *LOST))
        page.get_by_label("Token", exact=True).fill(TOKEN)
        page.keyboard.press("Enter")
        expect(page.locator("#link")).to_contain_text("Live", timeout=10_000)
    with serving(tmp_path / "data", Access(False, READ_TOKEN), port=int(base.rpartition(":")[2])):
        dialog = page.get_by_role("dialog", name="Token needed")
        expect(dialog).to_be_visible()
        page.get_by_label("Token", exact=True).fill(READ_TOKEN)
        page.keyboard.press("Enter")
        expect(page.locator("#link")).to_contain_text("Live", timeout=10_000)
        page.close()
