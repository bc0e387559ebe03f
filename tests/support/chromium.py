"""A real Chromium for the browser tests: Debian's package, driven by Playwright, with a fresh profile."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, expect, sync_playwright

EXECUTABLE = Path("/usr/bin/chromium")
ARGUMENTS = (
    "--no-sandbox",  # the tests may run as root in a container, where the sandbox can't
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


PATIENCE_MS = 20_000
expect.set_options(timeout=PATIENCE_MS)  # a busy machine needs more than the five seconds it begins with


class ChromiumMissingError(Exception):
    """The browser tests need Debian's Chromium at /usr/bin/chromium: `make test` installs it, or
    `apt-get install chromium`."""


@contextmanager
def chromium(*more: str) -> Iterator[Browser]:
    """A browser with a fresh profile, gone afterwards; ``more`` arguments. Raises ``ChromiumMissingError``;
    never skips."""
    if not EXECUTABLE.exists():
        raise ChromiumMissingError(ChromiumMissingError.__doc__)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=EXECUTABLE, args=[*ARGUMENTS, *more])
        try:
            yield browser
        finally:
            browser.close()
