"""Piers of one site from their records: what moved them all, and a first winter among neighbours."""

import json
import os
import shutil
import time
from datetime import date, timedelta

import numpy as np
import pytest
from record_world import run

from drift.api import among_neighbours, analyse_readings, open_record, read_site
from drift.nightly import lend_among
from drift.piers.listing import pier_list
from drift.piers.running import Done, Task
from drift.record.engine import now_us
from drift.render.piers import nights_mapping
from drift.workers import named

FIRST = date(2023, 9, 1)
EPOCH = date(1970, 1, 1)
LATITUDE = 47.3
#: Size of the heave [arcsec] and its bearing [deg] of each pier; the last one is young and has no weather.
PIERS = {"east": (45.0, 135.0), "north": (60.0, 130.0), "west": (50.0, 145.0), "young": (52.0, 138.0)}
DAYS = 575  # until the end of March 2025, in the second thaw
YOUNG_FROM = 410


def air(days):
    return 5.0 - 14.0 * np.cos(2.0 * np.pi * (days - 137.0) / 365.25) + 2.0 * np.sin(days * 0.7)


def frost(days):
    """Root of the cold stored in the ground, 1 at its height: cold in, warmth out three times as quickly."""
    store, out = 0.0, []
    for temp in air(np.arange(DAYS + 400.0)):
        store = max(0.0, store - temp * (1.0 if temp < 0.0 else 3.0))
        out.append(np.sqrt(store))
    return np.interp(days, np.arange(len(out)), np.array(out) / max(out))


def tilt(name, days):
    size, bearing = PIERS[name]
    turn = np.radians(bearing)
    return size * frost(days)[:, None] * np.array([np.cos(turn), np.sin(turn)])


def stamp(day, hour):
    return f"{FIRST + timedelta(days=int(day))}T{hour:02d}:00:00Z"


def write_pier(folder, name, seed):
    rng = np.random.default_rng(seed)
    first = YOUNG_FROM if name == "young" else 0
    where = f"latitude_deg = {LATITUDE}\nlongitude_deg = -92.4\nelevation_m = {410 + 2 * seed}\n"
    (folder / "pier.toml").write_text(f'[site]\nname = "{name}"\n{where}[pier]\ndepth_m = 1.0\n')
    nights = np.arange(first, DAYS, 6)
    north, east = tilt(name, nights).T
    az = (east * np.tan(np.radians(LATITUDE)) + rng.normal(0.0, 4.0, nights.size)) / 60.0
    alt = (-north + rng.normal(0.0, 4.0, nights.size)) / 60.0
    rows = [f"{stamp(d, 4)},{a:.4f},{b:.4f},0.08" for d, a, b in zip(nights, az, alt, strict=True)]
    header = "time_utc,az_error_arcmin,alt_error_arcmin,sigma_arcmin"
    (folder / "alignments.csv").write_text("\n".join([header, *rows]) + "\n")
    at = np.arange(first, DAYS, 12)
    shown = tilt(name, at) + rng.normal(0.0, 5.0, (at.size, 2))
    rows = [f"{stamp(d, 17)},{n:.1f},{e:.1f},pier,0,5.0" for d, (n, e) in zip(at, shown, strict=True)]
    header = "time_utc,tilt_north_arcsec,tilt_east_arcsec,place,face_deg,sigma_arcsec"
    (folder / "levels.csv").write_text("\n".join([header, *rows]) + "\n")
    logs = [folder / "alignments.csv", folder / "levels.csv"]
    if name == "east":  # one of them keeps the weather
        days = np.arange(-40, DAYS)
        rows = [
            f"{FIRST + timedelta(days=int(d))},{t - 4:.1f},{t + 4:.1f}"
            for d, t in zip(days, air(days * 1.0), strict=True)
        ]
        (folder / "weather.csv").write_text("\n".join(["date,t_min_c,t_max_c", *rows]) + "\n")
        logs.append(folder / "weather.csv")
    assert run("import", "--pier", folder / "pier.toml", *logs) == 0


@pytest.fixture(scope="module")
def yard(tmp_path_factory):
    folder = tmp_path_factory.mktemp("yard")
    for seed, name in enumerate(PIERS):
        (folder / name).mkdir()
        write_pier(folder / name, name, seed)
    return folder


@pytest.mark.slow
def test_the_list_says_what_moved_them_all(yard, capsys):
    run("piers", "status", yard, "--json")
    common = json.loads(capsys.readouterr().out)["common"]
    assert [one["code"] for one in common] == ["together.moved_together"]
    (one,) = common
    assert one["values"]["piers"] == sorted(PIERS)
    assert one["text"].startswith("All four piers tipped toward the")
    run("piers", "status", yard)
    assert "not one pier" in capsys.readouterr().out.replace("\n", " ")


@pytest.mark.slow
def test_the_weather_of_one_record_serves_the_others_and_all_but_itself_lend(yard):
    path = yard / "young" / "pier.toml"
    site = read_site(path)
    with open_record(site) as record:
        own = record.readings()
    assert own["weather"].empty
    readings, prior, failed = among_neighbours(yard, site, own)
    assert readings["weather"]["day"].min() == (FIRST - EPOCH).days - 40
    assert prior.piers == ("east", "north", "west") and not failed


@pytest.mark.slow
def test_a_first_winter_looks_ahead_by_its_neighbours(yard, capsys):
    path = yard / "young" / "pier.toml"
    months = {}
    for name, more in (("alone", ()), ("among", ("--neighbours", yard))):
        assert run("outlook", "--pier", path, "--json", *more) == 0
        months[name] = json.loads(capsys.readouterr().out)
    assert "borrowed" not in months["alone"]
    (said,) = months["among"]["borrowed"]
    assert said["code"] == "history.borrowed" and said["values"]["piers"] == ["east", "north", "west"]
    assert run("outlook", "--pier", path, "--neighbours", yard) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "is taken from east, north and west" in printed


def test_scoring_goes_without_neighbours(yard, capsys):
    path = yard / "young" / "pier.toml"
    assert run("outlook", "--pier", path, "--score", "--neighbours", yard) == 2
    assert "would still show them" in " ".join(capsys.readouterr().err.split())


# ---- A night of the list: weather that all share, and winters that are lent.


@pytest.fixture(scope="module")
def club(yard, tmp_path_factory):
    """Return the same piers as a list, with a weather log beside them and another that has gone astray."""
    folder = tmp_path_factory.mktemp("club")
    for name in PIERS:
        shutil.copytree(yard / name, folder / name)
    (folder / "weather").mkdir()
    for name in ("weather.csv", "levels.csv"):
        shutil.copy(yard / "east" / name, folder / "weather" / name)
        os.utime(folder / "weather" / name, (time.time() - 3600.0,) * 2)
    (folder / "piers.toml").write_text('files = ["*/pier.toml"]\nweather = ["weather"]\n')
    return folder


def in_this_process(task, piers):
    work = named(task.function)
    return [
        Done(pier=one, result=work(str(one.site_path), name=one.name, **task.of(one).options))
        for one in piers
    ]


def night(club):
    """Do what `drift piers nightly --json` does, without starting processes."""
    found = pier_list(club)
    task = Task("drift.nightly:nightly_of_listed", {"send": False, "weather": found.weather})
    nights = [done.result for done in in_this_process(task, found.piers)]
    return nights_mapping(nights, club, (), lend_among(found.piers, nights, in_this_process, now_us()))


def answer(path, **more):
    site = read_site(path)
    with open_record(site) as record:
        return analyse_readings(site, record.readings(), record, **more).history


@pytest.mark.slow
def test_a_night_shares_the_weather_and_lends_the_winters_of_those_that_have_one(club, capsys):
    path, grown = club / "young" / "pier.toml", club / "west" / "pier.toml"
    data = night(club)
    rows = {one["name"]: one["nightly"]["rows_taken_in"] for one in data["piers"]}
    assert rows == {"east": 0, "north": DAYS + 40, "west": DAYS + 40, "young": DAYS + 40}
    astray = [{"file": "levels.csv", "why": "not_weather"}]
    assert data["weather"] == {"folders_missing": 0, "files_waiting": astray}
    (loan,) = data["lent"]
    assert (loan["pier"], loan["state"], loan["trouble"]) == ("young", "begun", "")
    assert loan["lenders"] == ["east", "north", "west"]
    # the night that lent was itself worked out alone; the answers after it are not
    with open_record(read_site(path)) as record:
        assert len(record.readings()["levels"]) == len(range(YOUNG_FROM, DAYS, 12))
        prior = record.lent_prior()
    assert prior.lenders == ("east", "north", "west")
    borrowed = answer(path)
    assert borrowed.borrowed_from == prior.lenders and not answer(grown).borrowed_from
    shown = next(one for one in data["piers"] if one["name"] == "young")["tilt"]["value"]
    assert shown == pytest.approx(float(np.hypot(*answer(path, alone=True).change[-1, :2])), abs=3.0)

    # the next night: nothing new, and what is lent stands
    data = night(club)
    assert [one["nightly"]["rows_taken_in"] for one in data["piers"]] == [0, 0, 0, 0]
    assert [(one["pier"], one["state"]) for one in data["lent"]] == [("young", "stands")]
    with open_record(read_site(path)) as record:
        assert record.lent_prior() == prior
    assert answer(path).change.tobytes() == borrowed.change.tobytes()
    assert run("piers", "nightly", club, "--no-send", "--workers", "1") == 3
    printed = " ".join(capsys.readouterr().out.split())
    assert printed.count("levels.csv is no weather log") == 1
    assert "Winters lent: to young as told by east, north and west on 20" in printed

    # it is kept to its own from the next answer on, and the next round removes what was lent
    text = path.read_text()
    path.write_text(text.replace("[pier]", "borrow = false\n[pier]"))
    assert not answer(path).borrowed_from
    assert [one["state"] for one in night(club)["lent"]] == ["switched_off"]
    path.write_text(text)
    assert answer(path).change.tobytes() == answer(path, alone=True).change.tobytes()
