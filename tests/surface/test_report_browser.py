"""The report in a real browser: on a phone, light and dark, and by those who see it otherwise."""

import pytest
from browser_world import LINE, MISSING, PHONE_HEIGHT, WHY_MISSING, look, looked_through, runs_off
from selenium.webdriver.common.by import By

pytestmark = pytest.mark.skipif(MISSING, reason=WHY_MISSING)
NAMES = ("rich", "south", "one night")


@pytest.mark.parametrize("name", NAMES)
def test_on_a_phone_verdict_and_what_to_do_come_first_and_nothing_runs_off(browser, reports, name):
    look(browser, width=375)
    browser.get((reports / f"{name}.html").as_uri())
    verdict = browser.find_element(By.CSS_SELECTOR, "#verdict .lead")
    first = browser.find_element(By.CSS_SELECTOR, "#do li, #do .act")
    assert verdict.location["y"] < first.location["y"] < PHONE_HEIGHT - LINE
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 375
    assert runs_off(browser) == []


@pytest.mark.parametrize(("width", "dark"), [(1000, False), (375, True)])
@pytest.mark.parametrize(("name", "left_out"), [("rich", "svg"), ("one night", ".phone svg")])
def test_axe_finds_nothing_serious_in_the_report(browser, reports, name, left_out, width, dark):
    """Axe takes long over thousands of strokes and numbers: pictures are looked into where they are few."""
    look(browser, width, dark)
    browser.get((reports / f"{name}.html").as_uri())
    found = looked_through(browser, [[left_out], ["details .scroll"]])
    bad = [one for one in found["violations"] if one["impact"] in ("serious", "critical")]
    assert not bad, [(one["id"], [node["html"][:200] for node in one["nodes"]][:4]) for one in bad]
    assert len(found["passes"]) > 5, "it looked at something"
