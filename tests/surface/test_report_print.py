"""The report on paper, printed by a real browser: sheets of the right size, and nothing cut."""

import base64
import re

import pytest
from browser_world import MISSING, WHY_MISSING

pytestmark = pytest.mark.skipif(MISSING, reason=WHY_MISSING)
#: Width and height of the sheets [inches], ISO 216 and ANSI Y14.1.
SHEETS = {"A4": (210 / 25.4, 297 / 25.4), "Letter": (8.5, 11.0)}
POINTS_IN = 72.0
#: A browser rounds a sheet to whole pixels of 1/96 inch [points].
ROUNDING = 0.75
#: Puts marks around parts of a page, and links to them, so that the PDF says on which sheet each lies.
MARK = """
const links = document.createElement("p");
const mark = (at, where, name) => {
  const one = document.createElement("span");
  one.id = name;
  one.textContent = "\\u2060";
  at.insertAdjacentElement(where, one);
  const link = document.createElement("a");
  link.href = `#${name}`;
  link.textContent = "x";
  links.append(link);
};
const shown = one => one.offsetParent !== null;
const figures = [...document.querySelectorAll("figure")].filter(shown);
figures.forEach((one, k) => { mark(one, "afterbegin", `f${k}a`); mark(one, "beforeend", `f${k}b`); });
const heads = [...document.querySelectorAll("h1, h2, h3")]
  .filter(one => shown(one) && one.nextElementSibling);
heads.forEach((one, k) => {
  const next = one.nextElementSibling;
  const inner = next.querySelector("li, td, p, text, h3") || next;
  mark(one, "afterbegin", `h${k}a`);
  if (!inner.ownerSVGElement) mark(inner, "afterbegin", `h${k}b`);
});
document.querySelector("footer").append(links);
return [figures.length, heads.length];
"""


def printed(browser, path, sheet, style=""):
    """Print a page, and return the PDF, the counts of figures and headings, and mark -> sheet and height."""
    browser.get(path.as_uri())
    if style:
        browser.execute_script(
            "document.head.insertAdjacentHTML('beforeend', `<style>${arguments[0]}</style>`)", style
        )
    counts = browser.execute_script(MARK)
    width, height = SHEETS[sheet]
    settings = {"paperWidth": width, "paperHeight": height, "printBackground": True}
    pdf = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", settings)["data"])
    sheets = [int(number) for number in re.findall(rb"(\d+) 0 obj\n<</Type /Page\n", pdf)]
    places = {
        name.decode(): (sheets.index(int(number)), float(up))
        for name, number, up in re.findall(rb"/([fh]\d+[ab]) \[(\d+) 0 R /XYZ [\d.]+ ([\d.]+) ", pdf)
    }
    return pdf, counts, places


def cut(places, kind):
    """Return the parts whose two marks lie on two sheets."""
    numbers = [name[1:-1] for name in places if name[0] == kind and name.endswith("a")]
    return [
        number
        for number in numbers
        if f"{kind}{number}b" in places and places[f"{kind}{number}a"][0] != places[f"{kind}{number}b"][0]
    ]


@pytest.mark.parametrize("sheet", SHEETS)
@pytest.mark.parametrize("name", ["rich", "south", "one night"])
def test_no_picture_is_cut_and_no_heading_is_left_alone(browser, reports, name, sheet):
    pdf, (figures, heads), places = printed(browser, reports / f"{name}.html", sheet)
    marked = [mark for mark in places if mark[0] == "f"]
    assert len(marked) == 2 * figures >= (2 if name == "one night" else 6)
    assert sum(mark[0] == "h" and mark.endswith("a") for mark in places) == heads >= 10
    assert cut(places, "f") == []
    assert cut(places, "h") == []
    assert all(places[f"f{k}a"][1] > places[f"f{k}b"][1] for k in range(figures)), "top above end"


@pytest.mark.parametrize("sheet", SHEETS)
def test_the_sheets_have_the_size_that_was_asked_for(browser, reports, sheet):
    pdf, _, _ = printed(browser, reports / "rich.html", sheet)
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    assert len(boxes) > 5
    for box in boxes:
        asked = [inches * POINTS_IN for inches in SHEETS[sheet]]
        assert [float(side) for side in box] == pytest.approx(asked, abs=ROUNDING)


def test_this_check_sees_a_picture_that_is_cut(browser, reports):
    """Without the rule that keeps pictures whole, some are cut: the check above can fail."""
    _, _, places = printed(
        browser, reports / "rich.html", "A4", "@media print { figure { break-inside: auto !important; } }"
    )
    assert cut(places, "f")
