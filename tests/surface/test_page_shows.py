"""What the page shows and takes, without a browser."""

import csv
import html
import io
import json
import re
import threading
from datetime import UTC, datetime

import pandas as pd
import pytest
from markupsafe import escape
from page_world import KNOCK_AFTER, NIGHTS, alignment_log, client_of, desk_of, pier_folder, rows_of, token_in
from starlette.datastructures import FormData
from test_fits_import import night

from drift.api import analyse_readings, open_record, read_site
from drift.cli.record import command as record_command
from drift.demo.files import write_image
from drift.render.guide import TOPICS
from drift.render.headline import headline
from drift.render.notebook import FRAMES
from drift.render.phrases import zone_of
from drift.render.tables.axis import Table
from drift.web import current, views
from drift.web.current import _environment
from drift.web.forms import FORMS, FormError, signed, time_of
from drift.web.record_pages import _form_named

CHICAGO = zone_of("America/Chicago")


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """A page that tests only read from."""
    site_path = pier_folder(tmp_path_factory.mktemp("shown"))
    with client_of(desk_of(site_path)) as client:
        client.site_path = site_path
        yield client


def send(client, path, **fields):
    token = token_in(client.get("/import").text)
    return client.post(path, data={"token": token, **fields})


def upload(client, name, content):
    token = token_in(client.get("/import").text)
    return client.post("/import", data={"token": token}, files={"files": (name, content)})


# ---- showing


def test_readings_that_came_in_again_make_what_stands_anew(site_path, monkeypatch):
    """What is advised depends on when they came in, though they are the same."""
    site = read_site(site_path)
    with open_record(site) as record:
        first = current.work_out(site, record, "a")
        assert current.work_out(site, record, "b", first).analysis is first.analysis
        monkeypatch.setattr(type(record), "latest_import_us", lambda self: 1)
        assert current.work_out(site, record, "c", first).analysis is not first.analysis


def test_the_first_page_says_what_status_says(shown):
    data = json.loads(shown.get("/download/status.json").text)
    text = shown.get("/").text
    assert data["verdict"]["moved"] is True
    with open_record(read_site(shown.site_path)) as record:
        analysis = analyse_readings(record.site, record.readings(), record, current.now_us())
    for line in headline(analysis).lines:
        assert str(escape(line)) in text
    for tile in headline(analysis).tiles:
        assert str(escape(tile.value)) in text
    shown_text = " ".join(html.unescape(text).split())
    for sentence in (action["sentence"] for action in data["actions"]):
        assert " ".join(sentence.split()) in shown_text


@pytest.mark.parametrize(
    "path",
    ("/history", "/seasons/2023-24", "/pictures/tilt", "/nights", "/events/1", "/record", "/import")
    + tuple(f"/record/new/{kind}" for kind in FORMS),
)
def test_every_page_is_there_and_marks_its_place(shown, path):
    analysis = shown.get(path)
    assert analysis.status_code == 200
    assert 'aria-current="page"' in analysis.text


def test_every_link_of_every_page_leads_somewhere(shown):
    """Of nights and of files of pictures a few are tried, because they are many and alike."""
    seen, open_links = set(), ["/"]
    while open_links:
        path = open_links.pop()
        many = re.match(r"/nights/|/download/pictures/|/look/", path)
        if path in seen or (many and sum(one.startswith(many[0]) for one in seen) >= 3):
            continue
        seen.add(path)
        analysis = shown.get(path)
        assert analysis.status_code == 200, path
        if analysis.headers["content-type"].startswith("text/html") and "/download/" not in path:
            found = re.findall(r'(?:href|data-values)="(/[^"#]*)"', analysis.text)
            open_links += [link.replace("&amp;", "&") for link in found]
    assert {
        "/download/report.html",
        "/seasons/2023-24",
        "/events/1",
        "/pictures/strip/values.json?size=phone",
    } <= seen


def test_the_nights_of_a_season_lead_to_file_and_line(shown):
    season = shown.get("/seasons/2023-24").text
    evenings = re.findall(r'href="/nights/(\d{4}-\d\d-\d\d)"', season)
    assert len(evenings) == NIGHTS
    assert min(evenings) == "2024-02-29", "the evening before 05:00 UTC on 1 March, by the site's noon"
    first = shown.get("/nights/2024-02-29").text
    assert "2024-02-29 23:00 CST (03-01 05:00 UTC)" in first
    assert "alignments.csv</td>" in first
    assert '<td class="n" data-label="line">2</td>' in first, "the first row stands on line 2"
    assert "2024-03-01T05:00:00Z," in first


def test_an_event_tells_its_odds_and_leads_to_the_nights_around_it(shown):
    text = shown.get("/events/1").text
    evenings = sorted(re.findall(r'href="/nights/(\d{4}-\d\d-\d\d)"', shown.get("/nights").text))
    assert f'href="/nights/{evenings[KNOCK_AFTER - 1]}"' in text
    assert f'href="/nights/{evenings[KNOCK_AFTER]}"' in text
    assert "%" in text


def test_the_history_has_pictures_events_and_what_can_be_taken_away(shown):
    text = shown.get("/history").text
    marks = ('id="picture-seasons"', "What moved, and when</h2>", 'id="picture-event-1"', "To take away</h2>")
    places = [text.index(words) for words in marks]
    assert places == sorted(places)
    assert 'id="picture-causes-azimuth"' not in text and 'href="/pictures/causes-azimuth"' in text
    alone = shown.get("/pictures/causes-azimuth").text
    assert 'id="picture-causes-azimuth"' in alone and "The numbers of this picture</h2>" in alone


@pytest.mark.parametrize(
    ("path", "to"),
    (
        ("/pictures", "/history"),
        ("/events", "/history"),
        ("/download", "/history"),
        ("/warnings", "/"),
        ("/corrections", "/record"),
        ("/corrections/new/azimuth", "/record/new/azimuth"),
        ("/corrections/new/level", "/record/new/level"),
    ),
)
def test_addresses_of_before_lead_to_where_that_stands_now(shown, path, to):
    said = shown.get(path)
    assert said.status_code == 200 and said.url.path == to


def test_a_form_that_was_kept_by_its_former_address_is_that_form(shown):
    sent = shown.get("/corrections/7", follow_redirects=False)
    assert (sent.status_code, sent.headers["location"]) == (301, "/record/7")
    sent = shown.get("/corrections/new/%2F%2Felsewhere.example", follow_redirects=False)
    assert sent.status_code == 404 or sent.headers["location"].startswith("/record/new/")


def test_pages_are_compressed_and_the_first_is_small(shown):
    said = shown.get("/", headers={"Accept-Encoding": "gzip"})
    assert said.headers["content-encoding"] == "gzip"
    assert int(said.headers["content-length"]) < 150_000, (
        "150 kB is what a slow phone takes in a second or two"
    )


def test_the_red_view_is_kept_and_holds_on_every_page(shown):
    chosen = shown.get("/look/night?to=/nights")
    assert chosen.url.path == "/nights"
    try:
        for path in ("/", "/nights", "/no-such-page", "/record/new/level"):
            assert 'data-look="night"' in shown.get(path).text
    finally:
        shown.get("/look/device?to=/")
    assert "data-look" not in shown.get("/").text
    assert shown.get("/look/night?to=//elsewhere.example/x").url.host == "127.0.0.1"
    shown.get("/look/device")
    sheet = shown.get("/static/page.css").text
    night = sheet[sheet.index(':root[data-look="night"]') :].partition("}")[0]
    colours = re.findall(r"#[0-9a-f]{6}", night)
    assert len(colours) > 15 and all(colour.endswith("0000") for colour in colours)


def test_a_page_that_is_not_there_has_the_places_to_go_on_to(shown):
    text = shown.get("/no-such-page").text
    for address in ("/", "/history", "/nights", "/record", "/import"):
        assert f'href="{address}"' in text
    assert 'aria-label="Pages"' in text


def test_a_remark_has_a_line_of_its_own_below_its_night():
    rows = (("2024-02-11", "sweep", "0.10 ± 0.02", "one <side> only"), ("2024-02-10", "sweep", "0.2", ""))
    table = Table("The nights", ("night of", "from", "azimuth", "remarks"), rows, frozenset({2}))
    text = str(_environment().get_template("page_parts.html.j2").make_module({"root": ""}).nights_grid(table))
    assert text.count("<tr") == 1 + 2 + 1
    assert 'colspan="3" data-label="remarks">one &lt;side&gt; only</td>' in text
    assert ">remarks</th>" not in text
    assert 'href="/nights/2024-02-11"' in text and '<td class="n" data-label="azimuth">0.2</td>' in text


@pytest.mark.parametrize(
    "path", ("/nights/2020-01-01", "/nights/x", "/seasons/1999", "/events/99", "/pictures/x/values.json")
)
def test_what_is_not_there_is_said_in_words(shown, path):
    analysis = shown.get(path)
    assert analysis.status_code == (400 if path.startswith("/pictures") else 404)
    assert 'role="alert"' in analysis.text
    assert shown.get("/no-such-page").status_code == 404
    assert "the record holds " in shown.get("/events/99").text


def test_the_values_under_the_pointer_are_those_of_the_nights(shown):
    panels = shown.get("/pictures/axis/values.json").json()
    data = json.loads(shown.get("/download/status.json").text)
    azimuth = next(panel for panel in panels if "zimuth" in panel["title"])
    points = [point for point in azimuth["points"] if "±" in point[2]]
    assert len(points) == NIGHTS
    for point, one in zip(sorted(points), data["nights"], strict=True):
        value, sd = re.search(r"UTC\), winter 2023-24: (-?[\d.]+) ± ([\d.]+)", point[2]).groups()
        rounding = 0.51 * 10.0 ** -len(value.partition(".")[2])
        assert float(value) == pytest.approx(one["az_error"] / 60.0, abs=rounding)
        assert float(sd) == pytest.approx(one["az_error_sd"] / 60.0, abs=rounding)
        assert point[3] in shown.get("/nights").text
        assert 0.0 < point[0] < 1.0 and 0.0 < point[1] < 1.0
    highest = min(points, key=lambda point: point[1])
    assert float(re.search(r": (-?[\d.]+) ±", highest[2]).group(1)) == max(
        float(re.search(r": (-?[\d.]+) ±", point[2]).group(1)) for point in points
    )


def test_what_is_downloaded_can_be_read(shown):
    for name in FRAMES:
        analysis = shown.get(f"/download/tables/{name}.csv")
        assert analysis.headers["content-disposition"] == f'attachment; filename="drift-{name}.csv"'
        assert next(csv.reader(io.StringIO(analysis.text)), None) is not None or not analysis.text.strip()
    assert shown.get("/download/pictures/axis.png").content.startswith(b"\x89PNG")
    assert shown.get("/download/pictures/axis.pdf").content.startswith(b"%PDF")
    assert "<svg" in shown.get("/download/pictures/axis.svg").text
    assert "What to do" in shown.get("/download/report.html").text
    nights = list(csv.DictReader(io.StringIO(shown.get("/download/tables/nights.csv").text)))
    assert len(nights) == NIGHTS


def test_what_looks_like_a_formula_is_kept_from_spreadsheets():
    frame = pd.DataFrame({"note": ['=HYPERLINK("x")', "@sum", "plain", None], "size": [-1.0, 2.0, 3.0, 4.0]})
    kept = views._without_formulas(frame)
    assert kept["note"].tolist()[:3] == ['\'=HYPERLINK("x")', "'@sum", "plain"]
    assert kept["size"].tolist() == [-1.0, 2.0, 3.0, 4.0]


def test_an_empty_record_asks_for_logs(tmp_path):
    with client_of(desk_of(pier_folder(tmp_path, filled=False))) as client:
        for path in ("/", "/history", "/nights", "/pictures/axis"):
            text = client.get(path).text
            assert "Welcome</h1>" in text
            assert text.count('class="button"') == 1 and "Import your first logs</a>" in text
        assert client.get("/import").status_code == 200
        assert client.get("/record").status_code == 200


# ---- one answer for one state


def test_the_analysis_is_worked_out_once_until_something_changes(site_path, monkeypatch):
    counted = []

    def counting(*arguments):
        counted.append(arguments)
        return analyse_readings(*arguments)

    monkeypatch.setattr(current, "analyse_readings", counting)
    with client_of(desk_of(site_path)) as client:
        for path in ("/", "/nights", "/history", "/"):
            assert client.get(path).status_code == 200
        assert len(counted) == 1
        send(
            client,
            "/warnings",
            seen=re.search('name="seen" value="([^"]+)"', client.get("/").text)[1],
        )
        client.get("/")
        assert len(counted) == 1, "an acknowledgement is no reading"
        send(client, "/record/new/tighten", note="bolts")
        client.get("/")
        assert len(counted) == 2
        site_path.write_text(site_path.read_text().replace("axis_arcmin = 3.0", "axis_arcmin = 4.0"))
        assert "(limit 4&#39;)" in client.get("/").text
        assert len(counted) == 3


def test_tomorrow_the_analysis_is_worked_out_afresh(site_path, monkeypatch):
    asked = []

    def counting(*arguments):
        asked.append(arguments[3])
        return analyse_readings(*arguments)

    today_us = current.now_us()
    monkeypatch.setattr(current, "analyse_readings", counting)
    with client_of(desk_of(site_path)) as client:
        for now_us in (today_us, today_us, today_us + 86_400_000_000):
            monkeypatch.setattr(current, "now_us", lambda now_us=now_us: now_us)
            assert client.get("/").status_code == 200
        assert asked == [today_us, today_us + 86_400_000_000]


def test_while_the_analysis_is_worked_out_what_stood_before_is_shown_and_renewed(site_path, monkeypatch):
    may_go_on = threading.Event()

    def slow(*arguments):
        assert may_go_on.wait(60)
        return analyse_readings(*arguments)

    monkeypatch.setattr(current, "analyse_readings", slow)
    desk = desk_of(site_path)
    desk.patience_s = 0.05
    with client_of(desk) as client:
        first = client.get("/")
        assert "being worked out" in first.text
        assert first.headers["refresh"]
        may_go_on.set()
        desk.patience_s = 60.0
        assert "refresh" not in client.get("/").headers
        may_go_on.clear()
        desk.patience_s = 0.05
        send(client, "/record/new/tighten", note="bolts")
        before = client.get("/")
        assert 'id="verdict"' in before.text
        assert "shows what stood before" in before.text
        assert before.headers["refresh"]
        assert "refresh" not in client.get("/record").headers, "what is typed there must not be lost"
        may_go_on.set()
        desk.patience_s = 60.0
        assert "shows what stood before" not in client.get("/").text


def test_what_goes_wrong_unforeseen_is_told_without_a_traceback(site_path, monkeypatch, capsys):
    def broken(*arguments):
        raise RuntimeError("a nut came loose")

    monkeypatch.setattr(current, "analyse_readings", broken)
    with client_of(desk_of(site_path)) as client:
        said = client.get("/")
        assert said.status_code == 500
        assert "a nut came loose" in said.text
        assert "Traceback" not in said.text + capsys.readouterr().err
        monkeypatch.setattr(current, "analyse_readings", analyse_readings)
        assert client.get("/").status_code == 200


def test_a_command_changes_what_the_page_shows(site_path, page):
    assert "by the command" not in page.get("/record").text
    said = [
        "azimuth",
        "-9",
        "--note",
        "by the command",
        "--time",
        "2024-07-01T00:00:00Z",
        "--pier",
        str(site_path),
    ]
    record_command.main(said, standalone_mode=False)
    assert "by the command" in page.get("/record").text
    assert "2024-06-30 19:00 CDT (07-01 00:00 UTC)" in page.get("/record").text


def test_a_site_file_that_was_spoiled_is_said_and_mended(site_path, page):
    good = site_path.read_text()
    assert page.get("/").status_code == 200
    site_path.write_text(good.replace("latitude_deg = 47.3", "latitude_deg = 147.3"))
    spoiled = page.get("/")
    assert spoiled.status_code == 400
    assert "latitude_deg" in spoiled.text
    site_path.write_text(good)
    assert page.get("/").status_code == 200


# ---- corrections


def test_a_correction_goes_in_with_its_direction_and_the_sites_clock(page, site_path):
    said = send(
        page,
        "/record/new/azimuth",
        amount_arcmin="8.5",
        amount_arcmin_way="down",
        when="2024-07-01T21:30",
        note="n",
    )
    assert "anticlockwise seen from above, toward west" in said.text
    (row,) = rows_of(site_path)
    assert row.values["amount_arcmin"] == -8.5
    assert row.values["time_us"] == int(datetime(2024, 7, 2, 2, 30, tzinfo=UTC).timestamp()) * 1_000_000


@pytest.mark.parametrize("kind", FORMS)
def test_a_blank_form_records_nothing(page, site_path, kind):
    said = send(page, f"/record/new/{kind}")
    assert said.status_code == 400
    assert 'aria-invalid="true"' in said.text and 'id="trouble"' in said.text
    for table in ("corrections", "levels"):
        assert rows_of(site_path, table) == []


def test_an_amount_that_is_not_known_is_a_choice_of_its_own(page, site_path):
    missing = send(page, "/record/new/azimuth", when="2024-07-01T21:30", amount_known="yes")
    assert missing.status_code == 400 and "The amount is missing" in missing.text
    assert re.search(r'id="amount_arcmin"[^>]*aria-invalid="true" autofocus', missing.text)
    both = send(page, "/record/new/azimuth", when="2024-07-01T21:30", amount_known="no", amount_arcmin="3")
    assert both.status_code == 400 and "said to be not known" in both.text
    send(page, "/record/new/azimuth", when="2024-07-01T21:30", amount_known="no")
    (row,) = rows_of(site_path)
    assert row.values["amount_arcmin"] is None


def test_times_are_taken_to_the_minute_and_the_form_is_filled_in_with_now(page):
    form = page.get("/record/new/tighten").text
    assert re.search(r'id="when" name="when" type="datetime-local" value="\d{4}-\d\d-\d\dT\d\d:\d\d"', form)


def test_levels_are_typed_in_degrees_and_as_two_faces(page, site_path):
    """-0.01 and 0.02 degrees are -36 and 72 arcseconds."""
    fields = {"unit": "deg", "face": "pair", "place": "pier", "when": "2024-07-01T21:30"}
    fields |= {"tilt_north_arcsec": "0.01", "tilt_east_arcsec": "0.02"}
    lacking = send(page, "/record/new/level", **fields, turned_tilt_north_arcsec="-0.01")
    assert lacking.status_code == 400 and "all four angles" in lacking.text
    assert re.search(r'id="turned_tilt_east_arcsec"[^>]*aria-invalid="true"', lacking.text)
    fields |= {"turned_tilt_north_arcsec": "-0.01", "turned_tilt_east_arcsec": "-0.02"}
    send(page, "/record/new/level", **fields)
    found = sorted(
        (row.values["face_deg"] == 180.0, row.values["tilt_north_arcsec"])
        for row in rows_of(site_path, "levels")
    )
    assert found == [(False, 36.0), (True, -36.0)]


def test_an_alignment_error_is_typed_in_the_unit_that_one_has(page, site_path):
    fields = {
        "unit": "deg",
        "az_error_arcmin": "0.05",
        "az_error_arcmin_way": "down",
        "alt_error_arcmin": "0.1",
    }
    said = send(page, "/record/new/alignment", when="2024-09-01T21:30", **fields)
    assert "axis 3 arcmin west of the pole and 6 arcmin too high" in said.text
    row = max(rows_of(site_path, "alignments"), key=lambda one: one.values["time_us"])
    assert (row.values["az_error_arcmin"], row.values["alt_error_arcmin"]) == (-3.0, 6.0)
    form = page.get(f"/record/{row.row_id}").text
    assert 'value="3"' in form and 'value="down" selected' in form


def test_shims_go_in_bolt_by_bolt(page, site_path):
    fields = {"bearing_0": "30", "amount_0": "0.5", "amount_0_way": "up", "bearing_1": "150", "amount_1": ""}
    fields |= {"bearing_2": "270", "amount_2": "0.2", "amount_2_way": "down", "when": "2024-07-01T21:30"}
    assert "taken out" in send(page, "/record/new/shim", **fields).text
    found = {(row.values["bearing_deg"], row.values["thickness_mm"]) for row in rows_of(site_path)}
    assert found == {(30.0, 0.5), (270.0, -0.2)}
    nothing = send(page, "/record/new/shim", bearing_0="30", amount_0="")
    assert nothing.status_code == 400
    assert "Nothing is filled in" in nothing.text


def test_a_level_goes_in(page, site_path):
    fields = {"tilt_north_arcsec": "-12.5", "tilt_east_arcsec": "3", "place": "pier", "face_deg": ""}
    assert "toward south" in send(page, "/record/new/level", **fields).text
    assert rows_of(site_path, "levels")[0].values["tilt_north_arcsec"] == -12.5


def test_what_cannot_be_is_said_and_what_was_typed_is_kept(page, site_path):
    bad = send(page, "/record/new/azimuth", amount_arcmin="lots", note="my long note")
    assert bad.status_code == 400
    said = "Not recorded: “Change that was meant, in arcminutes”, &#39;lots&#39; is not a number."
    assert said in bad.text, "by the label that the field has on the page"
    assert 'value="my long note"' in bad.text
    assert rows_of(site_path) == []


def test_a_correction_is_edited_withdrawn_and_put_back_with_its_history(page, site_path):
    send(page, "/record/new/altitude", amount_arcmin="3", when="2024-07-01T21:30:17", note="first")
    (row,) = rows_of(site_path)
    form = page.get(f"/record/{row.row_id}").text
    assert 'value="2024-07-01T21:30:17"' in form
    assert 'value="3"' in form
    send(
        page,
        f"/record/{row.row_id}",
        when="2024-07-01T21:30:17",
        amount_arcmin="2",
        amount_arcmin_way="down",
        note="second",
        why="misread",
    )
    rows = {one.state: one for one in rows_of(site_path)}
    assert rows["in use"].values["amount_arcmin"] == -2.0
    assert rows["in use"].values["time_us"] == row.values["time_us"]
    assert "misread" in page.get("/record").text
    send(page, f"/record/{rows['in use'].row_id}/withdraw", why="never was")
    assert {one.state for one in rows_of(site_path)} == {"withdrawn"}
    assert "never was" in page.get("/record").text
    send(page, f"/record/{rows['in use'].row_id}/put-back", why="it was")
    assert [one.values["note"] for one in rows_of(site_path) if one.in_use] == ["second"]
    again = send(page, f"/record/{row.row_id}/withdraw", why="twice")
    assert again.status_code == 400
    assert "already" in again.text


def test_an_edit_that_changes_nothing_says_so(page, site_path):
    send(page, "/record/new/tighten", when="2024-07-01T21:30", note="n")
    (row,) = rows_of(site_path)
    said = send(page, f"/record/{row.row_id}", when="2024-07-01T21:30:00", note="n")
    assert "nothing was changed" in said.text


def test_a_solve_cannot_be_withdrawn_as_a_correction(page, site_path):
    number = rows_of(site_path, "alignments")[0].row_id
    assert send(page, f"/record/{number}/withdraw").status_code == 400


def test_hours_that_the_clock_shows_twice_or_never_are_asked_for_in_utc():
    assert time_of(FormData({"when": "2024-07-01T12:00"}), CHICAGO) == "2024-07-01T17:00:00Z"
    assert time_of(FormData({"when": "2024-11-03T01:30", "clock": "utc"}), CHICAGO) == "2024-11-03T01:30:00Z"
    with pytest.raises(FormError, match="twice"):
        time_of(FormData({"when": "2024-11-03T01:30"}), CHICAGO)
    with pytest.raises(FormError, match="never"):
        time_of(FormData({"when": "2024-03-10T02:30"}), CHICAGO)
    with pytest.raises(FormError, match="none"):
        time_of(FormData({"when": "yesterday"}), CHICAGO)


def test_a_sign_and_a_backward_direction_contradict_each_other():
    form = FormData({"amount": "-3", "way": "down"})
    with pytest.raises(FormError, match="leave out the minus sign"):
        signed(form, "amount", "way", "down")
    assert signed(FormData({"amount": "3", "way": "down"}), "amount", "way", "down") == "-3"


def test_there_is_a_form_for_every_kind_and_no_other():
    with pytest.raises(FormError, match="azimuth"):
        _form_named("wrong")


# ---- import


def test_a_known_log_goes_in_and_twice_adds_nothing(page, tmp_path):
    content = alignment_log(tmp_path / "more.csv", seed=9).read_bytes()
    assert "24 rows went in" in upload(page, "more.csv", content).text
    assert "24 were there already" in upload(page, "more.csv", content).text


def test_help_shows_the_guide_with_its_pictures_and_leads_on(shown):
    listed = shown.get("/help").text
    for topic, title in TOPICS.items():
        assert f'href="/help/{topic}"' in listed
        said = shown.get(f"/help/{topic}")
        assert said.status_code == 200 and f"<h1>{escape(title)}</h1>" in said.text
    level = shown.get("/help/level").text
    assert '<svg class="picture"' in level and "drift record level --north 125" in level
    assert '<a href="/help/solves">' in shown.get("/help/first-night").text, "a topic named leads there"
    assert shown.get("/help/frost").status_code == 404
    assert shown.get("/help/..%2Fsafety").status_code == 404


def test_bad_rows_are_set_aside_listed_and_dismissed(page, tmp_path):
    lines = alignment_log(tmp_path / "more.csv", seed=9).read_text().splitlines()
    lines[3] = lines[3].replace(",", ",much", 1)
    said = upload(page, "more.csv", "\n".join(lines).encode())
    assert "23 rows went in, 1 was set aside" in said.text
    listed = page.get("/import").text
    assert "more.csv, line 4" in listed
    number = re.search(r'name="number" value="(\d+)"', listed)[1]
    send(page, "/aside/dismiss", number=number, why="a typo")
    assert "Nothing is set aside." in page.get("/import").text


def test_a_file_that_is_no_log_is_refused_by_its_own_name(page):
    said = upload(page, "holiday.csv", b"\x00\x01\x02 nothing of the kind")
    assert "holiday.csv" in said.text
    assert "drift-upload-" not in said.text
    none = send(page, "/import")
    assert none.status_code == 400
    assert "no file was chosen" in none.text.lower()


def test_columns_of_its_own_are_asked_about_agreed_to_and_remembered(page, site_path, tmp_path):
    lines = alignment_log(tmp_path / "x.csv", seed=9).read_text().splitlines()
    lines[0] = "when,azimuth error,altitude error,sd"
    content = "\n".join(line.replace("Z,", ",") for line in lines).encode()
    before = len(rows_of(site_path, "alignments"))
    asked = upload(page, "mine.csv", content)
    place = asked.url.path
    for _ in range(6):
        if "Read it so" in asked.text:
            break
        fields = {
            key: next(
                value
                for name, value in re.findall(r'name="([^"]+)" value="([^"]*)" required', asked.text)
                if name == key
            )
            for key in dict.fromkeys(re.findall(r'name="(answer [^"]+)"', asked.text))
        }
        assert fields, asked.text
        asked = send(page, place, file="mine.csv", what="answers", **fields)
    words = re.sub(r"<[^>]*>", " ", asked.text)
    assert "Its first rows are then read so" in words and "unit of azimuth error" in words
    assert not re.search(r"KEY|value:|_arcmin|\b[a-z]+_[a-z]+\b|time\.zone", words), (
        "plain words, and no codes"
    )
    asked = send(page, place, file="mine.csv", what="answers", **{"answer az_error_arcmin.unit": "degrees"})
    assert "degrees" in re.search(r"unit of azimuth error</td>.*?</tr>", asked.text, re.S)[0]
    asked = send(page, place, file="mine.csv", what="answers", **{"answer az_error_arcmin.unit": "arcmin"})
    assert len(rows_of(site_path, "alignments")) == before, "nothing goes in before it is agreed to"
    done = send(page, place, file="mine.csv", what="agree", name="my solver")
    assert "24 rows went in" in done.text
    assert "my solver" in (site_path.parent / "logs.toml").read_text()
    later = alignment_log(tmp_path / "y.csv", seed=10).read_text().splitlines()
    later[0] = lines[0]
    again = upload(page, "mine2.csv", "\n".join(line.replace("Z,", ",") for line in later).encode())
    assert "24 rows went in" in again.text


def test_an_analysis_that_cannot_be_is_asked_again_and_a_file_can_be_left_out(page, tmp_path):
    lines = alignment_log(tmp_path / "x.csv", seed=9).read_text().splitlines()
    lines[0] = "when,azimuth error,altitude error,sd"
    asked = upload(page, "mine.csv", "\n".join(line.replace("Z,", ",") for line in lines).encode())
    place = asked.url.path
    again = send(page, place, file="mine.csv", what="answers", **{"answer no.such.key": "3"})
    assert 'role="alert"' in again.text
    assert "no.such.key" in again.text
    left = send(page, place, file="mine.csv", what="leave")
    assert "not imported, as you said" in left.text
    assert "To what stands now" in left.text


def test_images_are_read_as_one_log_under_their_own_names(tmp_path):
    site_path = pier_folder(tmp_path, filled=False)
    paths = night(tmp_path / "images", 12)
    bad = tmp_path / "images" / "unsolved.fits"
    write_image(bad, {"DATE-OBS": "2025-03-01T02:00:00", "EXPTIME": 20.0})
    with client_of(desk_of(site_path)) as client:
        token = token_in(client.get("/import").text)
        files = [("files", (path.name, path.read_bytes())) for path in (*paths, bad)]
        said = client.post("/import", data={"token": token}, files=files).text
        assert "12 rows went in, 1 was set aside" in said
        assert "drift-upload-" not in said
        listed = client.get("/import").text
    assert "unsolved.fits" in listed
    assert "drift-upload-" not in listed
    rows = rows_of(site_path, "solves")
    assert {row.file for row in rows} == {"13 uploaded images"}
    assert rows[0].raw.endswith(",image000.fits")


def test_two_files_of_one_name_both_go_in(page, site_path, tmp_path):
    token = token_in(page.get("/import").text)
    logs = [alignment_log(tmp_path / f"{seed}.csv", seed=seed).read_bytes() for seed in (11, 12)]
    said = page.post("/import", data={"token": token}, files=[("files", ("log.csv", one)) for one in logs])
    assert said.text.count("24 rows went in") == 2
    assert len(rows_of(site_path, "alignments")) == 3 * NIGHTS


def test_an_import_of_a_file_without_a_good_row_is_undone(page, tmp_path):
    log = alignment_log(tmp_path / "more.csv", seed=7).read_bytes()
    token = token_in(page.get("/import").text)
    bad = b"time_utc,az_error_arcmin,alt_error_arcmin\nnever,1,2\n"
    page.post("/import", data={"token": token}, files=[("files", ("a.csv", log)), ("files", ("b.csv", bad))])
    undone = send(page, "/imports/2/undo", why="wrong pier")
    assert undone.status_code == 200
    assert "undone" in undone.text


def test_an_import_is_undone_and_brought_back(page, site_path, tmp_path):
    upload(page, "more.csv", alignment_log(tmp_path / "more.csv", seed=9).read_bytes())

    def in_use():
        return sum(row.in_use for row in rows_of(site_path, "alignments"))

    assert in_use() == 2 * NIGHTS
    assert "undone" in send(page, "/imports/2/undo", why="wrong pier").text
    assert in_use() == NIGHTS
    send(page, "/imports/3/undo")
    assert in_use() == 2 * NIGHTS


def test_an_upload_that_nobody_waits_for_is_said(page):
    assert "not waiting any more" in page.get("/import/nothing").text


# ---- warnings


def test_what_is_new_is_told_and_acknowledged_once(page, site_path):
    assert re.search(r"Warnings \([1-9]\)", page.get("/").text)
    seen = re.search('name="seen" value="([^"]+)"', page.get("/").text)[1]
    said = send(page, "/warnings", seen=seen, note="it was the cat")
    assert "Acknowledged:" in said.text
    assert "Nothing is new" in said.text and "Warnings (0)" in said.text
    assert "it was the cat" in said.text
    with open_record(read_site(site_path)) as record:
        assert record.last_acknowledged()[1] == "it was the cat"


def test_what_was_not_seen_is_not_acknowledged(page, site_path):
    seen = re.search('name="seen" value="([^"]+)"', page.get("/").text)[1]
    send(page, "/record/new/tighten", note="meanwhile")
    said = send(page, "/warnings", seen=seen)
    assert "nothing was acknowledged" in said.text
    with open_record(read_site(site_path)) as record:
        assert record.last_acknowledged() is None


# ---- inputs that once ended in a fault of the page


@pytest.mark.parametrize("when", ["0001-01-01T00:00", "9999-12-31T23:59", "2024-13-41T99:99", "\u00b2", "0"])
@pytest.mark.parametrize("clock", ["", "utc"])
def test_a_time_that_can_not_be_gets_its_sentence(page, site_path, when, clock):
    answer = send(page, "/record/new/tighten", when=when, clock=clock)
    assert answer.status_code == 400
    assert 'role="alert"' in answer.text
    assert rows_of(site_path) == []


@pytest.mark.parametrize("number", ["12345678901234567890123", "\u00b2", "-1", "1e3", "0x10", "\u0661"])
def test_a_number_that_is_none_of_the_record_gets_its_sentence(page, number):
    for answer in (
        send(page, "/aside/dismiss", number=number, why=""),
        send(page, f"/imports/{number}/undo", why=""),
    ):
        assert 400 <= answer.status_code < 500, answer.text[:300]
        assert "should not have" not in answer.text
