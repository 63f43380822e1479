"""Contract: the page as a reader meets it in a browser: phone, desk, paper, keyboard, dark."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import chromium
import page_briefs
import pypdf
import pytest

from wxgate.brief import Brief
from wxgate.report.page import page_html

pytestmark = pytest.mark.contract

TRYING = [page_briefs.holes, page_briefs.disputed, page_briefs.hostile, page_briefs.ten_days]
FOCUSED = """
const e = document.activeElement, s = getComputedStyle(e), r = e.getBoundingClientRect();
return [e.tagName, e.getAttribute('href') || '', s.outlineStyle,
        r.top < innerHeight && r.bottom > 0];
"""


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Callable[[], Brief]], Path]:
    folder = tmp_path_factory.mktemp("pages")

    def file(make: Callable[[], Brief]) -> Path:
        path = folder / f"{make.__name__}.html"
        if not path.exists():
            path.write_text(page_html(make()), encoding="utf-8")
        return path

    return file


@pytest.fixture(scope="module")
def demonstration(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("demonstration") / "brief.html"
    words = ["-m", "wxgate", "page", "--demo", "--out", str(file)]
    subprocess.run([sys.executable, *words], check=True, capture_output=True)
    return file


def check(driver: Any, file: Path, *, width: int, dark: bool) -> None:
    """No overflow, an empty console, nothing asked of a network, no fault that axe-core finds."""
    driver.get("about:blank")
    chromium.requests(driver)
    driver.get_log("browser")
    chromium.open_page(driver, file, width=width, dark=dark)
    assert driver.execute_script("return document.documentElement.scrollWidth") <= width
    assert chromium.requests(driver) == [file.as_uri()]
    assert chromium.axe_violations(driver) == []
    assert [e["message"] for e in driver.get_log("browser")] == []


@pytest.mark.parametrize(("width", "dark"), [(360, False), (360, True), (768, False), (1280, True)])
def test_the_demonstration_at_every_width_in_light_and_dark(
    browser: Any, demonstration: Path, width: int, dark: bool
) -> None:
    check(browser, demonstration, width=width, dark=dark)


@pytest.mark.parametrize("make", [page_briefs.holes, page_briefs.disputed, page_briefs.hostile],
                         ids=lambda f: f.__name__)  # fmt: skip
def test_trying_briefs_on_a_phone(browser: Any, files: Any, make: Callable[[], Brief]) -> None:
    check(browser, files(make), width=360, dark=make is page_briefs.holes)
    # Every hour opened is no worse.
    browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 360
    assert browser.execute_script("return document.querySelectorAll('script').length") == 0


@pytest.mark.parametrize("letter", [False, True], ids=["A4", "letter"])
def test_it_prints_on_one_sheet(
    browser: Any, files: Any, demonstration: Path, letter: bool
) -> None:
    for file in (demonstration, *(files(make) for make in TRYING)):
        # In the dark too, for paper is white.
        chromium.open_page(browser, file, width=1280, dark=letter)
        document = pypdf.PdfReader(io.BytesIO(chromium.printed(browser, letter=letter)))
        assert len(document.pages) == 1, file.name
        text = document.pages[0].extract_text()
        for word in ("Hour by hour", "Planetary K index", "the pilot decides"):
            assert word in " ".join(text.split()), file.name


def test_grades_are_told_by_word_and_by_shape(browser: Any, files: Any) -> None:
    chromium.open_page(browser, files(page_briefs.holes), width=360)
    cells = browser.execute_script("""
      return [...document.querySelectorAll('.strip li')].map(li => {
        const word = li.querySelector('.word'), shape = li.querySelector('.shape');
        const a = word.getBoundingClientRect(), b = li.getBoundingClientRect();
        return [word.innerText, shape.querySelector('use').getAttribute('href'),
                shape.getBoundingClientRect().width, a.left >= b.left - 1 && a.right <= b.right + 1,
                Math.round(b.left)];
      });
    """)
    found = [v.grade.word for v in page_briefs.holes().hours]
    assert [c[0] for c in cells] == found
    assert [c[1] for c in cells] == [f"#shape-{word}" for word in found]
    assert all(c[2] > 8 for c in cells), "the shapes are seen"
    assert all(c[3] for c in cells), "each word stays in its hour"
    assert len({c[4] for c in cells}) == 6, "six columns, aligned from day to day"


def test_with_the_keyboard_alone(browser: Any, files: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    def press(key: str) -> tuple[str, str, str, bool]:
        ActionChains(browser).send_keys(key).perform()
        tag, href, outline, visible = browser.execute_script(FOCUSED)
        return tag, href, outline, visible

    chromium.open_page(browser, files(page_briefs.disputed), width=360)
    assert press(Keys.TAB)[:2] == ("A", "#verdict"), "the first stop skips to the verdict"
    press(Keys.ENTER)
    hours = len(page_briefs.disputed().hours)
    for n in range(hours):
        tag, href, outline, visible = press(Keys.TAB)
        assert (tag, href) == ("A", f"#hour-{n}")
        assert outline != "none", "where one stands is seen"
        assert visible
    press(Keys.ENTER)
    last = f"document.getElementById('hour-{hours - 1}').closest('details')"
    assert browser.execute_script(f"return {last}.open"), "the link opens its hour"
    browser.execute_script("document.querySelector('summary').focus()")
    assert not browser.execute_script("return document.querySelector('details').open")
    assert press(Keys.SPACE)[0] == "SUMMARY"
    assert browser.execute_script("return document.querySelector('details').open")


def test_nothing_moves_for_those_who_ask_for_rest(browser: Any, files: Any) -> None:
    chromium.open_page(browser, files(page_briefs.disputed), width=360)
    assert browser.execute_script(
        "return getComputedStyle(document.documentElement).scrollBehavior"
    ) == "auto"  # fmt: skip
    assert browser.execute_script("return document.getAnimations().length") == 0


@pytest.mark.skipif(not os.environ.get("WXGATE_HTML_VALIDATE"), reason="html-validate is not named")
def test_a_second_validator_finds_no_fault(files: Any, demonstration: Path) -> None:
    named = [str(files(make)) for make in TRYING if make is not page_briefs.hostile]
    words = [os.environ["WXGATE_HTML_VALIDATE"], str(demonstration), *named]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
