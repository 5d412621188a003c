"""An advised step is recorded as done from the page: as advised, or as it was really done."""

import re

import pytest
from page_world import KNOCK_ARCMIN, rows_of, token_in

from drift.api import open_record, read_site
from drift.web.forms import FORMS, same_amounts, values_of_step

#: The knock of 9' is known to half an arcminute from twelve nights of 0.3'.
KNOWN_ARCMIN = 0.5


def steps_on(page):
    return re.findall(r'href="/steps/(s\d+)">Done<', page.get("/").text)


def field(text, name):
    return re.search(rf'id="{name}"[^>]* value="([^"]*)"', text).group(1)


def send(page, path, **fields):
    return page.post(path, data={"token": token_in(page.get("/import").text), **fields})


def knob_step(page):
    """Return the step that turns the azimuth, and its form."""
    shown = steps_on(page)
    for step in ("s1", "s2", "s3"):
        form = page.get(f"/steps/{step}").text
        if 'name="amount_arcmin"' in form:
            assert step not in shown, "by logs so old a night comes first: no button, but a form"
            return step, form
    raise AssertionError("no knob is to be turned")


def test_a_step_is_done_from_a_form_that_is_filled_in(page, site_path):
    step, form = knob_step(page)
    amount = field(form, "amount_arcmin")
    assert abs(float(amount) - KNOCK_ARCMIN) < KNOWN_ARCMIN
    assert 'value="down" selected' in form, "back to the west"
    said = send(
        page, f"/steps/{step}", amount_arcmin=amount, amount_arcmin_way="down", turns="", note="left knob"
    )
    assert "Recorded, as advised" in said.text
    (row,) = rows_of(site_path)
    assert row.values["amount_arcmin"] == pytest.approx(-float(amount))
    assert row.values["note"].endswith("left knob")
    with open_record(read_site(site_path)) as record:
        assert [one.step for one in record.steps_done()] == [step]
    again = page.get(f"/steps/{step}")
    assert again.status_code == 400 and "not to be done any more" in again.text
    assert step not in steps_on(page)


def test_what_was_done_otherwise_is_a_correction_and_no_step(page, site_path):
    step, _ = knob_step(page)
    said = send(page, f"/steps/{step}", amount_arcmin="4", amount_arcmin_way="down", turns="")
    assert "otherwise than advised" in said.text
    (row,) = rows_of(site_path)
    assert row.values["amount_arcmin"] == -4.0
    with open_record(read_site(site_path)) as record:
        assert record.steps_done() == []


def test_what_cannot_be_is_said_and_kept(page, site_path):
    step, _ = knob_step(page)
    said = send(page, f"/steps/{step}", amount_arcmin="far", amount_arcmin_way="down", turns="")
    assert said.status_code == 400 and field(said.text, "amount_arcmin") == "far"
    assert rows_of(site_path) == []
    assert page.get("/steps/s999").status_code == 400


def test_bolts_stand_in_the_order_of_the_site_file(site_path):
    rows = [
        {"kind": "nuts", "bearing_deg": "270", "turns": "0.25"},
        {"kind": "nuts", "bearing_deg": "30", "turns": "-0.5"},
    ]
    values = values_of_step(FORMS["nuts"], rows, read_site(site_path))
    assert [values[f"amount_{k}"] for k in range(3)] == ["0.5", "", "0.25"]
    assert (values["amount_0_way"], values["amount_2_way"]) == ("down", "up")
    assert same_amounts(rows, [{**row, "note": "x"} for row in reversed(rows)])
    assert not same_amounts(rows, rows[:1])
