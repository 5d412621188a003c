"""Use from a notebook: tables in and out, quantities, short tables, pictures, examples in docstrings."""

from __future__ import annotations

import doctest
import importlib
import io
import re
import subprocess
import sys
from contextlib import nullcontext
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import astropy.units as u
import numpy as np
import pandas as pd
import pytest
from astropy.table import QTable
from astropy.time import Time
from invented_analysis import empty, invented
from invented_rich import rich
from matplotlib.figure import Figure

import drift
from drift.errors import DriftError, LogFileError, RowsSetAside, SiteFileError
from drift.notices import NightCode, info
from drift.render.notebook import FRAMES
from drift.render.status_json import as_mapping
from drift.types import Nights

SITE = drift.make_site(47.3, -92.4, 410)
SAMPLES = Path(drift.__file__).parent.parent / "sample_logs"
RICH = rich()


def levels(**more):
    return {
        "time_utc": pd.date_range("2024-01-01", periods=6, freq="14D", tz="UTC"),
        "tilt_north_arcsec": [0.0, 4.0, 9.0, 15.0, 13.0, 8.0],
        "tilt_east_arcsec": [0.0, -2.0, -5.0, -7.0, -6.0, -4.0],
        **more,
    }


HOME = Path(drift.__file__).parent
#: Every module whose docstrings have examples.
WITH_EXAMPLES = [
    ".".join(path.relative_to(HOME.parent).with_suffix("").parts)
    for path in sorted(HOME.rglob("*.py"))
    if re.search(r"^ *>>> ", path.read_text(encoding="utf-8"), re.MULTILINE)
]


@pytest.mark.parametrize("module", WITH_EXAMPLES)
def test_examples_in_docstrings_hold(module):
    found = doctest.testmod(importlib.import_module(module), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert found.failed == 0 and found.attempted > 0


def test_what_a_notebook_calls_has_examples():
    assert "drift.api" in WITH_EXAMPLES


def test_importing_the_package_loads_nothing_heavy():
    code = (
        "import sys, drift; sys.exit(bool({'numpy', 'pandas', 'astropy', 'matplotlib'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_site_takes_quantities_and_numbers_alike():
    plain = drift.make_site(
        -33.9, 18.5, 120, name="South hill", plate={"bolt_bearings_deg": [0, 120, 240], "bolt_circle_mm": 250}
    )
    united = drift.make_site(
        -33.9 * u.deg,
        (18.5 * u.deg).to(u.arcmin),
        0.12 * u.km,
        name="South hill",
        plate={"bolt_bearings": [0, 120, 240] * u.deg, "bolt_circle": 25 * u.cm},
    )
    assert united.site.longitude_deg == pytest.approx(plain.site.longitude_deg)
    assert united.plate == plain.plate and united.site.name == plain.site.name
    assert united.optics.typical_declination_deg == -40.0  # the default of a southern site


def test_a_quantity_of_the_wrong_kind_names_key_value_and_unit():
    with pytest.raises(SiteFileError, match=r"\[site\] elevation_m is 3.0 s, which can't be turned into m"):
        drift.make_site(47.3, -92.4, 3 * u.s)
    with pytest.raises(SiteFileError, match="latitude_deg"):
        drift.make_site(147.3, -92.4, 410)
    with pytest.raises(SiteFileError, match="focal"):
        drift.make_site(47.3, -92.4, 410, optics={"focal": 3 * u.m})


def test_pandas_astropy_and_plain_columns_give_the_same_readings():
    frame = pd.DataFrame(levels())
    table = QTable(
        {
            "time_utc": Time([t.to_datetime64() for t in levels()["time_utc"].tz_convert(None)], scale="utc"),
            "tilt_north": (levels()["tilt_north_arcsec"] * u.arcsec).to(u.arcmin),
            "tilt_east_arcsec": levels()["tilt_east_arcsec"] * u.arcsec,
        }
    )
    as_local = frame.assign(time_utc=frame["time_utc"].dt.tz_convert("America/Chicago"))
    as_text = frame.assign(time_utc=frame["time_utc"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
    expected = drift.readings_of(SITE, levels=frame)["levels"]
    assert expected["time_us"].iloc[1] == 1_705_276_800_000_000  # 2024-01-15T00:00:00Z
    for other in (table, as_local, as_text, levels()):
        pd.testing.assert_frame_equal(drift.readings_of(SITE, levels=other)["levels"], expected)


def test_the_sample_logs_as_frames_are_what_the_reader_makes_of_the_files():
    from drift.ingest.read import read_log
    from drift.ingest.row_check import circumstances

    site = drift.read_site(SAMPLES / "pier.toml")
    for kind in ("weather", "alignments", "sweeps"):
        frame = pd.read_csv(SAMPLES / f"{kind}.csv", comment="#")
        with pytest.warns(RowsSetAside) if kind == "weather" else nullcontext():
            read = drift.readings_of(site, **{kind: frame})[kind]
        log = read_log(SAMPLES / f"{kind}.csv", circumstances(site, 2_000_000_000_000_000))
        for name, values in log.columns.items():
            got = read[name].to_numpy()
            if got.dtype.kind == "f":
                np.testing.assert_allclose(got, np.asarray(values, dtype=float), rtol=1e-12)
            else:
                assert got.tolist() == list(values), (kind, name)


def test_temperatures_pressures_and_gaps_come_through():
    frame = pd.DataFrame({"date": pd.date_range("2024-01-01", periods=3), "t_min_c": [-5.0, np.nan, -7.0]})
    table = {
        "date": frame["date"],
        "t_min_c": np.array([268.15, 267.15, 266.15]) * u.K,
        "t_max": np.array([1.0, 2.0, 3.0]) * u.deg_C,
        "snow": np.array([0.1, 0.0, 0.2]) * u.m,
    }
    read = drift.readings_of(SITE, weather=table)["weather"]
    np.testing.assert_allclose(read["t_min_c"], [-5, -6, -7], atol=1e-9)
    np.testing.assert_allclose(read["snow_cm"], [10, 0, 20])
    assert read["day"].tolist() == [19723, 19724, 19725]  # 2024-01-01 is day 19723 since 1970


def test_rows_that_cannot_be_used_are_warned_of_and_listed():
    frame = pd.DataFrame(levels())
    frame.loc[2, "tilt_north_arcsec"] = 99_999.0
    with pytest.warns(
        RowsSetAside, match="1 row or value was set aside: the table 'levels', line 4"
    ) as warned:
        readings = drift.readings_of(SITE, levels=frame)
    assert len(readings["levels"]) == 5
    (row,) = warned[0].message.rows
    assert (row.column, row.value) == ("tilt_north_arcsec", "99999.0")


def test_times_without_a_zone_are_refused_not_guessed():
    frame = pd.DataFrame(levels()).assign(time_utc=pd.date_range("2024-01-01 03:00", periods=6, freq="14D"))
    with pytest.warns(RowsSetAside, match="no time zone"):
        readings = drift.readings_of(SITE, levels=frame)
    assert len(readings["levels"]) == 0


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        ({"level": levels()}, "no kind of log is called 'level'"),
        ({"levels": {}}, "the table 'levels' is empty"),
        ({"levels": levels(tilt_east_arcsec=[1.0])}, "columns of different lengths"),
        ({"levels": levels(tilt_east_arcsec=[1.0] * 6 * u.s)}, "can't be turned into arcsec"),
        ({"weather": levels()}, "the table 'weather' has the columns of a log of levels"),
    ],
)
def test_a_table_that_cannot_be_used_is_one_clear_paragraph(tables, said):
    with pytest.raises(LogFileError, match=said) as refused:
        drift.readings_of(SITE, **tables)
    assert "\n" not in str(refused.value)


def test_rows_are_numbered_on_across_tables():
    readings = drift.readings_of(
        SITE, levels=levels(), corrections={"time_utc": ["2024-02-01T00:00:00Z"], "kind": ["tighten"]}
    )
    assert readings["levels"]["row_id"].tolist() == [1, 2, 3, 4, 5, 6]
    assert readings["corrections"]["row_id"].tolist() == [7]


@pytest.mark.parametrize("name", FRAMES)
def test_every_table_comes_out_as_pandas_for_any_record(name):
    for analysis in (RICH, invented(47.3, 1), empty()):
        frame = analysis.frame(name)
        assert isinstance(frame, pd.DataFrame)
        for column in frame.columns:
            if str(column).endswith("_utc") and len(frame) and frame[column].notna().any():
                assert str(frame[column].dt.tz) == "UTC"
        frame.to_csv(io.StringIO())


def test_tables_hold_the_numbers_of_the_analysis_under_the_names_of_the_json():
    nights = RICH.frame("nights")
    assert nights["az_error"].tolist() == [n["az_error"] for n in as_mapping(RICH)["nights"]]
    assert (nights["hour_angle_from_deg"] == -60.0).all()
    events = RICH.frame("events")
    assert events.loc[0, "probability_mount_az"] == 0.96 and events.loc[0, "size_mount_az"] == -140.0
    causes = RICH.frame("causes")
    assert causes["cause"].unique().tolist() == [
        "season",
        "settlement",
        "sudden change by 2023-04-16",
        "azimuth correction 2022-02-06",
    ]
    total = causes.groupby("time_utc")[["tilt_north", "mount_az"]].sum().to_numpy()
    np.testing.assert_allclose(total, RICH.history.change[:, [0, 4]], atol=1e-9)
    left = RICH.frame("left_over")
    assert set(left["coordinate"]) == {"azimuth", "altitude"} and len(left) == 320
    assert RICH.frame("corrections")["asked"].isna().sum() == 3
    with pytest.raises(DriftError, match="no table 'night'; the tables are nights, history"):
        RICH.frame("night")


def test_an_analysis_shows_a_short_table_and_no_thousand_nights():
    text = repr(RICH)
    assert text.splitlines()[0] == "Hill garden: axis and pier"
    assert "Verdict" in text and "What to do" in text and "Axis in azimuth" in text
    assert len(text.splitlines()) < 20


class _Cells(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.words = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)

    def handle_data(self, data):
        self.words.append(data)


def test_the_short_table_is_escaped_html():
    nasty = replace(
        RICH,
        site=RICH.site.model_copy(update={"site": RICH.site.site.model_copy(update={"name": "<script>x"})}),
    )
    cells = _Cells(nasty._repr_html_())
    assert set(cells.tags) == {"table", "caption", "tbody", "tr", "th", "td"}
    assert cells.words[0] == "<script>x: axis and pier"


def test_a_picture_shows_itself_and_goes_into_axes_that_are_given():
    drawn = RICH.plot("pier")
    assert isinstance(drawn, Figure) and "<svg" in drawn._repr_svg_()
    sheet = Figure()
    axes = sheet.subplots()
    assert RICH.plot("corrections", axes) is sheet and len(axes.lines) > 3
    assert RICH.plot("axis", width_in=3.6).get_figwidth() == 3.6
    with pytest.raises(DriftError, match="no picture 'piers'"):
        RICH.plot("piers")


def test_the_whole_way_from_tables_to_a_picture():
    analysis = drift.analyse_tables(SITE, levels=levels())
    assert analysis.frame("history")["tilt_north"].iloc[-1] == pytest.approx(
        8.0, abs=6.0
    )  # level readings: 12 arcsec
    assert analysis.plot("tilt").axes
    assert "tilt" in repr(analysis)


def test_nights_and_a_history_show_short_tables_and_no_arrays():
    nights, history = repr(RICH.nights), repr(RICH.history)
    count = len(RICH.nights.nights)
    assert nights.splitlines()[0] == f"{count} nights of readings"
    assert f"{count} of {count}" in nights and "Half are better than" in nights
    assert history.splitlines()[0] == f"History of {len(RICH.history.time_us)} readings"
    assert "Pier tilt since the start" in history and "toward the" in history
    assert len(nights.splitlines()) < 12 and len(history.splitlines()) < 15
    for result in (RICH.nights, RICH.history):
        assert {"table", "caption", "tr", "th", "td"} <= set(_Cells(result._repr_html_()).tags)
    nasty = replace(RICH.nights, notices=(info(NightCode.ONE_TUBE_SIDE, tube_side="<script>x"),))
    assert "<script>" not in nasty._repr_html_() and "&lt;script&gt;x" in nasty._repr_html_()


def test_nights_and_a_history_draw_themselves():
    assert "<svg" in RICH.nights.plot(RICH.site)._repr_svg_()
    assert RICH.history.plot(RICH.site).axes[0].get_ylabel() == "[arcsec]"
    one = RICH.history.plot(RICH.site, "event-1", width_in=3.6)
    assert one.get_figwidth() == 3.6
    sheet = Figure()
    axes = sheet.subplots()
    assert RICH.history.plot(RICH.site, "seasons", axes) is sheet and axes.lines
    with pytest.raises(DriftError, match="'tilt' has nothing to show of this result alone"):
        RICH.nights.plot(RICH.site, "tilt")
    with pytest.raises(DriftError, match="no picture 'piers'"):
        RICH.history.plot(RICH.site, "piers")


def test_empty_results_show_and_say_that_there_is_nothing():
    nobody = empty()
    assert "0 of 1" in repr(nobody.nights)
    assert "no yearly swing can be told" in repr(nobody.history)
    with pytest.raises(DriftError, match="No night shows where the axis points yet"):
        nobody.nights.plot(nobody.site)
    assert repr(Nights(nights=(), instruments=(), set_aside=())).splitlines()[0] == "0 nights of readings"


@pytest.mark.parametrize("name", FRAMES)
def test_frames_name_their_units_and_a_table_with_units_is_one_call_away(name):
    frame, table = RICH.frame(name), RICH.qtable(name)
    units = frame.attrs["units"]
    assert table.colnames == list(frame.columns) and len(table) == len(frame)
    for column in frame.columns:
        plain = re.search(r"number|row|used|aside|probability|turns|utc$", column)
        if pd.api.types.is_float_dtype(frame[column]) and not plain:
            assert column in units, f"{name}: {column} is a number without a unit"
        if column in units:
            assert str(table[column].unit) == units[column]
            np.testing.assert_array_equal(table[column].value, frame[column].astype(float))
        if column.endswith("_utc") and len(frame) and frame[column].notna().all():
            assert (
                isinstance(table[column], Time)
                and table[column][0].isot[:19] == frame[column].iloc[0].isoformat()[:19]
            )


def test_a_table_with_units_of_a_wrong_name_names_those_there_are():
    with pytest.raises(DriftError, match="the tables are nights, history"):
        RICH.qtable("nonsense")


def public_results():
    history = RICH.history
    yield from (RICH, RICH.nights, history, RICH.advice, RICH.advice.verdict, RICH.site)
    yield from (*RICH.nights.nights[:1], *history.events[:1], *history.corrections[:1], *history.winters[:1])
    yield from (history.east_tilt_from_mount_azimuth, *RICH.advice.actions[:1])
    yield from (one for one in (history.seasonal, history.lasting, history.forecast) if one is not None)
    yield drift.readings_of(SITE, levels=pd.DataFrame(levels()))


@pytest.mark.parametrize("result", list(public_results()), ids=lambda one: type(one).__name__)
def test_every_result_shows_itself_in_words_and_not_in_field_names(result):
    plain, html = repr(result), result._repr_html_()
    assert html.startswith("<table>") and html.endswith("</table>")
    assert len(plain.splitlines()) < 40 and str(result) == plain
    words = plain.replace(str(getattr(result, "path", "")), "")
    assert not re.search(r"\b[a-z]+_[a-z_]+=|\barray\(|np\.|<Part|datetime", words), plain


def test_a_record_shows_what_it_is_of(tmp_path):
    (tmp_path / "pier.toml").write_text(
        '[site]\nname = "Hill"\nlatitude_deg = 47\nlongitude_deg = 9\nelevation_m = 400\n'
    )
    with drift.open_record(drift.read_site(tmp_path / "pier.toml")) as record:
        assert "Hill" in repr(record) and str(tmp_path) in repr(record)
