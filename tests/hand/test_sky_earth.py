"""The Earth-rotation table: small tables by hand, what is said past the end, and no network."""

import socket
import subprocess
import sys
from pathlib import Path

import astropy_iers_data
import numpy as np
import pytest

from drift.errors import DriftError
from drift.notices import SkyCode
from drift.render.notices import sentence
from drift.sky.place import observed
from drift.sky.time_scales import (
    ARCSEC,
    EarthRotation,
    LeapSeconds,
    calendar_date,
    installed_earth_rotation,
    read_earth_rotation,
)

MJD_1970 = 40_587
DAY_US = 86_400_000_000
LEAP = LeapSeconds(np.array([41_317, 57_754]), np.array([36.0, 37.0]), expires_mjd=58_000)


def small_table():
    """Five days about the leap second at the end of 2016-12-31 (MJD 57753)."""
    ut1 = np.array([-0.401, -0.402, 0.597, 0.596, 0.595])
    return EarthRotation(57_752, ut1, np.array([0.1, 0.2, 0.3, 0.4, 0.5]), np.zeros(5), LEAP)


def at(table, mjd, fraction):
    return table.at(np.array([mjd]), np.array([fraction]))


def test_a_straight_line_between_days():
    state = at(small_table(), 57_752, 0.5)
    assert state.ut1_minus_utc_s[0] == pytest.approx(-0.4015)
    assert state.xp_rad[0] / ARCSEC == pytest.approx(0.15)
    assert state.tai_minus_utc_s[0] == 36.0


def test_no_jump_before_a_leap_second_comes():
    assert at(small_table(), 57_753, 0.75).ut1_minus_utc_s[0] == pytest.approx(-0.40275)
    after = at(small_table(), 57_754, 0.0)
    assert (after.ut1_minus_utc_s[0], after.tai_minus_utc_s[0]) == (0.597, 37.0)


def test_before_the_table_the_first_value_holds():
    state = at(small_table(), 57_000, 0.3)
    assert state.ut1_minus_utc_s[0] == -0.401
    assert state.xp_rad[0] / ARCSEC == pytest.approx(0.1)


def test_past_the_table_ut1_goes_on_at_its_mean_rate_and_the_pole_stands_still():
    # The mean rate of the five days is -1 ms a day; ten days on it is 0.595 - 0.010.
    state = at(small_table(), 57_766, 0.0)
    assert state.ut1_minus_utc_s[0] == pytest.approx(0.585)
    # IERS Conventions (2010) v1.3.0 eq. 21 at 2017.03: 55.0 + 1.677 * 17.03, 320.5 + 3.460 * 17.03 mas.
    assert state.xp_rad[0] / ARCSEC == pytest.approx(0.0836, abs=1e-4)
    assert state.yp_rad[0] / ARCSEC == pytest.approx(0.3794, abs=1e-4)


def test_ut1_never_strays_further_than_utc_lets_it():
    assert at(small_table(), 80_000, 0.0).ut1_minus_utc_s[0] == -0.9


def test_inside_the_table_nothing_is_said():
    # Its last day begins at 0h; from then on nothing is known.
    assert small_table().what_is_lost(np.arange(57_752, 57_756)) == ()
    assert small_table().what_is_lost(np.array([], dtype=np.int64)) == ()


def test_one_sentence_says_what_is_lost_after_the_end():
    (lost,) = small_table().what_is_lost(np.array([57_752, 57_755 + 366]))
    said = sentence(lost)
    # 366 days past the last value: 0.05 s + 0.4 s a year.
    assert said == (
        "The installed Earth-rotation table ends on 2017-01-03 and the latest reading is of 2018-01-03, "
        "12 months later; by then UT1 may be off by up to 0.45 s (7 arcsec in the hour-angle zero, nothing "
        "in the axis) and polar motion by up to 0.4 arcsec; a leap second since 2017-09-04 is not known "
        "here and would shift the hour-angle zero by 15 arcsec; update the package astropy-iers-data when "
        "this machine is online."
    )
    (five_years,) = small_table().what_is_lost(np.array([57_756 + 1826]))
    assert "5.0 years later; by then UT1 may be off by up to 1.80 s (27 arcsec" in sentence(five_years)
    (at_once,) = small_table().what_is_lost(np.array([57_756]))
    assert "1 day later" in sentence(at_once)
    assert "leap second" not in sentence(at_once)  # 57 756 is before their table's end


def test_one_sentence_when_only_the_leap_seconds_have_ended():
    table = EarthRotation(57_990, *(np.zeros(100) for _ in range(3)), LEAP)
    assert table.what_is_lost(np.array([57_999])) == ()
    (lost,) = table.what_is_lost(np.array([58_000]))
    said = sentence(lost)
    assert said.startswith("The leap-second table has ended: a leap second since 2017-09-04 is not known")


def test_one_sentence_before_the_beginning():
    (lost,) = small_table().what_is_lost(np.array([57_000]))
    said = sentence(lost)
    assert "begins on 2016-12-30 and the earliest reading is of 2014-12-09" in said
    assert "27 arcsec in the hour-angle zero, nothing in the axis" in said
    assert len(small_table().what_is_lost(np.array([57_000, 58_100]))) == 2


def finals_row(mjd, ut1="", flag="I", bulletin_b=("", "", "")):
    """Lay out one row as the readme of finals2000A counts the columns (from 1)."""
    row = [" "] * 187
    for first, text in (
        (8, f"{mjd:8.2f}"),
        (17, flag),
        (19, " 0.100000"),
        (38, " 0.300000"),
        (58, flag),
        (59, f"{ut1:>10}"),
        (135, f"{bulletin_b[0]:>10}"),
        (145, f"{bulletin_b[1]:>10}"),
        (155, f"{bulletin_b[2]:>11}"),
    ):
        row[first - 1 : first - 1 + len(text)] = text
    return "".join(row)


def test_bulletin_b_is_taken_where_it_is_given_and_empty_days_are_left(tmp_path):
    path = tmp_path / "finals"
    rows = [
        finals_row(57_752, "-0.4010000", bulletin_b=(".110000", ".310000", "-.4011000")),
        finals_row(57_753, "-0.4020000"),
        finals_row(57_754, "0.5970000", flag="P").rstrip(),
        finals_row(57_755, "", flag=" "),
    ]
    path.write_text("\n".join(rows) + "\n")
    table = read_earth_rotation(path, LEAP)
    assert (table.first_mjd, table.last_mjd) == (57_752, 57_754)
    assert table.ut1_minus_utc_s.tolist() == [-0.4011, -0.402, 0.597]
    assert table.xp_arcsec.tolist() == [0.11, 0.1, 0.1]
    assert table.yp_arcsec.tolist() == [0.31, 0.3, 0.3]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "<html>no table</html>\n",
        finals_row(57_752, "0.1") + "\n" + finals_row(57_754, "0.1") + "\n",
        finals_row(57_752, "0.1") + "\n" + finals_row(57_753, "zero") + "\n",
    ],
)
def test_a_spoilt_table_is_named(tmp_path, text):
    path = tmp_path / "finals2000A.all"
    path.write_text(text)
    with pytest.raises(DriftError, match="finals2000A.all.*astropy-iers-data"):
        read_earth_rotation(path, LEAP)


@pytest.mark.parametrize("years", [-60, 0, 1, 5])
def test_any_date_works_offline_and_without_a_warning(monkeypatch, years):
    def refuse(*_args, **_kwargs):
        raise AssertionError("the network was asked for")

    monkeypatch.setattr(socket, "socket", refuse)
    monkeypatch.setattr(socket, "create_connection", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    installed_earth_rotation.cache_clear()
    last = installed_earth_rotation().last_mjd - 1
    time_us = (last - MJD_1970 + round(365.25 * years)) * DAY_US
    sky = observed(47.3, -92.4, 410.0, time_us, 10.0, 60.0, 5.0, 960.0)
    assert np.linalg.norm(sky.enu) == pytest.approx(1.0)
    assert len(sky.notices) == 1
    assert str(calendar_date(last + round(365.25 * years))) in sky.notices[0].values.values() or years == 0


def test_a_table_that_has_run_out_moves_nothing_by_more_than_it_says():
    whole = installed_earth_rotation()
    rows = 57_800 - whole.first_mjd  # ends 2017-02
    cut = EarthRotation(
        whole.first_mjd,
        whole.ut1_minus_utc_s[:rows],
        whole.xp_arcsec[:rows],
        whole.yp_arcsec[:rows],
        LeapSeconds(whole.leap_seconds.mjd, whole.leap_seconds.tai_minus_utc_s, 57_900),
    )
    time_us = np.arange(57_700, 57_800 + 5 * 365, 20) - MJD_1970
    place = (47.3, -92.4, 410.0, time_us * DAY_US, 30.0, 89.0, 5.0, 960.0)
    full, short = observed(*place, earth=whole), observed(*place, earth=cut)
    assert full.notices == ()
    (ended,) = short.notices
    assert ended.code is SkyCode.AFTER_EARTH_TABLE
    assert ended.values["days_later"] / 365.25 == pytest.approx(4.95, abs=0.1)
    assert "4.9 years later" in sentence(ended) or "5.0 years later" in sentence(ended)
    known = time_us + MJD_1970 < 57_799
    np.testing.assert_array_equal(full.enu[known], short.enu[known])
    years = np.maximum(time_us + MJD_1970 - 57_799, 0) / 365.25
    worst_s = np.minimum(0.05 + 0.4 * years, 1.8)
    turn = np.angle(np.exp(1j * (full.last_rad - short.last_rad))) / ARCSEC
    assert np.all(np.abs(turn) <= 15.05 * worst_s)
    assert np.abs(turn).max() > 0.1  # there was something to lose


def test_astropy_is_not_even_loaded():
    # What is never imported can't be switched to download, nor have its settings changed.
    code = (
        "import sys; from drift.sky.place import observed; "
        "observed(47.3, -92.4, 410.0, 1_700_000_000_000_000, 10.0, 60.0, 5.0, 960.0); "
        "sys.exit('astropy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], cwd=Path(__file__).parents[2]).returncode == 0


def test_the_installed_files_are_where_they_are_looked_for():
    assert Path(astropy_iers_data.IERS_A_FILE).is_file()
    assert installed_earth_rotation().first_mjd == 41_684  # 1973-01-02
