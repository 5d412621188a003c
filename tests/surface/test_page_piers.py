"""The page of several piers: the list first, each line a link to that pier's own pages below its name."""

import re
import shutil
import socket
import threading
import time
from contextlib import contextmanager
from urllib.parse import unquote

import pytest
import uvicorn
from browser_world import MISSING, WHY_MISSING, chromium, look, looked_through, runs_off
from page_world import OWN, pier_folder, rows_of, token_in
from record_world import PATIENCE_S
from starlette.testclient import TestClient

from drift.web.guard import Rules
from drift.web.piers_page import Overview, make_piers_app

#: A name with signs that mean something in an address.
ODD = "up & away #1?"


@pytest.fixture(scope="module")
def club(tmp_path_factory):
    """Return a folder with two equal piers and one whose site file is broken."""
    folder = tmp_path_factory.mktemp("club")
    for name in ("west", ODD):
        (folder / name).mkdir()
        pier_folder(folder / name)
    (folder / "broken").mkdir()
    (folder / "broken" / "pier.toml").write_text("[site\n")
    return folder


@contextmanager
def client_of(place, rules=None):
    app = make_piers_app(Overview(place, rules or Rules()))
    with TestClient(app, base_url=OWN, follow_redirects=True) as client:
        yield client


def settled(get):
    """Return the list once all its lines are there."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        text = get()
        if "being looked at" not in text:
            return text
        time.sleep(0.2)
    raise AssertionError("the list was not ready in time")


@pytest.fixture(scope="module")
def client(club):
    with client_of(club) as found:
        settled(lambda: found.get("/").text)
        yield found


def test_the_list_comes_first_and_the_most_urgent_pier_leads_it(client):
    page = client.get("/")
    names = re.findall(r'class="named"[^>]*><a href="([^"]+)">([^<]+)</a>', page.text)
    assert [unquote(address) for address, _ in names] == [f"/pier/{ODD}/", "/pier/west/", "/pier/broken/"]
    assert "2 have moved" in page.text and "line 1, column 6" in page.text
    assert "refresh" not in page.headers


@pytest.mark.parametrize(
    "path", ["", "nights", "history", "record", "record/new/azimuth", "import", "help/level"]
)
def test_all_pages_of_a_pier_lead_to_that_pier_alone(client, path):
    page = client.get(f"/pier/west/{path}")
    assert page.status_code == 200
    links = re.findall(r'(?:href|action|data-part|data-values)="(/[^"]*)"', page.text)
    shared = ("/static/", "/look/")
    own = [link for link in links if link != "/" and not link.startswith(shared)]
    assert len(own) > 5 and all(link.startswith("/pier/west/") for link in own)
    assert "/" in links  # back to the list


def test_an_odd_name_is_an_address_like_any_other(client):
    page = client.get("/pier/up%20%26%20away%20%231%3F/nights")
    assert page.status_code == 200
    assert 'href="/pier/up%20%26%20away%20%231%3F/record"' in page.text


def test_what_a_form_records_goes_to_its_pier_and_the_way_back_leads_there(club, tmp_path):
    shutil.copytree(club / "west", tmp_path / "a")
    shutil.copytree(club / "west", tmp_path / "b")
    with client_of(tmp_path) as client:
        form = client.get("/pier/a/record/new/tighten")
        sent = client.post(
            "/pier/a/record/new/tighten", data={"token": token_in(form.text), "time": "2024-05-01T12:00"}
        )
    assert sent.status_code == 200 and sent.url.path == "/pier/a/record"
    assert len(rows_of(tmp_path / "a" / "pier.toml")) == 1
    assert rows_of(tmp_path / "b" / "pier.toml") == []


def test_who_is_no_pier_is_not_there_and_a_broken_one_says_why(client):
    assert client.get("/pier/nobody/").status_code == 404
    broken = client.get("/pier/broken/")
    assert broken.status_code == 400 and "line 1, column 6" in broken.text
    assert client.get("/nights").status_code == 404
    assert client.get("/pier/west", follow_redirects=False).headers["location"] == "/pier/west/"


def test_the_password_stands_before_the_list_and_all_piers(club):
    with client_of(club, Rules(password="a long password")) as client:
        for path in ("/", "/pier/west/", "/pier/west/download/status.json"):
            assert client.get(path).url.path == "/login"
        token = token_in(client.get("/login").text)
        client.post("/login", data={"token": token, "password": "a long password"})
        assert client.get("/pier/west/nights").url.path == "/pier/west/nights"


def test_a_list_that_is_wrong_is_told_on_the_page(tmp_path):
    (tmp_path / "piers.toml").write_text("files = [3]\n")
    with client_of(tmp_path) as client:
        text = settled(lambda: client.get("/").text)
    assert "line 1, column 10" in text


@pytest.mark.skipif(MISSING, reason=WHY_MISSING)
def test_the_list_fits_a_phone_and_axe_finds_nothing(club):
    listening = socket.create_server(("127.0.0.1", 0))
    app = make_piers_app(Overview(club, Rules()))
    server = uvicorn.Server(uvicorn.Config(app, log_level="error", access_log=False, ws="none"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    address = f"http://127.0.0.1:{listening.getsockname()[1]}"
    try:
        with chromium() as browser:

            def get():
                browser.get(address)
                return browser.page_source

            look(browser, 375)
            settled(get)
            for choice in ("light", "dark", "night"):
                browser.get(f"{address}/look/{choice}?to=/")
                for width in (375, 1280):
                    look(browser, width)
                    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
                    assert runs_off(browser) == []
                assert looked_through(browser)["violations"] == []
    finally:
        server.should_exit = True
        thread.join()
        listening.close()
