"""What neighbours lend, in the record: every answer rests on it and says so, and nothing else changes it."""

import json
import sqlite3
from contextlib import closing

import pytest
from page_world import NIGHTS, SITE, client_of, desk_of, pier_folder
from record_world import run

from drift.api import analyse_readings, note_lent, open_record, read_site
from drift.cache import pack
from drift.codes import ForcingKind
from drift.history.neighbours import Lender, NeighbourPrior, neighbour_prior
from drift.importer.importing import import_files
from drift.notices import HistoryCode, RecordCode
from drift.record import keeping
from drift.render.outlook import brief_sentences
from drift.types import HistoryScales, Measure, YearlyTilt

SINCE_US = 1_730_000_000_000_000  # 2024-10-27
SAYS = "Rests on the winters of 3 neighbours as well, as told on 2024-10-27."
CALENDAR = ForcingKind.CALENDAR


def prior():
    yearly = YearlyTilt(
        size=Measure(value=60.0, sd=3.0),
        bearing_deg=Measure(value=100.0, sd=5.0),
        lag_days=Measure(value=40.0, sd=5.0),  # by the calendar: furthest on 9 February
    )
    scales = HistoryScales(**dict.fromkeys(HistoryScales.__dataclass_fields__, 1.0))
    odds = {CALENDAR: 0.9, ForcingKind.FROZEN: 0.1}
    one = Lender(follows=CALENDAR, forcing_odds=odds, yearly=yearly, scales=scales)
    return neighbour_prior(dict.fromkeys(("east", "north", "west"), one), "mine")


def lend(path, made_us=SINCE_US):
    made = prior()
    note_lent(path, prior=pack(made, NeighbourPrior), lenders=made.piers, made_us=made_us)


def answer(path, **more):
    site = read_site(path)
    with open_record(site) as record:
        return analyse_readings(site, record.readings(), record, **more)


def codes(analysis):
    return [one.code for one in (*analysis.notices, *analysis.history.notices)]


def numbers(analysis):
    return analysis.history.change.tobytes(), analysis.history.sd.tobytes()


@pytest.fixture
def pier(tmp_path):
    return pier_folder(tmp_path)


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    """Return the answer of that pier before anything is lent."""
    return answer(pier_folder(tmp_path_factory.mktemp("alone")))


def test_every_answer_rests_on_it_until_it_ends(pier, alone):
    assert HistoryCode.BORROWED not in codes(alone)
    lend(pier)
    borrowed = answer(pier)
    assert borrowed.history.borrowed_from == ("east", "north", "west")
    assert numbers(borrowed) != numbers(alone)
    assert numbers(borrowed) == numbers(answer(pier, neighbours=prior()))
    (said,) = [one for one in borrowed.history.notices if one.code == HistoryCode.BORROWED]
    assert (said.values["since_us"], said.values["piers"]) == (SINCE_US, ("east", "north", "west"))
    assert numbers(answer(pier, alone=True)) == numbers(alone)
    with open_record(read_site(pier)) as record:  # what is lent is no cache
        record.clear_cache()
        assert record.lent_prior().lenders == ("east", "north", "west")
    note_lent(pier, prior=None)
    assert numbers(answer(pier)) == numbers(alone)


def test_the_site_file_can_keep_a_pier_to_its_own(pier, alone):
    lend(pier)
    pier.write_text(SITE.replace("[plate]", "borrow = false\n[plate]"))
    assert numbers(answer(pier)) == numbers(alone)


def test_every_screen_says_so(pier, capsys):
    run("status", "--pier", pier)
    assert "Rests on" not in capsys.readouterr().out
    lend(pier)
    # the first was cached before
    for words in (["status"], ["status", "--full"], ["nightly", "--no-send"], ["advise"]):
        run(*words, "--pier", pier)
        assert capsys.readouterr().out.count(SAYS) == 1, words
    assert "what its neighbours' winters say" in " ".join(brief_sentences(answer(pier)))
    run("status", "--json", "--pier", pier)
    data = json.loads(capsys.readouterr().out)
    assert SAYS in data["headline"] and "history.borrowed" in [one["code"] for one in data["notices"]]
    assert run("check", "--pier", pier) == 1
    assert SAYS in " ".join(capsys.readouterr().out.split())
    run("check", "--json", "--pier", pier)
    assert "history.borrowed" in [one["code"] for one in json.loads(capsys.readouterr().out)["rests_on"]]
    run("outlook", "--pier", pier)
    assert "is taken from east, north and west, as told on 2024-10-27" in " ".join(
        capsys.readouterr().out.split()
    )


def test_the_page_shows_it_without_a_new_reading(pier):
    with client_of(desk_of(pier)) as client:
        assert "Rests on" not in client.get("/").text
        lend(pier)
        assert SAYS in client.get("/").text


def test_it_goes_along_in_a_backup(pier, tmp_path):
    lend(pier)
    before = numbers(answer(pier))
    assert run("backup", tmp_path / "b.sqlite", "--pier", pier) == 0
    note_lent(pier, prior=None)
    assert run("restore", tmp_path / "b.sqlite", "--pier", pier) == 0
    assert numbers(answer(pier)) == before


@pytest.mark.parametrize("change", ["packed = zeroblob(9)", "made_us = made_us + 1", "lenders = '[\"x\"]'"])
def test_one_that_is_not_what_was_written_is_not_used_and_that_is_said(pier, alone, change):
    lend(pier)
    with closing(sqlite3.connect(pier.parent / "drift-book.sqlite")) as connection, connection:
        connection.execute(f"UPDATE lent SET {change}")
    found = answer(pier)
    assert numbers(found) == numbers(alone)
    assert HistoryCode.LENT_UNREADABLE in codes(found)
    with open_record(read_site(pier)) as record:
        assert keeping.check(record).cache_damaged == 1
        assert record.lent_prior().lenders == ()


def test_a_file_of_before_gets_its_place(pier, alone):
    with closing(sqlite3.connect(pier.parent / "drift-book.sqlite")) as connection, connection:
        connection.execute("DROP TABLE lent")
        connection.execute("DELETE FROM migrations WHERE name LIKE '0013%'")
    assert numbers(answer(pier)) == numbers(alone)
    lend(pier)
    assert answer(pier).history.borrowed_from


# ---- Two site files that name one record.


def two_files(folder, second):
    """Make two site files of one record, the second with other words in [site]."""
    first = pier_folder(folder)
    other = folder / "other"
    other.mkdir()
    place = folder / "drift-book.sqlite"
    text = SITE.replace('name = "Test pier"\n', second)
    (other / "pier.toml").write_text(f'{text}[store]\nurl = "sqlite:///{place}"\n')
    return first, other / "pier.toml"


def test_another_name_on_the_same_record_is_told_by_both(tmp_path, capsys):
    first, other = two_files(tmp_path, 'name = "West yard"\n')
    other.write_text(other.read_text().replace("47.3", "47.301"))
    assert RecordCode.OTHER_SITE_NAME not in codes(answer(first))
    found = answer(other)
    (said,) = [one for one in found.notices if one.code == RecordCode.OTHER_SITE_NAME]
    assert (said.values["record_name"], said.values["site_name"]) == ("Test pier", "West yard")
    assert said.values["metres"] == pytest.approx(111.0, abs=1.0)  # a thousandth of a degree of latitude
    run("status", "--pier", other)
    assert "The record is that of 'Test pier': see `drift status remarks`." in capsys.readouterr().out
    run("status", "remarks", "--pier", other)
    printed = " ".join(capsys.readouterr().out.split())
    assert "'Test pier'" in printed and "'West yard'" in printed and "their readings mix" in printed
    # one pier under a new name
    assert run("site", "--name", "West yard", "--pier", other) == 0
    capsys.readouterr()
    run("status", "--pier", other)
    assert "The record is that of" not in capsys.readouterr().out
    assert RecordCode.OTHER_SITE_NAME in codes(answer(first))


def test_one_without_a_name_takes_the_first_it_is_given(tmp_path):
    first, other = two_files(tmp_path, "")
    first.unlink()
    (tmp_path / "drift-book.sqlite").unlink()
    with open_record(read_site(other)) as record:
        list(import_files(record, [tmp_path / "alignments.csv"]))
    assert len(answer(other).nights.nights) == NIGHTS
    text = other.read_text()
    other.write_text(text.replace("[site]", '[site]\nname = "North"'))
    assert RecordCode.OTHER_SITE_NAME not in codes(answer(other))
    other.write_text(text.replace("[site]", '[site]\nname = "South"'))
    assert RecordCode.OTHER_SITE_NAME in codes(answer(other))
