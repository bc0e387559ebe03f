"""The bar of a page that shows a recording, with the whole program behind it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import expect

from tests.browser.test_looks import OpenPage, refuse_what_looks_wrong
from tests.support.ports import free_port
from tests.support.processes import StartProgram
from tests.support.taped import tape


@pytest.fixture
def replayed(start_program: StartProgram, tmp_path: Path) -> Iterator[str]:
    web = free_port()
    program = start_program(
        "replay", str(tape(tmp_path)), "--page", environment={"EARLYBELL_WEB__PORT": str(web)}
    )
    program.wait_ready(f"http://127.0.0.1:{web}")
    yield f"http://127.0.0.1:{web}"
    program.remove()


def test_the_bar_says_which_moment_it_is_pauses_hurries_on_and_says_that_it_is_over(
    replayed: str, new_page: OpenPage
) -> None:
    page = new_page(replayed, width=360)
    page.goto(replayed)
    bar = page.get_by_role("region", name="Replay")
    expect(bar.locator("time")).to_contain_text("06:0")
    bar.get_by_role("button", name="Pause").click()
    expect(bar.get_by_text("paused")).to_be_visible()
    bar.get_by_label("On to").fill("06:40:00")
    bar.get_by_role("button", name="Go", exact=True).click()
    expect(bar.locator("time")).to_contain_text("06:40:00")
    assert httpx.get(f"{replayed}/api/v1/replay", trust_env=False).json()["paused"]
    refuse_what_looks_wrong(page)
    bar.get_by_label("Speed").select_option("max")
    bar.get_by_role("button", name="Go on").click()
    expect(bar.get_by_text("This is how it ended")).to_be_visible()
    expect(bar.get_by_role("button", name="Pause")).to_be_disabled()
