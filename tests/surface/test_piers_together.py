"""Piers of one site from their records: what moved them all, and a first winter among neighbours."""

import json
from datetime import date, timedelta

import numpy as np
import pytest
from record_world import run

from drift.api import among_neighbours, open_record, read_site

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
