"""Headless Chromium for tests that look at pages as people do."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from playwright.sync_api import sync_playwright

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)


@contextmanager
def browser() -> Iterator[Any]:
    """Open a browser that is installed on this machine."""
    with sync_playwright() as tool:
        opened = tool.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            yield opened
        finally:
            opened.close()
