"""The page in a real browser: Debian's Chromium without a window, driven by Selenium, started here."""

import json
import socket
import subprocess
import threading
import time
from contextlib import contextmanager

import pytest
import uvicorn
from browser_world import (
    LINE,
    MISSING,
    PATIENCE_S,
    PHONE_HEIGHT,
    WHY_MISSING,
    chromium,
    look,
    looked_through,
    runs_off,
)
from page_world import alignment_log, desk_of, pier_folder, rows_of
from record_world import outside
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support import expected_conditions
from selenium.webdriver.support.ui import Select, WebDriverWait

from drift.render.figures import canvas
from drift.web.app import make_app

pytestmark = pytest.mark.skipif(MISSING, reason=WHY_MISSING)
PAGES = ("/", "/history", "/seasons/2023-24", "/nights", "/nights/2024-02-29", "/events/1", "/pictures/tilt")
PAGES += ("/record", "/record/new/azimuth", "/record/new/shim", "/record/new/level", "/record/new/alignment")
PAGES += ("/import", "/help", "/help/level", "/help/strip", "/tonight", "/tonight/type")
#: What is left out of axe's search: of pictures it looks into the first of a page, for it takes long.
LEFT_OUT = [["#picture-seasons ~ figure svg"], [".cards svg"], [".phone svg"]]
#: Returns the choices of lists that are wider than the list, less its arrow and its edges.
CUT_CHOICES = """
const pen = document.createElement("canvas").getContext("2d");
return [...document.querySelectorAll("select")].flatMap(list => {
  pen.font = getComputedStyle(list).font;
  return [...list.options].map(one => one.text).filter(t => pen.measureText(t).width > list.clientWidth - 40);
});
"""


@contextmanager
def served(site_path):
    """Serve a pier's page on a free port of this machine, and yield its address."""
    listening = socket.create_server(("127.0.0.1", 0))
    config = uvicorn.Config(make_app(desk_of(site_path)), log_level="error", access_log=False, ws="none")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join()
        listening.close()


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """A page that tests only read from."""
    with served(pier_folder(tmp_path_factory.mktemp("shown"))) as address:
        yield address


@pytest.fixture
def own(tmp_path):
    """A page of one test, and its site file."""
    site_path = pier_folder(tmp_path)
    with served(site_path) as address:
        yield address, site_path


def wait_for(browser, what):
    """Wait for something, also while one page gives way to the next."""
    going = (StaleElementReferenceException, NoSuchElementException)
    return WebDriverWait(browser, PATIENCE_S, 0.1, going).until(what)


def push(browser, button):
    """Push a button that sends a form, and wait until its page has gone."""
    button = browser.find_element(By.XPATH, f"//button[contains(., '{button}')]")
    button.click()
    wait_for(browser, expected_conditions.staleness_of(button))


def text(browser):
    return browser.find_element(By.TAG_NAME, "main").text


def press(browser, *keys):
    ActionChains(browser).send_keys(*keys).perform()


def focused(browser):
    return browser.switch_to.active_element


def test_a_log_is_imported_by_choosing_it(browser, own, tmp_path):
    address, site_path = own
    before = len(rows_of(site_path, "alignments"))
    log = alignment_log(tmp_path / "more nights.csv", seed=9)
    browser.get(f"{address}/import")
    browser.find_element(By.ID, "files").send_keys(str(log))
    push(browser, "Import")
    wait_for(browser, lambda driver: "24 rows went in" in text(driver))
    assert "more nights.csv" in text(browser)
    assert len(rows_of(site_path, "alignments")) == before + 24


def test_a_log_is_imported_by_dropping_it_and_its_columns_are_asked_about(browser, own, tmp_path):
    address, site_path = own
    lines = alignment_log(tmp_path / "x.csv", seed=9).read_text().splitlines()
    lines[0] = "when,azimuth error,altitude error,sd"
    browser.get(f"{address}/import")
    browser.execute_script(
        """
        const data = new DataTransfer();
        data.items.add(new File([arguments[0]], "mine.csv", {type: "text/csv"}));
        for (const kind of ["dragover", "drop"])
          document.getElementById("drop").dispatchEvent(
            new DragEvent(kind, {bubbles: true, cancelable: true, dataTransfer: data}));
        """,
        "\n".join(line.replace("Z,", ",") for line in lines),
    )
    wait_for(browser, lambda driver: "/import/" in driver.current_url)
    wait_for(browser, lambda driver: "mine.csv" in text(driver))
    for _ in range(6):
        if browser.find_elements(By.XPATH, "//button[text()='Read it so']"):
            break
        for group in browser.find_elements(By.TAG_NAME, "fieldset"):
            group.find_element(By.CSS_SELECTOR, "input[type=radio]").click()
        push(browser, "Answer")
    assert "Its first rows are then read so" in text(browser)
    browser.find_element(By.XPATH, "//summary[contains(., 'Change a part')]").click()
    found = looked_through(browser)
    bad = [one for one in found["violations"] if one["impact"] in ("serious", "critical")]
    assert not bad, bad
    push(browser, "Read it so")
    wait_for(browser, lambda driver: "24 rows went in" in text(driver))
    assert (site_path.parent / "logs.toml").exists()


def test_a_correction_is_recorded_and_stands_in_the_history(browser, own):
    address, site_path = own
    browser.get(f"{address}/record")
    browser.find_element(By.LINK_TEXT, "Azimuth knob turned").click()
    browser.execute_script("document.getElementById('when').value = '2024-07-01T21:30'")
    browser.find_element(By.ID, "amount_arcmin").send_keys("9")
    Select(browser.find_element(By.ID, "amount_arcmin_way")).select_by_value("down")
    browser.find_element(By.ID, "note").send_keys("back to where it was")
    push(browser, "Record it")
    wait_for(browser, lambda driver: "Recorded: azimuth -9 arcmin" in text(driver))
    assert "back to where it was" in text(browser)
    browser.get(f"{address}/seasons/2024-25")
    assert "back to where it was" in text(browser)
    assert "9.00' west" in text(browser)
    (row,) = rows_of(site_path)
    assert row.values["note"] == "back to where it was"


def test_a_warning_is_marked_as_seen(browser, own):
    address, _ = own
    browser.get(address)
    browser.find_element(By.PARTIAL_LINK_TEXT, "Warnings (").click()
    browser.find_element(By.ID, "note").send_keys("seen")
    push(browser, "Mark as seen")
    wait_for(browser, lambda driver: "Nothing is new" in text(driver))
    assert "Warnings (0)" in text(browser)
    assert browser.find_elements(By.PARTIAL_LINK_TEXT, "Warnings (") == []


def test_a_step_is_done_by_the_keyboard_alone(browser, own):
    address, site_path = own
    browser.get(address)
    for _ in range(60):
        press(browser, Keys.TAB)
        if focused(browser).text.startswith("Done"):
            break
    press(browser, Keys.ENTER)
    wait_for(browser, lambda driver: "Filled in as advised" in text(driver))
    for _ in range(40):
        press(browser, Keys.TAB)
        if focused(browser).get_attribute("id") == "note":
            break
    press(browser, Keys.ENTER)
    wait_for(browser, lambda driver: "Recorded, as advised" in text(driver))
    assert len(rows_of(site_path)) == 1


def test_a_field_that_is_wrong_is_marked_and_has_the_focus(browser, own):
    address, site_path = own
    browser.get(f"{address}/record/new/azimuth")
    push(browser, "Record it")
    field = focused(browser)
    assert field.get_attribute("id") == "amount_arcmin"
    assert field.get_attribute("aria-invalid") == "true"
    told = browser.find_element(By.ID, field.get_attribute("aria-describedby").split()[0])
    assert "amount is missing" in told.text
    assert rows_of(site_path) == []


def test_the_keyboard_alone_records_a_correction(browser, own):
    address, site_path = own
    browser.get(address)
    press(browser, Keys.TAB)
    assert focused(browser).text == "To the content"
    for _ in range(20):
        press(browser, Keys.TAB)
        if focused(browser).text == "Record":
            break
    outline = focused(browser).value_of_css_property("outline-style")
    assert outline == "solid", "what has the focus is seen"
    press(browser, Keys.ENTER)
    wait_for(browser, lambda driver: driver.current_url.endswith("/record"))
    for _ in range(30):
        press(browser, Keys.TAB)
        if focused(browser).text == "Bolts or knobs tightened":
            break
    press(browser, Keys.ENTER)
    wait_for(browser, lambda driver: driver.current_url.endswith("/new/tighten"))
    for _ in range(40):
        press(browser, Keys.TAB)
        if focused(browser).get_attribute("id") == "note":
            break
    press(browser, "by keyboard", Keys.ENTER)
    wait_for(browser, lambda driver: "by keyboard" in text(driver))
    assert [row.values["note"] for row in rows_of(site_path)] == ["by keyboard"]


def tip(browser):
    shown = [one for one in browser.find_elements(By.CSS_SELECTOR, ".tip") if one.is_displayed()]
    return shown[0].text if shown else ""


def test_values_are_read_with_mouse_keyboard_and_finger(browser, shown):
    browser.get(f"{shown}/history")
    box = browser.find_element(By.CSS_SELECTOR, "#picture-axis .wide")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", box)
    ActionChains(browser).move_to_element(box).move_by_offset(40, 30).perform()
    wait_for(browser, tip)
    assert "UTC)" in tip(browser)
    assert " arcmin" in tip(browser)
    browser.execute_script("arguments[0].focus()", box)
    press(browser, Keys.HOME)
    wait_for(browser, lambda driver: "2024-02-29" in tip(driver))
    first = tip(browser)
    press(browser, Keys.ARROW_RIGHT)
    wait_for(browser, lambda driver: tip(driver) not in ("", first))
    assert "2024-03-05" in tip(browser)
    press(browser, Keys.ESCAPE)
    assert tip(browser) == ""
    look(browser, width=375)
    browser.get(f"{shown}/history")
    small = browser.find_element(By.CSS_SELECTOR, "#picture-axis .phone")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", small)
    small.click()
    wait_for(browser, tip)
    browser.find_element(By.CSS_SELECTOR, ".tip a").click()
    wait_for(browser, lambda driver: "/nights/2024-" in driver.current_url)


@pytest.mark.parametrize("path", PAGES)
def test_nothing_runs_off_a_phone(browser, shown, path):
    look(browser, width=375)
    browser.get(shown + path)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 375
    small = browser.execute_script(
        "return [...document.querySelectorAll('main p, main li, main td, main input')]"
        ".filter(e => e.offsetParent && parseFloat(getComputedStyle(e).fontSize) < 12).length"
    )
    assert small == 0, "text stays readable"
    assert runs_off(browser) == [], "no table hides columns beyond its edge"
    assert browser.execute_script(CUT_CHOICES) == [], "what is chosen can be read whole"


def test_verdict_and_what_to_do_stand_on_the_first_screen_of_a_phone(browser, shown):
    look(browser, width=375)
    browser.get(shown)
    verdict, to_do = browser.find_elements(By.CSS_SELECTOR, "#verdict .lead")
    buttons = browser.find_element(By.CSS_SELECTOR, ".buttons")
    assert verdict.location["y"] < to_do.location["y"] < buttons.location["y"]
    assert buttons.location["y"] + LINE < PHONE_HEIGHT, "the three tiles stand between them"


def rgb(colour):
    return tuple(int(colour[at : at + 2], 16) for at in (1, 3, 5))


@pytest.mark.parametrize("dark", (False, True))
def test_the_page_follows_light_and_dark(browser, shown, dark):
    look(browser, dark=dark)
    browser.get(shown)
    colours = canvas.DARK if dark else canvas.LIGHT
    read = "return getComputedStyle(document.querySelector(arguments[0]))[arguments[1]]"
    ground = browser.execute_script(read, "html", "backgroundColor")
    assert ground == "rgb({}, {}, {})".format(*rgb(colours["ground"]))
    drawn = browser.execute_script(
        "return [...document.querySelectorAll('#picture-strip .wide svg text')]"
        ".map(one => getComputedStyle(one).fill)"
    )
    allowed = {"rgb({}, {}, {})".format(*rgb(colours[name])) for name in ("ink", "soft")}
    assert drawn and set(drawn) <= allowed


#: Width, look by the device, look chosen on the page.
LOOKED_AT = ((1280, False, ""), (375, True, ""), (700, False, "night"))


@pytest.mark.parametrize("path", (*PAGES, "/login", "/no-such-page"))
def test_axe_finds_nothing_serious(browser, shown, path):
    """Of a page with all pictures, axe looks into the first one, which is like the others, and takes long."""
    for width, dark, chosen in LOOKED_AT:
        look(browser, width, dark)
        browser.get(f"{shown}/look/{chosen or 'device'}?to={path}")
        found = looked_through(browser, LEFT_OUT)
        bad = [one for one in found["violations"] if one["impact"] in ("serious", "critical")]
        assert not bad, [(one["id"], [node["html"][:200] for node in one["nodes"]][:4]) for one in bad]
        assert len(found["passes"]) > 5, "it looked at something"
    browser.get(f"{shown}/look/device")


#: Lists the colours of all that is seen on a page which have green or blue light in them.
NOT_RED = """
const bad = new Set();
for (const one of document.querySelectorAll("html, body, body *")) {
  const style = getComputedStyle(one);
  for (const name of ["color", "backgroundColor", "borderTopColor", "outlineColor", "fill", "stroke"]) {
    const parts = (style[name] || "").match(/rgba?\\(([^)]+)\\)/);
    if (!parts) continue;
    const [red, green, blue, alpha = 1] = parts[1].split(",").map(Number);
    if (alpha > 0 && (green > 0 || blue > 0)) bad.add(`${one.tagName} ${name} ${style[name]}`);
  }
}
return [...bad];
"""


@pytest.mark.parametrize("path", ("/", "/history", "/record/new/azimuth", "/import"))
def test_the_red_view_gives_no_green_and_no_blue_light(browser, shown, path):
    look(browser)
    browser.get(f"{shown}/look/night?to={path}")
    assert browser.execute_script(NOT_RED) == []
    browser.get(f"{shown}/look/device?to={path}")
    assert browser.execute_script(NOT_RED) != [], "the search finds something in the usual view"


@pytest.fixture(scope="module")
def nothing_yet(tmp_path_factory):
    """A page of a record that holds nothing."""
    with served(pier_folder(tmp_path_factory.mktemp("empty"), filled=False)) as address:
        yield address


@pytest.mark.parametrize("path", ("/", "/nights", "/record", "/record/new/level", "/import"))
def test_an_empty_record_fits_a_phone_and_axe_finds_nothing_serious(browser, nothing_yet, path):
    look(browser, width=375)
    browser.get(nothing_yet + path)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 375
    assert browser.execute_script(CUT_CHOICES) == []
    found = looked_through(browser)
    assert not [one for one in found["violations"] if one["impact"] in ("serious", "critical")]


def test_two_browsers_and_a_command_write_at_once_without_loss(browser, own):
    """Both fill in the form and send it at the same time, while a command records as well."""
    address, site_path = own
    notes = {"first browser", "second browser", "command"}
    with chromium() as second:
        for driver, note in ((browser, "first browser"), (second, "second browser")):
            driver.get(f"{address}/record/new/tighten")
            driver.find_element(By.ID, "note").send_keys(note)
        code = "import sys; from drift.cli.main import main; main(sys.argv[1:])"
        at = "2024-05-01T00:00:00Z"
        said = outside(code, "record", "tighten", "--time", at, "--note", "command", "--pier", site_path)
        command = subprocess.Popen(said, stdout=subprocess.DEVNULL)
        pushes = [threading.Thread(target=push, args=(one, "Record it")) for one in (browser, second)]
        for one in pushes:
            one.start()
        for one in pushes:
            one.join()
        assert command.wait(timeout=PATIENCE_S) == 0
        second.get(f"{address}/record")
        assert all(note in text(second) for note in notes)
    assert {row.values["note"] for row in rows_of(site_path)} == notes


def test_no_request_leaves_the_machine_and_no_policy_is_broken(browser, shown):
    for path in PAGES:
        browser.get(shown + path)
        for box in browser.find_elements(By.CSS_SELECTOR, ".pointed")[:1]:
            browser.execute_script("arguments[0].focus()", box)
            press(browser, Keys.ARROW_RIGHT)
    time.sleep(0.3)  # for what a script might still send
    asked = set()
    for entry in browser.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            asked.add(message["params"]["request"]["url"])
    assert f"{shown}/static/page.js" in asked
    assert not [url for url in asked if not url.startswith((f"{shown}/", "data:"))]
    assert [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"] == []
