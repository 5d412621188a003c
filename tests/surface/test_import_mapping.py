"""Tables with columns of their own, through the command: questions, proposals, what is kept."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from record_world import SOLVES_HEADER, run, site_file, solve_rows

from drift.cli import import_logs
from drift.errors import LogFileError
from drift.ingest.mapping import MappingFile, parse_mappings
from drift.ingest.units import Unit, UnitName

Capture = pytest.CaptureFixture[str]
HEADER = "Time (UTC);RA;Dec;Scope RA JNow;Scope Dec JNow;Remark"


def write_table(folder: Path, name: str = "mine.csv", header: str = HEADER, count: int = 12) -> Path:
    rows = [row.split(",") for row in solve_rows(40, step_s=600.0)[:count]]
    lines = [";".join([row[0].replace("T", " ").rstrip("Z"), *row[1:5], "fine"]) for row in rows]
    path = folder / name
    path.write_text("\n".join([header, *lines]) + "\n")
    return path


def imported(folder: Path, *arguments: str | Path) -> int:
    if not (folder / "pier.toml").exists():
        site_file(folder)
    return run("import", *arguments, "--pier", folder / "pier.toml")


def test_a_script_is_shown_the_proposal_and_how_to_take_it(tmp_path: Path, capsys: Capture) -> None:
    assert imported(tmp_path, write_table(tmp_path)) == 2
    told = capsys.readouterr().err
    assert "could be read so" in told
    assert told.count("for example") == 3
    assert "Add --yes to read it so" in told
    assert not (tmp_path / "logs.toml").exists()


def test_taken_once_it_is_kept_and_never_asked_again(tmp_path: Path, capsys: Capture) -> None:
    assert imported(tmp_path, write_table(tmp_path), "--yes", "--mapping", "evening") == 0
    told = capsys.readouterr()
    assert "12 rows went in" in told.out
    assert "not used, but kept with each row as it came: Remark" in told.out
    assert "for example" in told.err
    more = write_table(tmp_path, "more.csv", count=15)
    assert imported(tmp_path, more) == 0
    told = capsys.readouterr()
    assert "by the mapping 'evening' in logs.toml" in told.out
    assert "3 rows went in, 12 were there already" in told.out
    assert told.err == ""


def test_what_is_kept_reads_back_as_it_was_and_leaves_the_rest_alone(tmp_path: Path) -> None:
    remark = '# my own remark\n[fits]\nmount_ra = "OBJCTRA"\n'
    (tmp_path / "logs.toml").write_text(remark)
    assert imported(tmp_path, write_table(tmp_path), "--yes") == 0
    text = (tmp_path / "logs.toml").read_text()
    assert text.startswith(remark.rstrip())
    (mapping,) = MappingFile.beside(tmp_path / "pier.toml").mappings.values()
    assert mapping.columns["ra_deg"].columns == ("RA",)
    assert mapping.columns["ra_deg"].unit == Unit(UnitName.DEGREES)
    assert mapping.time.zone == "UTC"
    assert (mapping.places, mapping.mount_places) == ("ICRS", "of_date")


def test_a_mapping_that_an_earlier_version_kept_is_read_and_not_asked_again(
    tmp_path: Path, capsys: Capture
) -> None:
    (tmp_path / "logs.toml").write_text(
        '[tables."evening"]\nkind = "solves"\n'
        'header = ["Time (UTC)", "RA", "Dec", "Scope RA JNow", "Scope Dec JNow", "Remark"]\n'
        'time_utc = {from = "Time (UTC)", order = "year month day", zone = "UTC"}\n'
        'ra_deg = {from = "RA", unit = "degrees"}\ndec_deg = {from = "Dec", unit = "degrees"}\n'
        'mount_ra_deg = {from = "Scope RA JNow", unit = "degrees"}\n'
        'mount_dec_deg = {from = "Scope Dec JNow", unit = "degrees"}\n'
        'places = "ICRS"\nmount_places = "of date"\n'
    )
    assert imported(tmp_path, write_table(tmp_path)) == 0
    assert "by the mapping 'evening' in logs.toml" in capsys.readouterr().out


def test_questions_are_listed_with_their_choices(tmp_path: Path, capsys: Capture) -> None:
    log = tmp_path / "a.csv"
    log.write_text("Date;Az error;Alt error\n03/04/2024 21:00:00;1,5;-2\n05/04/2024 22:00:00;1,25;-1\n")
    assert imported(tmp_path, log) == 2
    told = capsys.readouterr().err
    assert "4 things can't be decided from the file" in told
    assert "time.order: in which order are the parts of a date?" in told
    assert "az_error_arcmin.unit: in which unit is 'Az error' (such as 1,5)?" in told
    assert "time.zone: in which time zone are the times?  Choices: UTC | America/Chicago | ..." in told
    answers = ["time.order=day month year", "az_error_arcmin.unit=arcmin", "alt_error_arcmin.unit=arcsec"]
    options = [part for answer in [*answers, "time.zone=Europe/Berlin"] for part in ("--answer", answer)]
    assert imported(tmp_path, log, *options, "--yes", "--json") == 0
    assert json.loads(capsys.readouterr().out)["went_in"] == 2


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        ("time.zone=Mars/Olympus", "is no time zone"),
        ("nonsense=1", "'nonsense' was not asked"),
        ("mount_places=B1950", "none of ICRS, of_date, mean_of_date"),
        ("ra_deg=Where", "the file has no such column"),
        ("ra_deg.unit=parsec", "none of degrees, hours"),
        ("kind=poems", "none of solves"),
    ],
)
def test_a_wrong_answer_is_told(tmp_path: Path, capsys: Capture, answer: str, says: str) -> None:
    header = HEADER.replace(" (UTC)", "")
    assert imported(tmp_path, write_table(tmp_path, header=header), "--answer", answer, "--yes") == 2
    assert says in capsys.readouterr().err
    assert not (tmp_path / "logs.toml").exists()


def test_an_answer_without_a_value_is_a_usage_error(tmp_path: Path, capsys: Capture) -> None:
    assert imported(tmp_path, write_table(tmp_path), "--answer", "kind") == 2
    assert "is not KEY=VALUE" in capsys.readouterr().err


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """A person at a terminal, who says what the test puts into the list."""
    says: list[str] = []
    monkeypatch.setattr(import_logs, "_is_terminal", lambda: True)
    monkeypatch.setattr(
        import_logs.click, "prompt", lambda text, default="", err=False: says.pop(0) or default
    )
    monkeypatch.setattr(
        import_logs.click, "confirm", lambda text, default=False, err=False: says.pop(0) == "y"
    )
    yield says
    assert not says


def test_at_a_terminal_what_is_open_is_asked_and_the_guess_confirmed(
    tmp_path: Path, capsys: Capture, terminal: list[str]
) -> None:
    header = HEADER.replace(" (UTC)", "").replace(" JNow", "")
    terminal += ["7", "Nowhere", "UTC", "1", "y", "my mount"]  # 7 and Nowhere are no zones: asked again
    assert imported(tmp_path, write_table(tmp_path, header=header, count=5)) == 0
    told = capsys.readouterr()
    assert "in which time zone are the times?" in told.err
    assert "Write a number from 1 to 2" in told.err
    assert "time.zone=Nowhere is no time zone" in told.err
    assert "kept as the mapping 'my mount'" in told.out


def test_a_guess_that_is_not_confirmed_is_not_used(
    tmp_path: Path, capsys: Capture, terminal: list[str]
) -> None:
    terminal += ["n"]
    assert imported(tmp_path, write_table(tmp_path)) == 2
    assert "was not agreed to" in capsys.readouterr().err
    assert not (tmp_path / "logs.toml").exists()


def test_the_contracts_own_headers_ask_nothing(tmp_path: Path, capsys: Capture, terminal: list[str]) -> None:
    log = tmp_path / "own.csv"
    log.write_text("\n".join([SOLVES_HEADER, *solve_rows(4)]))
    assert imported(tmp_path, log) == 0
    assert "4 rows went in" in capsys.readouterr().out
    assert not (tmp_path / "logs.toml").exists()


GOOD = """[tables.a]
kind = "alignments"
header = ["when", "az", "alt"]
time_utc = {from = "when", zone = "UTC"}
az_error_arcmin = {from = "az", unit = "arcsec"}
alt_error_arcmin = {from = "alt", unit = "arcsec"}
"""


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('kind = "alignments"', 'kind = "poems"', "line 2: kind of the mapping 'a' says 'poems'"),
        (
            'unit = "arcsec"}\nalt',
            'unit = "stone"}\nalt',
            "line 5: az_error_arcmin of the mapping 'a' has the unit 'stone'",
        ),
        ('zone = "UTC"', 'zone = "Mars"', "line 4: time_utc of the mapping 'a' has the zone 'Mars'"),
        ('alt_error_arcmin = {from = "alt", unit = "arcsec"}', "", "lacks alt_error_arcmin"),
        ("az_error_arcmin", "azimuth", "is no column of a log of alignments"),
        ('{from = "az", unit = "arcsec"}', '"az"', "must be such as {from"),
        ("[tables.a]", "[tables.a", "is not valid TOML"),
        ('header = ["when", "az", "alt"]', "", "must be the list of the file's column names"),
        ('zone = "UTC"', 'zome = "UTC"', "has 'zome', which is none of"),
    ],
)
def test_a_wrong_mapping_names_its_line(old: str, new: str, says: str) -> None:
    assert parse_mappings(GOOD, "logs.toml")
    with pytest.raises(LogFileError) as caught:
        parse_mappings(GOOD.replace(old, new, 1), "logs.toml")
    assert says in str(caught.value)


def test_a_named_mapping_that_does_not_fit_the_file_is_told(tmp_path: Path, capsys: Capture) -> None:
    site_file(tmp_path)
    (tmp_path / "logs.toml").write_text(GOOD)
    assert imported(tmp_path, write_table(tmp_path), "--mapping", "a") == 2
    assert (
        "the mapping names the column alt, az, when, which the file does not have" in capsys.readouterr().err
    )


def test_two_mappings_for_one_header_are_not_chosen_between(tmp_path: Path, capsys: Capture) -> None:
    site_file(tmp_path)
    (tmp_path / "logs.toml").write_text(GOOD + GOOD.replace("[tables.a]", "[tables.b]"))
    log = tmp_path / "x.csv"
    log.write_text("when,az,alt\n2024-03-01 22:00:00,90,30\n")
    assert imported(tmp_path, log) == 2
    assert "has several mappings for this header (a, b)" in capsys.readouterr().err
    assert imported(tmp_path, log, "--mapping", "b") == 0


# ---- the contract's own columns but for a slip of the keys


def write_own(folder: Path, old: str, new: str, count: int = 5) -> Path:
    path = folder / "mine.csv"
    path.write_text("\n".join([SOLVES_HEADER.replace(old, new), *solve_rows(40)[:count]]) + "\n")
    return path


@pytest.mark.parametrize(
    ("column", "slip"),
    [("mount_dec_deg", "mount_dec_dge"), (",dec_deg", ",decdeg"), ("time_utc", "time_utv")],
)
def test_a_slip_in_a_name_is_asked_about_first_and_nothing_else(
    column: str, slip: str, tmp_path: Path, capsys: Capture
) -> None:
    path = write_own(tmp_path, f"{column}", slip)
    column, slip = column.strip(","), slip.strip(",")
    assert imported(tmp_path, path) == 2
    told = capsys.readouterr().err
    assert "one thing can't be decided" in told
    assert f"  {column}: the column {slip} is taken as {column}: is it?  Choices: {slip} (yes) | none" in told
    assert imported(tmp_path, path, "--yes", "--answer", f"{column}={slip}") == 0
    told = capsys.readouterr()
    assert "5 rows went in" in told.out
    assert imported(tmp_path, write_own(tmp_path, "nothing", "", 6)) == 0
    assert "1 row went in, 5 were there already" in capsys.readouterr().out


def test_a_slip_that_is_none_leaves_the_file_out(tmp_path: Path, capsys: Capture) -> None:
    path = write_own(tmp_path, "mount_dec_deg", "mount_dec_dge")
    assert imported(tmp_path, path, "--yes", "--answer", "mount_dec_deg=none") == 2
    assert "mount_dec_dge is not mount_dec_deg, which then lacks" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("slip", "asked"), [("exposure_ms", False), ("expossure_s", True), ("exptime", False)]
)
def test_a_spare_column_with_a_slip_is_pointed_out(
    slip: str, asked: bool, tmp_path: Path, capsys: Capture
) -> None:
    path = write_own(tmp_path, SOLVES_HEADER, f"{SOLVES_HEADER},{slip}")
    path.write_text(
        "\n".join(line if at == 0 else f"{line},3" for at, line in enumerate(path.read_text().splitlines()))
        + "\n"
    )
    imported(tmp_path, path)
    assert (f"{slip} (is it meant for exposure_s?)" in " ".join(capsys.readouterr().out.split())) == asked


def test_a_name_that_stands_twice_is_refused_and_not_asked_about(tmp_path: Path, capsys: Capture) -> None:
    path = write_table(tmp_path, header="Time (UTC);RA;Dec;Dec;Scope Dec JNow;Remark")
    assert imported(tmp_path, path) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert "the header names Dec more than once, so that it is not clear which column is meant." in told
    assert "Choices" not in told
    own = tmp_path / "own.csv"
    own.write_text("\n".join([SOLVES_HEADER.replace("mount_ra_deg", "dec_deg"), *solve_rows(3)]) + "\n")
    assert imported(tmp_path, own) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert "names dec_deg more than once" in told and "Choices" not in told
