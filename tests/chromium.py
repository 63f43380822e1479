"""A headless Chromium for tests of the page: fresh profile, nothing of its own on the network."""

from __future__ import annotations

import base64
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

BROWSER, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
AXE = os.environ.get("WXGATE_AXE")  #: the path of another axe.min.js

_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
)


@contextmanager
def chromium(folder: Path) -> Iterator[Any]:
    """A driver with a fresh profile in ``folder``; skips where there is no Chromium."""
    if BROWSER is None or DRIVER is None:
        pytest.skip("Chromium and chromedriver are not installed")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for flag in (*_FLAGS, f"--user-data-dir={folder / 'profile'}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    driver.set_script_timeout(120)  # axe-core on a machine that others use too
    try:
        yield driver
    finally:
        driver.quit()


def open_page(driver: Any, file: Path, *, width: int = 360, dark: bool = False) -> None:
    """Open a file at a width in CSS pixels, in light or in dark."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 700},
    )
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    still = {"name": "prefers-reduced-motion", "value": "reduce"}
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme, still]})
    driver.get(file.as_uri())


def requests(driver: Any) -> list[str]:
    """The addresses that were asked for since the last call; what stands in the page is none."""
    told = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    return [
        m["params"]["request"]["url"]
        for m in told
        if m["method"] == "Network.requestWillBeSent"
        and not m["params"]["request"]["url"].startswith("data:")
    ]


def picture(driver: Any, *, height: int | None = None) -> bytes:
    """A picture of the whole page, or of its first ``height`` CSS pixels, as PNG."""
    size = driver.execute_cdp_cmd("Page.getLayoutMetrics", {})["cssContentSize"]
    clip = {"x": 0, "y": 0, "width": size["width"], "height": height or size["height"], "scale": 1}
    taken = driver.execute_cdp_cmd(
        "Page.captureScreenshot", {"format": "png", "captureBeyondViewport": True, "clip": clip}
    )
    return base64.b64decode(taken["data"])


def printed(driver: Any, *, letter: bool = False) -> bytes:
    """The page as PDF, as it leaves the printer on A4 (or US letter) paper."""
    paper = (8.5, 11.0) if letter else (8.27, 11.69)
    made = driver.execute_cdp_cmd(
        "Page.printToPDF",
        {"paperWidth": paper[0], "paperHeight": paper[1], "printBackground": True,
         "marginTop": 0.35, "marginBottom": 0.35, "marginLeft": 0.35, "marginRight": 0.35},
    )  # fmt: skip
    return base64.b64decode(made["data"])


def axe_violations(driver: Any) -> list[str]:
    """What axe-core finds wrong with the page, in words; it runs outside the page's policy."""
    if AXE:
        script = Path(AXE).read_text(encoding="utf-8")
    else:
        import axe_selenium_python

        folder = Path(axe_selenium_python.__file__).parent
        script = next(folder.rglob("axe.min.js")).read_text(encoding="utf-8")
    driver.execute_script(script)
    found = driver.execute_async_script(
        "const done = arguments[0]; axe.run(document).then(done, e => done({error: String(e)}))"
    )
    assert "error" not in found, found
    assert found["passes"], "axe-core checked nothing"
    return [
        f"{v['id']}: {node['html'][:120]} {node.get('failureSummary', '')}"
        for v in found["violations"]
        for node in v["nodes"][:3]
    ]
