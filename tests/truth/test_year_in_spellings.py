"""A year of the demo, exported as people keep logs, gives the status of the plain files to rounding."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from drift.cli.main import cli
from drift.demo.files import write_solves
from drift.ingest.read import read_log
from drift.ingest.row_check import Circumstances
from drift.sky.of_date import apparent_place

SAMPLES = Path(__file__).parents[2] / "sample_logs"
FIRST_US, LAST_US = (int(np.datetime64(day, "us").astype(np.int64)) for day in ("2024-02-01", "2025-02-01"))
NOW_US = int(np.datetime64("2026-10-01", "us").astype(np.int64))
#: The sample's site; its own zone has no summer time, so that the logs are kept in another one here.
SITE = Circumstances(52.4, 83.1, 215.0, NOW_US)
ZONE = "Europe/Berlin"
#: The spellings keep places to 0.1 mas and times to 0.01 ms (0.15 mas of sky): nothing better is asked.
ARCSEC = 0.002
#: Of the verdict; its values hold numbers to the last digit, which its sentence rounds.
SAID = ("moved", "part", "code", "sentence")
KEYS = ("az_error", "az_error_sd", "alt_error", "alt_error_sd", "zero", "zero_sd")

Write = Callable[[pd.DataFrame, Path], list[str]]


def good_rows() -> pd.DataFrame:
    """Return the rows of the sample's solves of one year that go in."""
    log = read_log(SAMPLES / "solves.csv", SITE)
    names = (
        "time_us",
        "ra_deg",
        "dec_deg",
        "mount_ra_deg",
        "mount_dec_deg",
        "tube_side",
        "temp_c",
        "pressure_hpa",
    )
    table = pd.DataFrame({name: log.columns[name] for name in names})
    third = table.time_us // 86_400_000_000 % 3 == 0  # every third night, for the sake of time
    return table[third & (table.time_us >= FIRST_US) & (table.time_us < LAST_US)].reset_index(drop=True)


def moments(table: pd.DataFrame) -> pd.DatetimeIndex:
    return pd.to_datetime(table.time_us, unit="us", utc=True).dt


def plain(table: pd.DataFrame, path: Path) -> list[str]:
    out = table.drop(columns="time_us")
    out.insert(0, "time_utc", moments(table).strftime("%Y-%m-%dT%H:%M:%S.%fZ"))
    out.to_csv(path, index=False)
    return []


def semicolons(table: pd.DataFrame, path: Path) -> list[str]:
    local = moments(table).tz_convert(ZoneInfo(ZONE)).dt
    out = pd.DataFrame(
        {
            "Datum": local.strftime("%d.%m.%Y"),
            "Uhrzeit": local.strftime("%H:%M:%S,%f"),
            "RA": table.ra_deg,
            "Dec": table.dec_deg,
            "RA Montierung": table.mount_ra_deg,
            "Dec Montierung": table.mount_dec_deg,
            "Rohr: pier side": table.tube_side.str.capitalize(),
            "Temperatur °C": table.temp_c,
            "Luftdruck hPa": table.pressure_hpa,
        }
    )
    out.to_csv(path, index=False, sep=";", decimal=",", encoding="cp1252")
    return ["--answer", f"time.zone={ZONE}"]


def sixty(values: np.ndarray, hours: bool) -> list[str]:
    """Write angles in parts of sixty to a tenth of a milliarcsecond."""
    digits = 6 if hours else 5
    texts = []
    for value in values:
        whole = round(abs(value) / (15.0 if hours else 1.0) * 3600 * 10**digits)
        rest, part = divmod(whole, 10**digits)
        minutes, seconds = divmod(rest, 60)
        units, minutes = divmod(minutes, 60)
        sign = "" if hours else ("-" if value < 0 else "+")
        texts.append(
            f"{sign}{units % 24 if hours else units:02d}:{minutes:02d}:{seconds:02d}.{part:0{digits}d}"
        )
    return texts


def sexagesimal_of_date(table: pd.DataFrame, path: Path) -> list[str]:
    ra, dec = apparent_place(table.time_us.to_numpy(), table.ra_deg.to_numpy(), table.dec_deg.to_numpy())
    out = pd.DataFrame(
        {
            "solved RA JNow": sixty(ra, hours=True),
            "solved Dec JNow": sixty(dec, hours=False),
            "mount RA JNow": sixty(table.mount_ra_deg.to_numpy(), hours=True),
            "mount Dec JNow": sixty(table.mount_dec_deg.to_numpy(), hours=False),
            "tube side": table.tube_side,
            "Temp F": (table.temp_c * 1.8 + 32.0).round(2),
            "Pressure inHg": (table.pressure_hpa / 33.863886).round(6),
        }
    )
    days = [divmod(us + 43_200_000_000, 86_400_000_000) for us in table.time_us]
    out["JD (UTC)"] = [f"{2_440_587 + day}.{round(rest / 86_400e6 * 10**10):010d}" for day, rest in days]
    out.to_csv(path, index=False, sep="\t")
    return []


def ecsv(table: pd.DataFrame, path: Path) -> list[str]:
    from astropy import units
    from astropy.table import QTable

    QTable(
        {
            "obs_time": moments(table).strftime("%Y-%m-%dT%H:%M:%S.%fZ").to_numpy(str),
            "ra": table.ra_deg.to_numpy() / 15.0 * units.hourangle,
            "dec": table.dec_deg.to_numpy() * 3600.0 * units.arcsec,
            "mount_ra": table.mount_ra_deg.to_numpy() * units.deg,
            "mount_dec": np.radians(table.mount_dec_deg.to_numpy()) * units.rad,
            "side": table.tube_side.to_numpy(str),
            "temp": (table.temp_c.to_numpy() + 273.15) * units.K,
            "pressure": table.pressure_hpa.to_numpy() * 100.0 * units.Pa,
        }
    ).write(path, format="ascii.ecsv")
    return []


def images(table: pd.DataFrame, path: Path) -> list[str]:
    write_solves(table, path)
    return ["--answer", "fits.pressure_hpa=PRESSURE"]


#: Name of the file or folder -> who writes it.  Another spelling needs one function and a line here.
SPELLINGS: dict[str, Write] = {
    "semicolons.csv": semicolons,
    "of_date.tsv": sexagesimal_of_date,
    "table.ecsv": ecsv,
    "images": images,
}


def status(folder: Path, write: Write, name: str) -> dict:
    """Import the year in one spelling beside the sample's other logs, and return the status."""
    folder.mkdir()
    pier = folder / "pier.toml"
    pier.write_bytes((SAMPLES / "pier.toml").read_bytes())
    options = write(good_rows(), folder / name)
    yes = [] if write is plain else ["--yes"]
    command = ["import", str(folder / name), "--pier", str(pier), "--json", *options, *yes]
    result = CliRunner().invoke(cli, command, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["went_in"] == len(good_rows())
    result = CliRunner().invoke(cli, ["status", "--json", "--pier", str(pier)], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    analysis: dict = json.loads(result.stdout)
    return analysis


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> dict:
    return status(tmp_path_factory.mktemp("plain") / "pier", plain, "plain.csv")


@pytest.mark.parametrize("name", SPELLINGS)
def test_the_status_is_the_same(name: str, expected: dict, tmp_path: Path) -> None:
    found = status(tmp_path / "pier", SPELLINGS[name], name)
    assert len(found["nights"]) == len(expected["nights"]) > 15
    for night, same in zip(found["nights"], expected["nights"], strict=True):
        for key in KEYS:
            if same[key] is None:
                assert night[key] is None
            else:
                assert night[key] == pytest.approx(same[key], abs=ARCSEC), (night["time_utc"], key)
    assert [found["verdict"][key] for key in SAID] == [expected["verdict"][key] for key in SAID]
    assert [one["do"] for one in found["actions"]] == [one["do"] for one in expected["actions"]]
