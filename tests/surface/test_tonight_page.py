"""Tonight's page without a browser: what it shows, Done, and what is typed in one form."""

import re

import pytest
from page_world import client_of, desk_of, pier_folder, rows_of, token_in

from drift.api import open_record, read_site


@pytest.fixture
def page(tmp_path):
    site_path = pier_folder(tmp_path)
    with client_of(desk_of(site_path)) as client:
        yield client, site_path


def test_the_list_stands_there_and_the_middle_comes_only_when_it_is_new(page):
    client, _ = page
    shown = client.get("/tonight").text
    assert "Solve field 1" in shown
    assert "No folder is watched" in shown
    assert 'href="/tonight"' in client.get("/").text
    mark = re.search(r'data-mark="([0-9a-f]+)"', client.get("/tonight/part").text)[1]
    assert client.get(f"/tonight/part?mark={mark}").status_code in (200, 204)  # 200 where a minute began
    assert client.get("/tonight/part?mark=other").status_code == 200


def test_a_turn_is_recorded_once_however_often_it_arrives(page):
    client, site_path = page
    with open_record(read_site(site_path)) as record:
        (step,) = record.keep_steps(
            0, [("turn_azimuth", {"amount_arcmin": -9.0, "turns": -0.25, "bolts": []})]
        )
    token = token_in(client.get("/tonight").text)
    given = {"token": token, "step": step, "ago_s": "60"}
    assert "Recorded:" in client.post("/tonight/done", data=given).text
    assert "recorded already" in client.post("/tonight/done", data=given).text
    (row,) = rows_of(site_path)
    assert (row.values["kind"], row.values["amount_arcmin"]) == ("azimuth", -9.0)
    assert step in row.values["note"]
    assert client.post("/tonight/done", data={"token": token, "step": "s999"}).status_code == 400


def test_errors_and_a_level_both_ways_round_are_typed_in_one_form(page):
    client, site_path = page
    before = len(rows_of(site_path, "alignments"))
    token = token_in(client.get("/tonight/type").text)
    given = {
        "token": token,
        "when": "2024-07-20T23:10",
        "a_unit": "arcsec",
        "a_az_error_arcmin": "540",
        "a_az_error_arcmin_way": "up",
        "a_alt_error_arcmin": "30",
        "a_alt_error_arcmin_way": "down",
        "a_sigma_arcmin": "",
        "l_unit": "arcmin",
        "l_tilt_north_arcsec": "0.5",
        "l_tilt_east_arcsec": "-0.2",
        "l_turned_tilt_north_arcsec": "-0.1",
        "l_turned_tilt_east_arcsec": "0.6",
        "l_place": "pier",
        "l_sigma_arcsec": "",
        "temp_c": "-3.5",
        "note": "calm",
    }
    shown = client.post("/tonight/type", data=given).text
    assert shown.count("Recorded:") == 3
    alignments = rows_of(site_path, "alignments")
    assert len(alignments) == before + 1
    last = alignments[-1]
    assert (last.values["az_error_arcmin"], last.values["alt_error_arcmin"]) == (9.0, -0.5)
    assert "-3.5 °C; calm" in last.raw
    levels = rows_of(site_path, "levels")
    assert [(row.values["face_deg"], row.values["tilt_north_arcsec"]) for row in levels] == [
        (0.0, 30.0),
        (180.0, -6.0),
    ]
    again = client.get("/tonight/type").text  # the units of the instruments stand there next time
    assert '<option value="arcsec" selected>' in again.split("l_unit")[0]
    assert client.post("/tonight/type", data=given).text.count("In the record already") == 3


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, "Nothing is filled in"),
        ({"a_az_error_arcmin": "3"}, "The error is missing"),
        ({"l_tilt_north_arcsec": "3", "l_turned_tilt_north_arcsec": "2"}, "one is missing"),
        ({"a_az_error_arcmin": "3", "a_alt_error_arcmin": "1", "temp_c": "cold"}, "is no temperature"),
    ],
)
def test_what_is_wrong_of_it_is_said_and_nothing_goes_in(page, given, said):
    client, site_path = page
    before = [len(rows_of(site_path, kind)) for kind in ("alignments", "levels")]
    token = token_in(client.get("/tonight/type").text)
    answer = client.post("/tonight/type", data={"token": token, **given})
    assert answer.status_code == 400
    assert said in answer.text
    assert [len(rows_of(site_path, kind)) for kind in ("alignments", "levels")] == before


def test_a_list_for_the_minutes_there_are(page):
    client, _ = page
    token = token_in(client.get("/tonight").text)
    made = client.post("/tonight/list", data={"token": token, "minutes": "9"}).text
    assert "The list is made for 9 minutes" in made
    assert client.post("/tonight/list", data={"token": token, "minutes": "many"}).status_code == 400
