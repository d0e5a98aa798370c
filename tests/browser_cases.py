"""A real browser for the pages that geosite writes: one home for what its tests share."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

BROWSER = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)
DRIVER = shutil.which("chromedriver")

MARKS = [
    pytest.mark.slow,
    pytest.mark.skipif(not (BROWSER and DRIVER), reason="no chromium and chromedriver here"),
    # the driver's own client leaves its sockets to the collector
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]
"""Of a module that uses it."""

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage", "--hide-scrollbars",
)  # fmt: skip


def opened_browser(profile: Path) -> Iterator[Any]:
    """Yield a browser of its own, with nothing remembered and its console kept."""
    webdriver = pytest.importorskip("selenium.webdriver")
    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    driver.set_script_timeout(30)
    yield driver
    driver.quit()


def sized(driver: Any, width: int, height: int, density: float = 1) -> None:
    """Give the window a size; below 500 pixels it is a phone's."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {
            "width": width,
            "height": height,
            "deviceScaleFactor": density,
            "mobile": width < 500,
        },
    )
