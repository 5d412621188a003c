"""Nobody else's page, name, file or password gets anything done."""

import os
import re
import socket
import subprocess
import tempfile
import threading
import time
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import pytest
import uvicorn
from hypothesis import given
from hypothesis import strategies as st
from page_world import OWN, alignment_log, client_of, desk_of, pier_folder, rows_of, token_in
from record_world import PATIENCE_S, outside

from drift.errors import DriftError
from drift.web import app, guard
from drift.web.app import listen, make_app, patient_protocol, rules_for
from drift.web.guard import LEAST_PASSWORD, VARIABLE, Rules, is_loopback
from drift.web.imports import UploadFolder, clear_abandoned, safe_name

NASTY = '<script>alert("x")</script>'


def record(client, token, headers=None, **fields):
    data = {"token": token, "note": "bolts", **fields}
    return client.post("/record/new/tighten", data=data, headers=headers or {})


@pytest.mark.parametrize("path", ("/record", "/static/page.js", "/no-such-page", "/nights/never"))
def test_every_analysis_tells_the_browser_what_it_may_do(page, path):
    headers = page.get(path).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"


def test_no_page_holds_a_script_of_its_own_or_anything_from_elsewhere(page):
    for path in ("/", "/history", "/import", "/record", "/pictures/axis", "/events/1"):
        text = page.get(path).text
        assert text.count("<script") == 1
        assert '<script src="/static/page.js" defer></script>' in text
        assert not any(f'{attribute}="http' in text for attribute in ("src", "href", "action"))
        assert " onclick" not in text
        assert "<style" not in text


def test_a_name_that_another_site_points_at_the_page_is_refused(page):
    assert page.get("/record", headers={"Host": "elsewhere.example:8437"}).status_code == 421
    assert page.get("/record", headers={"Host": "localhost:8437"}).status_code == 200
    for strange in ("[::1", "127.0.0.1:x", "", "127.0.0.1@elsewhere.example"):
        assert page.get("/record", headers={"Host": strange}).status_code in (400, 421)


@pytest.mark.parametrize(
    "headers",
    (
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
        {"Origin": OWN, "Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},  # another port of this machine
        {"Origin": "http://127.0.0.1:9999"},
    ),
)
def test_a_form_sent_by_another_site_does_nothing(page, site_path, headers):
    token = token_in(page.get("/record/new/tighten").text)
    refused = record(page, token, headers)
    assert refused.status_code == 403
    assert "another site" in refused.text
    assert rows_of(site_path) == []


def test_the_same_form_from_our_own_page_is_taken(page, site_path):
    token = token_in(page.get("/record/new/tighten").text)
    taken = record(page, token, {"Origin": OWN, "Sec-Fetch-Site": "same-origin"})
    assert taken.status_code == 200
    assert len(rows_of(site_path)) == 1


@pytest.mark.parametrize("token", ("", "0" * 64, "\u00e9"))
def test_a_form_without_the_right_token_does_nothing(page, site_path, token):
    refused = record(page, token)
    assert refused.status_code == 403
    assert "nothing was done" in refused.text
    assert rows_of(site_path) == []


def test_the_token_of_one_start_is_not_that_of_another(site_path):
    with client_of(desk_of(site_path)) as first, client_of(desk_of(site_path)) as second:
        token = token_in(first.get("/record/new/tighten").text)
        assert record(second, token).status_code == 403


@pytest.mark.parametrize(
    "name",
    ("../../evil.csv", "..\\..\\evil.csv", "/tmp/evil.csv", "C:\\evil.csv", "....//evil.csv"),
)
def test_an_uploads_name_leads_nowhere(tmp_path, monkeypatch, name):
    uploads = tmp_path / "uploads"
    uploads.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(uploads))
    folder = tmp_path / "pier"
    folder.mkdir()
    site_path = pier_folder(folder, filled=False)
    content = alignment_log(tmp_path / "log.csv").read_bytes()
    before = {path for path in tmp_path.rglob("*") if "pier.toml" not in path.name}
    with client_of(desk_of(site_path)) as page:
        token = token_in(page.get("/import").text)
        said = page.post("/import", data={"token": token}, files={"files": (name, content)})
    assert "24 rows went in" in said.text
    assert {row.file for row in rows_of(site_path, "alignments")} == {"evil.csv"}
    left = set(tmp_path.rglob("*")) - before
    assert not [path for path in left if "evil" in path.name], "nothing is left, least of all elsewhere"
    assert list(uploads.iterdir()) == []


def test_uploads_of_a_killed_page_are_cleared_and_those_of_a_running_one_are_not(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    code = "from drift.web.imports import UploadFolder; import os; UploadFolder(); os.kill(os.getpid(), 9)"
    subprocess.run(outside(code), env={**os.environ, "TMPDIR": str(tmp_path)}, check=False)
    (left,) = tmp_path.iterdir()
    running = UploadFolder()
    later = time.time() + 100
    clear_abandoned(later - 100)
    assert left.exists(), "it may be about to be locked"
    clear_abandoned(later)
    assert not left.exists()
    assert running.path.exists()
    running.close()
    assert list(tmp_path.iterdir()) == []


@given(st.text(max_size=400))
def test_a_safe_name_is_one_plain_part_of_a_path(given_name):
    name = safe_name(given_name)
    assert name not in ("", ".", "..")
    assert not set(name) & set("/\\\0\r\n:<>")
    assert len(name.encode()) <= 150
    assert Path("folder", name).parent == Path("folder")


def test_a_script_in_a_note_or_a_files_name_stays_text(page):
    token = token_in(page.get("/record/new/tighten").text)
    record(page, token, note=NASTY)
    text = page.get("/record").text
    assert NASTY not in text
    assert "&lt;script&gt;alert" in text
    said = page.post(
        "/import", data={"token": token}, files={"files": (f"{NASTY}.csv", f"{NASTY},b\n1,2\n".encode())}
    )
    assert NASTY not in said.text
    assert NASTY not in page.get("/import").text
    assert NASTY not in page.get("/").text


def test_an_address_with_a_script_in_it_is_not_repeated(page):
    for path in ("/nights/", "/seasons/", "/record/new/", "/pictures/"):
        assert "<script>alert" not in page.get(f"{path}%3Cscript%3Ealert(1)%3C%2Fscript%3E").text
    assert NASTY not in page.get("/", params={"note": NASTY}).text


def test_too_much_is_refused_before_it_is_read(site_path):
    with client_of(desk_of(site_path, Rules(most_bytes=20_000))) as page:
        token = token_in(page.get("/import").text)
        refused = page.post("/import", data={"token": token}, files={"files": ("a.csv", b"x" * 30_000)})
        assert refused.status_code == 413
        assert "nothing was taken in" in refused.text


def test_a_request_that_does_not_say_its_length_is_cut_off(site_path):
    with client_of(desk_of(site_path, Rules(most_bytes=20_000))) as page:
        token = token_in(page.get("/import").text)
        edge = "----------edge"
        head = (
            f'--{edge}\r\nContent-Disposition: form-data; name="token"\r\n\r\n{token}\r\n--{edge}\r\n'
            'Content-Disposition: form-data; name="files"; filename="a.csv"\r\n\r\n'
        )

        def body():
            yield head.encode()
            for _ in range(40):
                yield b"1" * 1_000
            yield f"\r\n--{edge}--\r\n".encode()

        kind = f"multipart/form-data; boundary={edge}"
        refused = page.post("/import", content=body(), headers={"Content-Type": kind})
        assert refused.status_code == 413
        assert page.get("/import").text.count("a.csv") == 0


def test_a_form_that_is_none_is_answered_in_words(page):
    bad = page.post(
        "/import", content=b"no form", headers={"Content-Type": "multipart/form-data; boundary=edge"}
    )
    assert bad.status_code in (400, 403)
    assert "Traceback" not in bad.text
    assert page.put("/record").status_code == 405
    assert page.delete("/record/1").status_code == 405


PASSWORD = "open sesame and more"


@pytest.fixture
def locked(site_path):
    with client_of(desk_of(site_path, Rules(password=PASSWORD, own_hosts_only=False))) as client:
        yield client


def log_in(client, password):
    token = token_in(client.get("/login").text)
    return client.post("/login", data={"token": token, "password": password}, follow_redirects=False)


def test_without_the_password_nothing_is_shown_or_done(locked, site_path):
    for path in ("/", "/record", "/download/status.json", "/pictures/axis/values.json"):
        sent = locked.get(path, follow_redirects=False)
        assert (sent.status_code, sent.headers["location"]) == (303, "/login")
    token = token_in(locked.get("/login").text)
    assert record(locked, token).status_code == 403
    assert rows_of(site_path) == []
    assert "Test pier" not in locked.get("/login").text


def test_a_look_is_chosen_before_the_password_and_opens_nothing_and_leads_nowhere_else(locked):
    sent = locked.get("/look/night?to=/login", follow_redirects=False)
    assert (sent.status_code, sent.headers["location"]) == (303, "/login")
    assert set(sent.cookies) == {"drift_look"} and not sent.content
    assert 'data-look="night"' in locked.get("/login").text
    assert locked.get("/", follow_redirects=False).headers["location"] == "/login"
    for elsewhere in (
        "//elsewhere.example",
        "/\\elsewhere.example",
        "/\t/elsewhere.example",
        "https://elsewhere",
    ):
        sent = locked.get("/look/light", params={"to": elsewhere}, follow_redirects=False)
        assert re.match(r"/(?![/\\\t])", sent.headers["location"]), elsewhere
    assert locked.get("/look/other?to=/", follow_redirects=False).headers["location"] == "/login"


def test_a_wrong_password_is_refused_and_the_right_one_opens(locked):
    assert log_in(locked, "wrong").status_code == 403
    assert locked.get("/record", follow_redirects=False).status_code == 303
    inside = log_in(locked, PASSWORD)
    cookie = inside.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert PASSWORD not in cookie
    assert locked.get("/record", follow_redirects=False).status_code == 200


def test_a_made_up_cookie_does_not_open(locked):
    locked.cookies.set("drift_page_8437", "0" * 64)
    assert locked.get("/record", follow_redirects=False).status_code == 303


def test_after_ten_wrong_passwords_none_of_that_address_is_looked_at(locked):
    for _ in range(10):
        assert log_in(locked, "wrong").status_code == 403
    assert log_in(locked, PASSWORD).status_code == 429


def test_a_stranger_who_tries_passwords_out_locks_out_nobody_else():
    rules = Rules(password=PASSWORD)
    for _ in range(50):
        rules.is_password("wrong", "192.168.1.66")
        rules.is_password("wrong", "2001:db8:0:1::7")
    assert rules.is_password(PASSWORD, "192.168.1.66") is None
    assert rules.is_password(PASSWORD, "2001:db8:0:1:ffff::9") is None  # the same household
    assert rules.is_password(PASSWORD, "192.168.1.7") is True
    assert rules.is_password(PASSWORD, "::ffff:192.168.1.7") is True
    assert rules.is_password(PASSWORD, "2001:db8:0:2::7") is True


def test_who_is_in_stays_in_whatever_a_stranger_tries(locked):
    assert log_in(locked, PASSWORD).status_code == 303
    for _ in range(20):
        log_in(locked, "wrong")
    assert locked.get("/record", follow_redirects=False).status_code == 200


def test_logging_out_ends_that_browsers_session_and_no_other(site_path):
    desk = desk_of(site_path, Rules(password=PASSWORD, own_hosts_only=False))
    with client_of(desk) as here, client_of(desk) as there:
        for client in (here, there):
            log_in(client, PASSWORD)
        cookie = here.cookies.get("drift_page_8437")
        text = here.get("/record").text
        assert 'action="/logout"' in text
        assert here.post("/logout", data={"token": "0"}).status_code == 403
        left = here.post("/logout", data={"token": token_in(text)}, follow_redirects=False)
        assert (left.status_code, left.headers["location"]) == (303, "/login")
        here.cookies.set("drift_page_8437", cookie)  # whoever kept it
        assert here.get("/record", follow_redirects=False).status_code == 303
        assert there.get("/record", follow_redirects=False).status_code == 200


def test_without_a_password_there_is_nothing_to_log_out_of(page):
    assert 'action="/logout"' not in page.get("/record").text


@contextmanager
def served(site_path, rules):
    """Serve the page on a socket, and give its address and its port."""
    with listen("127.0.0.1", 0) as listening:
        config = uvicorn.Config(
            make_app(desk_of(site_path, rules)), log_level="error", http=patient_protocol(), ws="none"
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield listening.getsockname()
        finally:
            server.should_exit = True
            thread.join()


def told(address, request, rest=b""):
    """Send something, and return all that comes until the other end closes."""
    with socket.create_connection(address[:2], timeout=PATIENCE_S) as connection:
        connection.sendall(request)
        if rest:
            connection.sendall(rest)
        said = b""
        with suppress(ConnectionError):
            while more := connection.recv(65_536):
                said += more
    return said


def posted(path, length):
    kind = "application/x-www-form-urlencoded"
    head = (f"POST {path} HTTP/1.1", "Host: 127.0.0.1", f"Content-Type: {kind}", f"Content-Length: {length}")
    return "\r\n".join([*head, "", ""]).encode()


def test_a_strangers_body_is_refused_before_it_is_read(site_path, monkeypatch):
    monkeypatch.setattr(app, "_LINGER_S", 0.3)
    with served(site_path, Rules(password=PASSWORD, own_hosts_only=False)) as address:
        for path, status in (("/import", b"403"), ("/login", b"413"), ("/record/1", b"413")):
            said = told(address, posted(path, 150_000_000))  # not one byte of it is sent
            assert said.split()[1] == status, path


def test_a_body_that_is_cut_off_by_its_head_does_not_end_the_next_request(site_path, monkeypatch):
    monkeypatch.setattr(app, "_LINGER_S", 0.3)
    with (
        served(site_path, Rules(password=PASSWORD, own_hosts_only=False)) as address,
        socket.create_connection(address[:2], timeout=PATIENCE_S) as connection,
    ):
        connection.sendall(posted("/record/1", 3) + b"abc")
        time.sleep(0.6)  # longer than what follows a refusal is thrown away
        assert connection.recv(65_536).split()[1] == b"403"
        connection.sendall(b"GET /login HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert connection.recv(65_536).split()[1] == b"200"


@pytest.mark.parametrize("begun", (b"", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "))
def test_a_connection_that_asks_nothing_is_dropped(site_path, monkeypatch, begun):
    monkeypatch.setattr(app, "_HEAD_S", 0.3)
    with served(site_path, Rules()) as address:
        assert told(address, begun) == b""


def test_a_body_that_stalls_is_dropped(site_path, monkeypatch):
    monkeypatch.setattr(guard, "ARRIVAL_S", 0.3)
    monkeypatch.setattr(app, "_LINGER_S", 0.3)
    with served(site_path, Rules()) as address:
        said = told(address, posted("/record/1", 500) + b"token=")
        assert said.split()[1] == b"408"
        assert b"took too long to arrive" in said


def test_one_address_has_no_more_than_its_share_of_connections(site_path, monkeypatch):
    monkeypatch.setattr(app, "_MOST_OF_ONE", 5)
    monkeypatch.setattr(app, "_HEAD_S", PATIENCE_S)
    with served(site_path, Rules()) as address, ExitStack() as held:
        for _ in range(5):
            held.enter_context(socket.create_connection(address[:2]))
        time.sleep(0.3)
        assert told(address, b"GET /login HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n") == b""


def test_a_password_is_needed_where_others_can_reach_the_page():
    own, made = rules_for("127.0.0.1", {}, 200)
    assert (own.password, made, own.own_hosts_only) == ("", "", True)
    for host in ("0.0.0.0", "192.168.1.7", "::", "shed.example"):
        open_rules, made = rules_for(host, {}, 200)
        assert made and open_rules.password == made
        assert len(made) >= LEAST_PASSWORD
    assert rules_for("0.0.0.0", {}, 200)[1] != rules_for("0.0.0.0", {}, 200)[1]
    said, made = rules_for("0.0.0.0", {VARIABLE: PASSWORD}, 200)
    assert (said.password, made) == (PASSWORD, "")
    with pytest.raises(DriftError, match=VARIABLE):
        rules_for("0.0.0.0", {VARIABLE: "short"}, 200)


def test_which_addresses_are_this_machines_own():
    assert all(map(is_loopback, ("127.0.0.1", "127.3.2.1", "::1", "[::1]", "localhost", "LOCALHOST")))
    assert not any(
        map(is_loopback, ("0.0.0.0", "::", "192.168.0.1", "127.0.0.1.example", "localhost.example"))
    )


def test_ten_browsers_and_a_command_write_at_once_without_loss(site_path):
    """Each browser records three corrections of its own; a command records one meanwhile."""
    desk = desk_of(site_path)
    answers = []

    def browse(client, token, number):
        for day in range(1, 4):
            note = f"browser {number} day {day}"
            when = f"2024-04-{day:02d}T10:{number:02d}:00"
            answers.append(record(client, token, when=when, note=note, clock="utc").status_code)
            answers.append(client.get("/record").status_code)

    with client_of(desk) as client:
        token = token_in(client.get("/record/new/tighten").text)
        code = "import sys; from drift.cli.main import main; main(sys.argv[1:])"
        time = "2024-05-01T00:00:00Z"
        said = outside(code, "record", "tighten", "--time", time, "--note", "command", "--pier", site_path)
        command = subprocess.Popen(said, stdout=subprocess.DEVNULL)
        threads = [threading.Thread(target=browse, args=(client, token, k)) for k in range(10)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert command.wait() == 0
    assert set(answers) == {200}
    notes = {row.values["note"] for row in rows_of(site_path)}
    assert notes == {f"browser {k} day {day}" for k in range(10) for day in range(1, 4)} | {"command"}
