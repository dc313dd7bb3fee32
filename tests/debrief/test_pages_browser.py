"""The pages in a real browser: Chromium as the system has it, driven by Playwright.

Nothing may go wrong on a page, nothing may leave it, a press plays the right sound, and it can be read on a telephone,
on paper, in the dark, and by those who use it without eyes or mouse (axe-core's rules, WCAG).
"""

import json
import shutil
import tempfile
import time
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="needs the packages of the extra 'pages'")
import pypdf  # noqa: E402
from simulated import Plan, run  # noqa: E402

from voicecoach.debrief import report  # noqa: E402
from voicecoach.debrief.contents import debrief  # noqa: E402
from voicecoach.debrief.moments import moments  # noqa: E402
from voicecoach.debrief.review.page import html, review  # noqa: E402
from voicecoach.debrief.review.store import Store  # noqa: E402
from voicecoach.record.read import Session, read  # noqa: E402

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium (on Debian the package chromium)"),
]
QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
TELEPHONE = {"width": 360, "height": 740}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as p:
        chromium = p.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        yield chromium
        chromium.close()


class Tab:
    """A page that is open, with all that went wrong on it and all that it asked for."""

    def __init__(self, browser: Any, path: Path, **options: Any) -> None:
        self.context = browser.new_context(**options)
        self.page = self.context.new_page()
        self.wrong: list[str] = []
        self.asked: list[str] = []
        self.page.on(
            "console", lambda told: self.wrong.append(told.text) if told.type in {"error", "warning"} else None
        )
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(path.as_uri())

    def _told(self, message: Any) -> None:
        if message.type in {"error", "warning"}:
            self.wrong.append(message.text)

    def wait(self, script: str, wait_s: float = 15.0) -> None:
        """Until this is true; asked from outside, since the page's policy lets no waiting code run inside."""
        end = time.monotonic() + wait_s
        while not self.page.evaluate(script):
            assert time.monotonic() < end, script
            self.page.wait_for_timeout(50)

    def playing(self) -> str | None:
        """The number of the sound that plays."""
        found = self.page.evaluate("document.getElementById('player').dataset.clip")
        return None if found is None else str(found)


@pytest.fixture(scope="module")
def sessions(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Session]:
    """A whole removal without an incident, and one with some; with a tone for each thing said."""
    root = tmp_path_factory.mktemp("browser")
    return {
        "calm": read(run(Plan(slips=0.0, seed=5, sound=True), root / "calm")),
        "eventful": read(run(Plan(slips=0.1, seed=4, pair=False, sound=True), root / "eventful")),
    }


@pytest.fixture(scope="module")
def pages(sessions: dict[str, Session], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Page by name: each debrief with its sound inside, and one with its sound beside."""
    root = tmp_path_factory.mktemp("pages")
    made = {}
    for name, session in sessions.items():
        made[name] = root / f"{name}.html"
        made[name].write_text(report.page(session, sound=report.SoundPlace.INSIDE).html, encoding="utf-8")
    beside = report.page(sessions["eventful"], sound=report.SoundPlace.BESIDE, name="beside")
    (root / beside.folder).mkdir()
    for file, data in beside.files.items():
        (root / beside.folder / file).write_bytes(data)
    made["beside"] = root / "beside.html"
    made["beside"].write_text(beside.html, encoding="utf-8")
    only = report.page(sessions["eventful"], incidents_only=True).html
    made["incidents"] = root / "incidents.html"
    made["incidents"].write_text(only, encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def review_page(programme_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    from datetime import date  # noqa: PLC0415

    path = tmp_path_factory.mktemp("review") / "review.html"
    with Store() as store:
        store.update([programme_folder])
        path.write_text(html(review(store, date(2026, 5, 1))), encoding="utf-8")
    return path


@pytest.mark.parametrize("name", ["calm", "eventful", "beside", "incidents"])
def test_a_debrief_opens_without_an_error_and_asks_for_nothing_elsewhere(
    browser: Any, pages: dict[str, Path], name: str
) -> None:
    tab = Tab(browser, pages[name])
    assert tab.wrong == []
    assert [url for url in tab.asked if not url.startswith(("file:", "data:"))] == []
    tab.context.close()


def test_a_press_on_a_word_plays_the_sound_of_that_moment(
    browser: Any, pages: dict[str, Path], sessions: dict[str, Session]
) -> None:
    spoken = moments(sessions["eventful"])
    for name in ("eventful", "beside"):
        tab = Tab(browser, pages[name])
        clips = json.loads(tab.page.locator("#clips").text_content())
        button = tab.page.locator("table.words button.play").nth(7)
        wanted = clips[int(button.get_attribute("data-clips").split(" ")[0])]
        button.click()
        tab.wait("document.getElementById('player').currentTime > 0.05")
        playing = tab.page.evaluate("document.getElementById('player').currentSrc")
        assert playing.endswith(wanted["src"])
        spoken_s = [moment.begin_s for moment in spoken]
        at = button.inner_text().strip()
        minutes, seconds = at.split(":")
        assert min(abs(60 * int(minutes) + float(seconds) - begin_s - 0.5) for begin_s in spoken_s) < 0.2
        assert button.get_attribute("aria-pressed") == "true"
        assert tab.wrong == []
        tab.context.close()


def test_a_step_in_the_drawing_plays_by_mouse_and_by_key(browser: Any, pages: dict[str, Path]) -> None:
    tab = Tab(browser, pages["eventful"])
    step = tab.page.locator("svg.timeline g[data-clips]").first
    step.scroll_into_view_if_needed()
    step.click()
    tab.wait("document.getElementById('player').dataset.clip !== undefined")
    first = step.get_attribute("data-clips").split(" ")[0]
    assert tab.playing() == first
    tab.page.keyboard.press("Escape")
    assert tab.page.evaluate("document.getElementById('player').paused")
    other = tab.page.locator("svg.timeline g[data-clips]").nth(3)
    other.focus()
    tab.page.keyboard.press("Enter")
    tab.wait(f"document.getElementById('player').dataset.clip !== '{first}'")
    assert tab.playing() == other.get_attribute("data-clips").split(" ")[0]
    assert tab.wrong == []
    tab.context.close()


def test_arrow_keys_go_from_one_moment_to_the_next(browser: Any, pages: dict[str, Path]) -> None:
    tab = Tab(browser, pages["eventful"])
    buttons = tab.page.locator("table.words button.play")
    buttons.nth(0).focus()
    tab.page.keyboard.press("ArrowDown")
    assert tab.page.evaluate("document.activeElement.getAttribute('aria-label')") == buttons.nth(1).get_attribute(
        "aria-label"
    )
    tab.page.keyboard.press(" ")
    tab.wait("document.getElementById('player').dataset.clip !== undefined")
    assert tab.playing() == buttons.nth(1).get_attribute("data-clips").split(" ")[0]
    tab.context.close()


def test_a_missing_sound_folder_is_reported_and_breaks_nothing(
    browser: Any, pages: dict[str, Path], tmp_path: Path
) -> None:
    alone = tmp_path / "beside.html"
    shutil.copy(pages["beside"], alone)
    tab = Tab(browser, alone)
    tab.page.locator("table.words button.play").first.click()
    tab.wait("document.getElementById('playing').textContent.includes('cannot be played')")
    tab.context.close()


@pytest.mark.parametrize("name", ["calm", "eventful"])
def test_on_a_telephone_the_page_is_as_wide_as_its_screen(browser: Any, pages: dict[str, Path], name: str) -> None:
    tab = Tab(browser, pages[name], viewport=TELEPHONE, device_scale_factor=2, is_mobile=True)
    assert tab.page.evaluate("document.documentElement.scrollWidth") <= TELEPHONE["width"]
    tab.context.close()


def test_the_review_fits_a_telephone_too(browser: Any, review_page: Path) -> None:
    tab = Tab(browser, review_page, viewport=TELEPHONE, is_mobile=True)
    assert tab.page.evaluate("document.documentElement.scrollWidth") <= TELEPHONE["width"]
    assert tab.wrong == []
    assert [url for url in tab.asked if not url.startswith("file:")] == []
    tab.context.close()


def test_a_session_without_an_incident_prints_on_two_sheets(
    browser: Any, pages: dict[str, Path], sessions: dict[str, Session], tmp_path: Path
) -> None:
    assert debrief(sessions["calm"]).incidents == ()
    tab = Tab(browser, pages["calm"])
    tab.page.pdf(path=tmp_path / "calm.pdf", prefer_css_page_size=True)
    sheets = [sheet.extract_text() for sheet in pypdf.PdfReader(tmp_path / "calm.pdf").pages]
    assert len(sheets) <= 2
    for title in ("Incidents", "To coach", "Times against plan", "Trainer, date"):
        assert title in sheets[0]
    tab.context.close()


def test_incidents_stand_on_the_first_sheet(
    browser: Any, pages: dict[str, Path], sessions: dict[str, Session], tmp_path: Path
) -> None:
    tab = Tab(browser, pages["eventful"])
    tab.page.pdf(path=tmp_path / "e.pdf", prefer_css_page_size=True)
    first = " ".join(pypdf.PdfReader(tmp_path / "e.pdf").pages[0].extract_text().split())
    for one in debrief(sessions["eventful"]).incidents:
        assert one.title in first
    tab.context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["calm", "eventful", "incidents", "review"])
def test_axe_core_finds_nothing_serious(
    browser: Any, pages: dict[str, Path], review_page: Path, name: str, scheme: str
) -> None:
    tab = Tab(browser, review_page if name == "review" else pages[name], color_scheme=scheme, bypass_csp=True)
    axe = (resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
    tab.page.evaluate(axe)
    found = tab.page.evaluate("axe.run(document)")["violations"]
    grave = [
        f"{one['id']}: {one['help']}: {one['nodes'][0]['html'][:200]}"
        for one in found
        if one["impact"] in {"serious", "critical"}
    ]
    assert grave == []
    tab.context.close()


@pytest.fixture
def elsewhere() -> Iterator[Path]:
    """A folder outside the tests' own, whose sessions are all replayed in the end."""
    with tempfile.TemporaryDirectory() as temp:
        yield Path(temp)


def test_words_that_try_to_run_only_show_themselves(browser: Any, elsewhere: Path, tmp_path: Path) -> None:
    plan = Plan(protocol="short-practice", slips=0.0, sound=True)
    folder = run(plan, elsewhere / "s")
    protocol = folder / "protocol.yaml"
    text = protocol.read_text(encoding="utf-8")
    evil = "<img src=http://example.invalid/x onerror=alert(1)> Wear the gown"
    protocol.write_text(text.replace("Wear the gown and fasten it.", evil), encoding="utf-8")
    manifest = folder / "manifest.json"
    data = json.loads(manifest.read_text(encoding="utf-8"))
    from voicecoach.record.manifest import digest  # noqa: PLC0415

    data["copies"]["protocol.yaml"] = digest(protocol.read_bytes())
    data["room"] = "</script><script>alert(2)</script>"
    data["people"] = {"wearer": "\u202eW07\x1b[31m"}
    manifest.write_text(json.dumps(data), encoding="utf-8")
    path = tmp_path / "evil.html"
    path.write_text(report.page(read(folder)).html, encoding="utf-8")
    tab = Tab(browser, path)
    dialogs: list[str] = []
    tab.page.on("dialog", lambda dialog: dialogs.append(dialog.message))
    tab.page.reload()
    assert dialogs == []
    assert tab.wrong == []
    assert tab.page.locator("img").count() == 0
    assert [url for url in tab.asked if not url.startswith(("file:", "data:"))] == []
    shown = tab.page.locator("main").inner_text()
    assert "<img src=http" in shown
    assert "[U+202E]W07\u241b[31m" in shown
    tab.context.close()
