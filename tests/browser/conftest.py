"""Debian's chromium, driven by selenium, and the pages that it looks at.

    towertap demo --out demo && pytest tests/browser --demo demo

It takes chromium, chromedriver and axe-core (from npm, found in the folder that NODE_PATH names). Where one of them, or
the demo, is missing these tests fail.
"""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

ALONE = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--hide-scrollbars",
)
"""Nothing but the page, and nothing of its own over the network."""


def pytest_addoption(parser):
    parser.addoption("--demo", type=Path, help="Folder that 'towertap demo' wrote.")


@pytest.fixture(scope="session")
def demo(request):
    folder = request.config.getoption("--demo")
    if not (folder and (folder / "report" / "report.html").is_file()):
        pytest.fail("name the folder that 'towertap demo' wrote with --demo")
    return folder.resolve()


@pytest.fixture(scope="session")
def wear_page(make, tmp_path_factory):
    """One part over five days, every one a tenth rougher."""
    from towertap.wear import follow
    from towertap.wear.model import History, Session
    from towertap.wear.report import write_wear

    drives, sessions = make.driven(1, n=(20, 20)), []
    for number in range(5):
        began = datetime(2026, 5, 4, 9, tzinfo=UTC) + timedelta(days=60 * number)
        passes = [
            replace(make.scaled(drive, 1.1**number) if drive.road == "lane" else drive, started=began, side="before")
            for drive in drives.passes
            if drive.side == "before" and (drive.conditions.pass_number - 1) // 4 == number
        ]
        sessions.append(Session(f"{began:%Y-%m-%d}", began, tuple(passes)))
    history = History("rubber", "minibus", "bypass", drives.metrics, tuple(sessions), (), (), 0)
    return write_wear(follow(history), tmp_path_factory.mktemp("wear"))


@pytest.fixture(scope="session")
def pages(demo, wear_page):
    """What is looked at, by name."""
    return {"report": demo / "report" / "report.html", "run sheet": demo / "run_sheet.html", "wear": wear_page}


@pytest.fixture(scope="session")
def axe():
    """The source of axe-core."""
    path = Path(os.environ.get("NODE_PATH", "node_modules")) / "axe-core" / "axe.min.js"
    assert path.is_file(), f"{path} is missing: npm install axe-core, and name its folder with NODE_PATH"
    return path.read_text("utf-8")


class Browser:
    """A chromium that shows one page at a time, at a width, in a colour scheme and for a medium."""

    def __init__(self, driver):
        self.driver = driver

    def show(self, page, width=1280, *, scheme="light", medium="screen", folds="closed"):
        """Load a page; `folds` opens all of them by hand, which print does by itself."""
        size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": medium, "features": features})
        self.driver.get(page.as_uri())
        if folds == "open":
            self.run("document.querySelectorAll('details').forEach(fold => fold.open = true)")
        return self

    def run(self, script, *values):
        """What a script returns."""
        return self.driver.execute_script(script, *values)

    def printed(self, width_in, height_in):
        """The page as a PDF on paper of a size."""
        import base64

        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
        paper = {"paperWidth": width_in, "paperHeight": height_in, "printBackground": True}
        return base64.b64decode(self.driver.execute_cdp_cmd("Page.printToPDF", paper)["data"])


@pytest.fixture(scope="session")
def browser(tmp_path_factory):
    paths = {name: shutil.which(name) for name in ("chromium", "chromedriver")}
    assert all(paths.values()), f"not installed: {[name for name, path in paths.items() if not path]}"
    options = Options()
    options.binary_location = paths["chromium"]
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    for argument in (*ALONE, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(argument)
    driver = webdriver.Chrome(options=options, service=Service(paths["chromedriver"]))
    yield Browser(driver)
    driver.quit()
