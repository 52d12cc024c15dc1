"""The pages in a real browser: nothing fetched, no error, readable on a telephone, in the dark, on paper, by ear and by keyboard.

Needs chromium and its driver (on Debian: apt-get install chromium chromium-driver). Where they are missing, all of this is
skipped and says so. The rules of accessibility are those of axe-core (Deque Systems), run inside the page.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from importlib import resources
from itertools import pairwise
from pathlib import Path

import pytest

from simulator.engine import simulate
from simulator.report.compare_page import compare_page
from simulator.report.life_page import life_page
from simulator.report.odds_page import odds_page
from simulator.report.page import render_page
from simulator.report.remedies_page import remedies_page
from simulator.report.size_page import size_page
from simulator.scenario import parse_scenario
from simulator.scenario.variants import variants_of
from simulator.studies.compare import compare
from simulator.studies.life import live
from simulator.studies.odds import odds
from simulator.studies.remedies import remedies
from simulator.studies.sizing import size

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
PHONE, SMALL_PHONE, LAPTOP = (360, 780), (320, 640), (1280, 900)
RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice")
LEAST_TARGET_PX = 24
"""Smallest side of what is touched (W3C, WCAG 2.2, success criterion 2.5.8; links inside a sentence are excepted)."""
MOST_TABS = 200

SCENARIO = """
title = "Two camps <script>window.hurt = 1</script> & 'more' <img src=x onerror='window.hurt = 1'>"
[bank]
chemistry = "lfp"
unit_ah = 100
place = "outside"
[alternator]
charger_a = 20
[shore]
charger_a = 20
[[array]]
name = "roof </pre><script>window.hurt = 1</script>"
panel = { p_w = 100 }
in_parallel = 2
tilt_deg = 0
azimuth_deg = 180
controller = { kind = "mppt" }
[inverter]
rated_w = 300
[[appliance]]
name = "fridge </title><script>window.hurt = 1</script>"
bus = "dc"
power_w = 50
duty_frac = 0.9
[[appliance]]
name = "breathing machine"
bus = "ac"
power_w = 40
hours_per_day = 8
medical = true
[weather]
sample = "sandpoint"
[[stop]]
name = "A camp with a rather long name, by the old harbour on the far side of the bay"
latitude_deg = 55.3
longitude_deg = -160.5
zone = "America/Anchorage"
arrive = 2026-01-05
depart = 2026-01-19
[[stop]]
name = "Donaudampfschifffahrtselektrizitaetenhauptbetriebswerkbauunterbeamtengesellschaftshof"
latitude_deg = 55.6
longitude_deg = -159.9
zone = "America/Anchorage"
arrive = 2026-01-19
depart = 2026-01-30
hookup = "every 5th night"
[[stop]]
name = "Last one <b>"
latitude_deg = 55.62
longitude_deg = -159.88
zone = "America/Anchorage"
arrive = 2026-01-30
depart = 2026-02-04
"""
PAGES = ("run", "calm", "odds", "life", "compare", "size", "remedies")
PICTURES = {"calm": 3, "compare": 4, "size": 1, "remedies": 0}
"""Fewest pictures on a page, where not two."""
CHOICE = (
    SCENARIO.replace("unit_ah = 100", "unit_ah = 100\nunit_price = 300\nunit_kg = 12")
    .replace("panel = { p_w = 100 }", "panel = { p_w = 100, price = 90, kg = 7, area_m2 = 0.6 }")
    .replace("power_w = 50", "power_w = 15")
    .replace('place = "outside"', 'place = "inside"')
    + """
[costs]
hookup_price_per_night = 30
[size]
in_parallel = [1, 8]
panels = [1, 4, 16, 24]
chemistry = ["lfp", "agm"]
flat_days = 20
max_price = 4500
[size.unit.agm]
unit_v = 12
unit_price = 200
unit_kg = 30
[[variant]]
name = "four units </td><script>window.hurt = 1</script>"
set = { "bank.in_parallel" = 4 }
[[variant]]
name = "Donaudampfschifffahrtselektrizitaetenhauptbetriebswerkbauunterbeamtengesellschaftshof"
set = { "bank.place" = "outside" }
[[variant]]
name = "AGM"
set = { "bank.chemistry" = "agm", "bank.unit_v" = 12, "bank.unit_kg" = 30 }
"""
)
"""The same trip with prices, variants and a grid, and with less to carry."""
CALM = """
title = "Five quiet days"
[bank]
chemistry = "agm"
unit_ah = 200
in_parallel = 2
[[array]]
name = "roof"
panel = { p_w = 200 }
tilt_deg = 0
azimuth_deg = 180
controller = { kind = "pwm" }
[generator]
rated_w = 1000
[[appliance]]
name = "lights"
power_w = 10
hours_per_day = 4
[weather]
clear = true
[[stop]]
name = "Lake"
latitude_deg = 45.0
longitude_deg = 9.0
arrive = 2026-06-01
depart = 2026-06-06
"""


def _found(names: tuple[str, ...]) -> str | None:
    return next((path for path in map(shutil.which, names) if path), None)


BROWSER, DRIVER = _found(BROWSERS), _found(("chromedriver",))
pytestmark = pytest.mark.skipif(
    BROWSER is None or DRIVER is None,
    reason="no chromium or no chromedriver here; on Debian: apt-get install chromium chromium-driver",
)


@pytest.fixture(scope="session")
def browser(tmp_path_factory):
    """One browser for all tests, with a profile of its own; the driver is named, so that nothing is looked for or fetched."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    service = Service(DRIVER)
    driver = webdriver.Chrome(options=options, service=service)
    driver.set_page_load_timeout(30)
    try:
        yield driver
    finally:
        driver.quit()
        service.stop()


@pytest.fixture(scope="session")
def pages(tmp_path_factory):
    """Every kind of page, as files, from one scenario full of names that could hurt a page."""
    folder = tmp_path_factory.mktemp("pages")
    scenario, calm = parse_scenario(SCENARIO), parse_scenario(CALM)
    outcome = simulate(scenario)
    assert outcome.flat_days and outcome.timeline.hookup.any() and outcome.timeline.driving_frac.any()
    assert any(act.times for act in outcome.protections if act.name == "cold_charge")
    texts = {
        "run": render_page(outcome, SCENARIO),
        "calm": render_page(simulate(calm), CALM),
        "odds": odds_page(odds(scenario, 12), odds(scenario, 30, seed=5), SCENARIO),
        "life": life_page(live(scenario), SCENARIO),
    }
    choice = parse_scenario(CHOICE)
    sized = size(choice, whole=True)
    assert len(sized.front) > 1
    cures = remedies(choice, years=6)
    assert cures.singles and cures.pairs
    texts |= {
        "compare": compare_page(compare(variants_of(CHOICE), 12), [("one <i>.toml", CHOICE), ("two.toml", "# two")]),
        "size": size_page(sized, CHOICE),
        "remedies": remedies_page(cures, CHOICE),
    }
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {name: folder / f"{name}.html" for name in texts}


@dataclass
class _Look:
    """One page as it stands in the browser."""

    driver: object
    path: Path

    def run(self, script: str, *given: object) -> object:
        return self.driver.execute_script(script, *given)

    def axe(self) -> list[str]:
        """Rules that are broken, each with where."""
        source = (resources.files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8")
        self.run(source)
        result = self.driver.execute_async_script(
            "const [rules, done] = arguments;"
            "axe.run(document, {runOnly: {type: 'tag', values: rules}, resultTypes: ['violations']})"
            ".then(done, error => done({error: String(error)}))",
            list(RULES),
        )
        assert "error" not in result, result
        assert len(result["passes"]) >= 15
        return [
            f"{broken['id']}: {broken['help']}: {node['html'][:120]} ({node.get('failureSummary', '')[:200]})"
            for broken in result["violations"]
            for node in broken["nodes"][:3]
        ]


@pytest.fixture
def look(browser, pages):
    """``look("run", size, scheme="light", media="screen", unfold=False)``: open a page as that screen shows it."""

    def opened(name, size=LAPTOP, *, scheme="light", media="screen", unfold=False):
        browser.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size[0] < 600},
        )
        browser.execute_cdp_cmd(
            "Emulation.setEmulatedMedia", {"media": media, "features": [{"name": "prefers-color-scheme", "value": scheme}]}
        )
        browser.get(pages[name].as_uri())
        found = _Look(browser, pages[name])
        if unfold:
            found.run("document.querySelectorAll('details').forEach(each => { each.open = true })")
        return found

    yield opened
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.mark.parametrize("name", PAGES)
def test_no_error_and_no_request_to_anywhere(browser, look, name):
    for log in ("performance", "browser"):
        browser.get_log(log)
    page = look(name, PHONE, unfold=True)
    page.run("window.scrollTo(0, document.body.scrollHeight)")
    asked = [
        message["params"]["request"]["url"]
        for message in (json.loads(entry["message"])["message"] for entry in browser.get_log("performance"))
        if message["method"] == "Network.requestWillBeSent"
    ]
    assert page.path.as_uri() in asked, "the log of requests is not recorded, so it proves nothing"
    assert {url for url in asked if not url.startswith("data:,")} == {page.path.as_uri()}
    assert [entry["message"] for entry in browser.get_log("browser")] == []
    assert page.run("return performance.getEntriesByType('resource').map(each => each.name)") == []


@pytest.mark.parametrize("name", PAGES)
def test_what_a_person_wrote_stays_text(look, name):
    page = look(name)
    assert page.run("return window.hurt === undefined && document.scripts.length === 0")
    assert page.run("return document.images.length") == 0
    title = parse_scenario(CALM if name == "calm" else SCENARIO).title
    assert page.run("return document.querySelector('h1').textContent") == title
    assert page.run("return document.title").startswith(title)


@pytest.mark.parametrize("size", [SMALL_PHONE, PHONE, (768, 1024), LAPTOP], ids=lambda size: str(size[0]))
@pytest.mark.parametrize("name", PAGES)
def test_no_page_is_wider_than_its_screen(look, name, size):
    page = look(name, size, unfold=True)
    wide = page.run(
        "return [...document.body.querySelectorAll('*')].filter(each => each.getBoundingClientRect().right > arguments[0] + 1 && "
        "!each.closest('.scroll, .heard, .skip')).map(each => each.outerHTML.slice(0, 90))",
        size[0],
    )
    assert wide == []
    assert page.run("return window.innerWidth") == size[0]
    assert page.run("const all = document.documentElement; return all.scrollWidth <= all.clientWidth")


@pytest.mark.parametrize("size", [SMALL_PHONE, PHONE], ids=lambda size: str(size[0]))
def test_the_names_of_stops_are_readable_in_full_on_a_telephone(look, size):
    """A name that has no room in the strip below a picture stands whole in the list below it."""
    page = look("run", size)
    cut = page.run(
        "return [...document.querySelectorAll('.legs')].flatMap(strip => [...strip.querySelectorAll('li')].map(leg => {"
        "const name = leg.querySelector('span'), box = name.getBoundingClientRect();"
        "const shown = box.width > 1, whole = shown && box.right <= leg.getBoundingClientRect().right + 0.5;"
        "const below = strip.nextElementSibling, listed = below.className.startsWith('names') && below.checkVisibility()"
        " && below.textContent.includes(name.textContent) && below.scrollWidth <= below.clientWidth;"
        "return shown ? whole : listed })).filter(fine => !fine).length"
    )
    assert cut == 0


@pytest.mark.parametrize("name", PAGES)
def test_every_picture_has_words(look, name):
    page = look(name)
    found = page.run(
        "return [...document.querySelectorAll('svg')].map(each => [each.getAttribute('role'), "
        "each.getAttribute('aria-labelledby').split(' ').map(id => document.getElementById(id).textContent.trim()).join(' ')])"
    )
    found += page.run(
        "return [...document.querySelectorAll('[role=img]:not(svg)')].map(each => ['img', each.getAttribute('aria-label') || ''])"
    )
    assert len(found) >= PICTURES.get(name, 2)
    assert all(role == "img" and len(words) > 10 for role, words in found)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", PAGES)
def test_rules_of_accessibility_hold(look, name, scheme):
    page = look(name, PHONE, scheme=scheme, unfold=True)
    paper = page.run("return getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)")
    assert (sum(paper) > 600) == (scheme == "light")
    assert page.axe() == []


def test_the_rules_would_find_a_fault(look):
    """A check that cannot fail proves nothing: a picture without words and a pale line must be found."""
    page = look("calm")
    page.run(
        "document.querySelector('svg').removeAttribute('aria-labelledby'); document.querySelector('svg').innerHTML = '';"
        "document.querySelector('.when').style.color = '#ccc'"
    )
    broken = {rule.split(":")[0] for rule in page.axe()}
    assert {"svg-img-alt", "color-contrast"} <= broken


@pytest.mark.parametrize("name", PAGES)
def test_headings_go_down_step_by_step_and_the_language_is_set(look, name):
    page = look(name, unfold=True)
    levels = page.run("return [...document.querySelectorAll('h1,h2,h3,h4')].map(each => Number(each.tagName[1]))")
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert page.run("return document.documentElement.lang") == "en"
    bare = page.run("return [...document.querySelectorAll('th')].filter(each => !each.hasAttribute('scope')).length")
    assert bare == 0
    assert page.run("return [...document.querySelectorAll('table')].every(each => each.caption !== null)")


@pytest.mark.parametrize("name", ["run", "odds", "life", "compare", "size", "remedies"])
def test_the_keyboard_reaches_everything_and_opens_the_details(browser, look, name):
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    page = look(name)
    expected = page.run(
        "return [...document.querySelectorAll('a[href], summary, [tabindex=\"0\"]')].filter(e => e.checkVisibility()).length"
    )
    first = None
    reached, outlined = set(), 0
    for _ in range(MOST_TABS):
        ActionChains(browser).send_keys(Keys.TAB).perform()
        place = page.run(
            "const each = document.activeElement; if (each === document.body) return null;"
            "return [...document.querySelectorAll('*')].indexOf(each)"
        )
        if place is None or place in reached:
            break
        reached.add(place)
        outlined += page.run("return parseFloat(getComputedStyle(document.activeElement).outlineWidth) >= 2")
        if first is None:
            first = page.run("return document.activeElement.className")
            assert page.run("return document.activeElement.getBoundingClientRect().left") >= 0, "the skip link is not shown"
    assert first == "skip"
    assert len(reached) == expected == outlined
    summary = page.run("const each = document.querySelector('summary'); each.focus(); return each.parentElement.open")
    assert summary is False
    ActionChains(browser).send_keys(Keys.ENTER).perform()
    assert page.run("return document.querySelector('details').open") is True


def test_the_skip_link_leads_to_the_answer(browser, look):
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    page = look("run", PHONE)
    ActionChains(browser).send_keys(Keys.TAB, Keys.ENTER).perform()
    assert page.run("return document.activeElement.id") == "answer"


@pytest.mark.parametrize("name", PAGES)
def test_what_is_touched_is_large_enough(look, name):
    page = look(name, PHONE)
    small = page.run(
        "return [...document.querySelectorAll('nav a, summary')].map(each => [each.textContent.trim(), "
        "each.getBoundingClientRect().width, each.getBoundingClientRect().height])"
        ".filter(([, width, height]) => Math.min(width, height) < arguments[0])",
        LEAST_TARGET_PX,
    )
    assert small == []


@pytest.mark.parametrize("name", ["run", "compare", "size", "remedies"])
@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_the_answer_stands_on_the_first_screen(look, name, size):
    page = look(name, size)
    box = page.run("const box = document.querySelector('#answer p').getBoundingClientRect(); return [box.top, box.bottom]")
    assert 0 <= box[0] < box[1] <= size[1]


@pytest.mark.parametrize("name", PAGES)
def test_paper_shows_everything_in_dark_ink_even_to_those_who_read_in_the_dark(browser, look, name):
    page = look(name, LAPTOP, scheme="dark", media="print")
    assert page.run("return getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.run("return getComputedStyle(document.querySelector('nav')).display") == "none"
    assert page.run("return document.querySelector('details').open") is False
    folded = page.run(
        "return [...document.querySelectorAll('details > :not(summary)')].filter(each => !each.checkVisibility("
        "{contentVisibilityAuto: true}) || each.getBoundingClientRect().height < 5).length"
    )
    assert folded == 0
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"printBackground": True, "paperWidth": 8.27, "paperHeight": 11.69})
    assert len(printed["data"]) > 20_000


@pytest.mark.parametrize("size", [SMALL_PHONE, PHONE], ids=lambda size: str(size[0]))
def test_no_figure_of_a_remedy_is_cut_on_a_telephone(look, size):
    """Each change stands over its figures, and each figure bears the head of its column."""
    page = look("remedies", size, unfold=True)
    cells = page.run(
        "return [...document.querySelectorAll('.stack')].map(box => [box.scrollWidth - box.clientWidth,"
        " [...box.querySelectorAll('td')].filter(each => each.textContent && each.getBoundingClientRect().right >"
        " document.documentElement.clientWidth).length, [...box.querySelectorAll('td')].filter(each => each.textContent &&"
        " getComputedStyle(each, '::before').content.length < 4).length, box.querySelectorAll('td').length])"
    )
    assert len(cells) >= 2
    for beyond, cut, bare, count in cells:
        assert beyond <= 1 and cut == 0 and bare == 0 and count > 0


@pytest.mark.parametrize("name", ["compare", "size"])
def test_the_names_stay_while_a_table_is_moved_sideways(look, name):
    """On a telephone a wide table moves inside its own box, and its first column stays."""
    page = look(name, PHONE, unfold=True)
    moved = page.run(
        "return [...document.querySelectorAll('.scroll[tabindex]')].filter(box => box.scrollWidth > box.clientWidth + 20)"
        ".map(box => {"
        "const name = box.querySelector('tbody th[scope=row]'), cell = name.nextElementSibling;"
        "const before = [name.getBoundingClientRect().left, cell.getBoundingClientRect().left]; box.scrollLeft = 9999;"
        "const after = [name.getBoundingClientRect().left, cell.getBoundingClientRect().left];"
        "return [Math.abs(after[0] - before[0]), before[1] - after[1], getComputedStyle(name).backgroundColor,"
        " document.documentElement.scrollLeft] })"
    )
    assert moved
    for stayed, went, background, whole in moved:
        assert stayed < 1 and went > 15 and whole == 0
        # Else the cells would be read through it.
        assert not background.startswith("rgba(0, 0, 0, 0")
