"""Every code of an import has a sentence, and a notice is the same after it was written down."""

import inspect
import re
from collections.abc import Callable

import pytest

from drift.codes import AlsoWritten
from drift.ingest import places, row_check, values
from drift.ingest.mapping import PlaceFrame
from drift.ingest.sky_evidence import FrameVerdict
from drift.ingest.times import DateOrder, TimeForm
from drift.ingest.values import SideMeans
from drift.notices import (
    Code,
    ImageCode,
    IngestCode,
    MappingCode,
    NightCode,
    Notice,
    RecordCode,
    as_value,
    info,
    notice_of,
    text_of,
    warning,
)
from drift.render import import_words
from drift.render.notices import sentence

#: One notice of each code whose sentence depends on its values; the others need none.
WITH_VALUES = [
    info(IngestCode.KIND_BY_COLUMNS, columns=("date", "t_min_c", "t_max_c")),
    info(IngestCode.MAPPING_KEPT, mapping="my solver", file="logs.toml"),
    info(IngestCode.MAPPING_AGREED, mapping="my solver", file="logs.toml"),
    info(IngestCode.IMAGES_SOLVED, images=1, solved=1),
    info(IngestCode.IMAGES_SOLVED, images=1200, solved=1190),
    warning(IngestCode.NOTED_AS_TEXT, text="must be from -90 to 90 degrees"),
    warning(IngestCode.TOO_MANY_CELLS, cells=7, header_cells=6),
    warning(IngestCode.BELOW_OTHER_HEADER, header_line=120),
    warning(IngestCode.JSON_BROKEN, error="Expecting value: line 1 column 1 (char 0)"),
    warning(IngestCode.BLANK_FOR_KIND, kind="shim"),
    warning(IngestCode.NOT_ONE_OF, allowed=("east", "west")),
    row_check.SIGMA.reason(-1.0),
    row_check.station_pressure(410.0).reason(1060.0),
    warning(IngestCode.NUMBER_IN_OTHER_UNIT, unit="hours"),
    warning(IngestCode.TIME_NOT_IN_FORM, form="JD"),
    warning(IngestCode.TIME_NOT_IN_ORDER, order="day month year"),
    warning(IngestCode.HOUR_LEFT_OUT, zone="Europe/Berlin"),
    warning(IngestCode.DATE_NOT_IN_ORDER, order="day month year"),
    warning(IngestCode.MIN_ABOVE_MAX, t_max_c=-3.5),
    warning(IngestCode.ROW_FAR_FROM_MOUNT, apart_deg=61.3),
    warning(IngestCode.REST_FAR_FROM_MOUNT, image="a.fits"),
    warning(IngestCode.REST_BELOW_HORIZON, rows=12, of_rows=40),
    info(IngestCode.COLUMNS_UNUSED, columns=("airmass", "temp_d"), meant_for=("", "temp_c")),
    info(IngestCode.COLUMNS_OF_ARRAYS, columns=("matrix",)),
    info(IngestCode.READ_AS_WESTERN, line=2),
    info(IngestCode.DELIMITER, delimiter=";"),
    info(IngestCode.LINES_SKIPPED, lines=3),
    info(IngestCode.LINES_WITHOUT_VALUES, lines=3),
    info(IngestCode.LIST_READ, key="log.entries"),
    info(IngestCode.SHEET_READ, sheet="Nights", sheets=2),
    warning(IngestCode.SIDES_OPPOSITE, across=0.98),
    info(IngestCode.COMMENTS_SKIPPED, lines=1),
    warning(IngestCode.PRESSURE_OF_SEA_LEVEL, median_hpa=1012.0, usual_hpa=954.6, elevation_m=500.0),
    info(IngestCode.SETS_LABELLED, solves=24, columns=("sweep",)),
    info(
        IngestCode.WITHOUT_MOUNT,
        solves=40,
        sweeps=1,
        solves_of_sweeps=9,
        sweeps_because=as_value(info(NightCode.ON_ONE_CIRCLE, fields=9, turned_deg=63.0, scatter_arcsec=4.0)),
        left=31,
        left_because=as_value(warning(NightCode.NOT_ON_SWEEP)),
    ),
    warning(IngestCode.DAYS_LACKING, days=50, of_days=101, first_day=18831, last_day=18931),
    warning(IngestCode.DAY_WITH_GAP, rows=14, hours=11.0),
    info(IngestCode.HOURS_TO_DAYS, rows=86, days=4),
    warning(
        IngestCode.IN_FAHRENHEIT,
        median_c=17.0,
        usual_c=(-17.0, 4.0),
        turned_c=-8.0,
        rows=20,
        all_set_aside=True,
    ),
    warning(
        IngestCode.IN_FAHRENHEIT,
        median_c=17.0,
        usual_c=(-17.0, 4.0),
        turned_c=-8.0,
        rows=20,
        all_set_aside=False,
    ),
    warning(IngestCode.BEHIND_HORIZON, rows=12, of_rows=80, margin_deg=3.0, cures_h=(1, 2)),
    warning(IngestCode.BEHIND_HORIZON, rows=12, of_rows=80, margin_deg=3.0, cures_h=()),
    warning(IngestCode.EXCHANGED, columns=("ra_deg", "dec_deg"), rows=30),
    warning(IngestCode.WRONG_SIGN, columns=("dec_deg",), opposite=("dec_deg", "mount_dec_deg"), rows=14),
    warning(IngestCode.IN_HOURS, columns=("ra_deg",), seen=places.HoursSeen.BY_MOUNT, rows=40),
    info(IngestCode.MAY_BE_HOURS, columns=("ra_deg", "mount_ra_deg"), rows=20),
    warning(IngestCode.FAR_FROM_MOUNT, solves=30, of_solves=40, limit_deg=30.0),
    warning(
        IngestCode.BELOW_HORIZON,
        rows=30,
        of_rows=60,
        latitude_deg=47.3,
        longitude_deg=92.4,
        zone="America/Chicago",
        all_set_aside=True,
        cures=tuple(places.Cure),
    ),
    warning(IngestCode.ONE_FRAME, share=0.02, share_sd=0.01),
    warning(IngestCode.FRAMES_EXCHANGED, share=-1.0, share_sd=0.01),
    warning(IngestCode.OTHER_PIERS_FILE, site_file="/home/me/other/pier.toml"),
    warning(ImageCode.UNREADABLE, error="Permission denied"),
    warning(ImageCode.HEADER_UNREADABLE, error_type="ValueError", error="no"),
    warning(ImageCode.GZIP_BROKEN, error="CRC check failed"),
    warning(ImageCode.NO_END, blocks=1000),
    warning(ImageCode.AXES_BROKEN, keyword="NAXIS", value=-1),
    warning(ImageCode.NO_PICTURE, axes=(100,)),
    warning(ImageCode.NO_PLANE, axes=(8, 8, 3)),
    warning(ImageCode.WCS_BROKEN, error="Linear transformation matrix is singular"),
    warning(ImageCode.WCS_NOT_OF_SKY, types=("WAVE", "PIXEL")),
    warning(ImageCode.COORDINATES_NOT_READ, coordinates="ELON"),
    warning(ImageCode.RADESYS_NOT_READ, radesys="GAPPT"),
    warning(ImageCode.NO_EXPOSURE, keyword="DATE-OBS", value="x", wanted=("EXPTIME", "DATE-END")),
    warning(ImageCode.NO_TIME_OF_DAY, keyword="DATE-OBS", value="2024-03-01"),
    warning(ImageCode.NO_DATE, keyword="DATE-OBS", value="yesterday"),
    warning(ImageCode.NO_SUCH_DAY, keyword="DATE-OBS", value="2024-02-30T01:00:00"),
    warning(ImageCode.NO_SUCH_TIME, keyword="DATE-OBS", value="2024-02-03T25:00:00"),
    warning(ImageCode.BAD_EXPOSURE, keyword="EXPTIME", value="-3"),
    warning(
        ImageCode.MIDDLE_BEFORE_START,
        keyword="DATE-AVG",
        value="a",
        start_keyword="DATE-OBS",
        start_value="b",
    ),
    warning(ImageCode.Z_IN_OTHER_SCALE, keyword="DATE-OBS", value="2024-03-01T00:00:00Z", scale="TAI"),
    warning(ImageCode.SCALE_NOT_READ, scale="LOCAL", known=("UTC", "TT")),
    warning(ImageCode.TIME_OF_ELSEWHERE, place="BARYCENTER"),
    warning(ImageCode.MOUNT_UNREADABLE, keyword="RA", value="at the pole"),
    warning(ImageCode.OF_OTHER_SITE, apart_km=7021.4),
    info(ImageCode.TIMES_FROM, keywords=("DATE-OBS",), images=(40,), scales=("TT",)),
    warning(ImageCode.NO_MOUNT, images=4, of_images=4, keywords=("RA", "DEC")),
    warning(
        ImageCode.FAR_SITE,
        images=4,
        of_images=4,
        apart_km=12000.0,
        latitude_deg=47.3,
        longitude_deg=92.4,
        site_latitude_deg=47.3,
        site_longitude_deg=-92.4,
        set_aside_beyond_km=None,
        longitude_sign=True,
    ),
    info(ImageCode.MOUNT_IN_HOURS, keyword="RA"),
    warning(ImageCode.WRITTEN_BACK, images=39, of_images=40, keywords=("RA", "DEC"), all_taken_so=True),
    info(ImageCode.FRAME_SAID, keywords=("RA", "DEC"), frame="of date"),
    info(ImageCode.FRAME_FOUND, keywords=("RA", "DEC"), frame="ICRS", share=0.01, share_sd=0.02),
    warning(
        ImageCode.FRAME_UNKNOWN, keywords=("RA", "DEC"), of_date_apart_arcmin=21.1, icrs_apart_arcmin=3.2
    ),
    warning(ImageCode.NO_SIDE, keyword="PIERSIDE", values=("up",)),
    info(ImageCode.SIDE_MEANS, keyword="PIERSIDE", means=values.ON, across=0.98),
    warning(ImageCode.SIDE_UNUSED, keyword="PIERSIDE", across=0.5),
    info(ImageCode.KEYWORDS_KEPT, section="fits", file="logs.toml"),
    info(RecordCode.SAME_DAY, rows=1),
    info(RecordCode.SAME_READING, rows=4),
    info(RecordCode.WITHDRAWN_STAYS, rows=2),
    info(RecordCode.SETTLED_SINCE, rows=1),
    warning(RecordCode.LEVELS_FAR_OFF, place="pier", apart_arcsec=900.0),
    warning(
        RecordCode.LEVEL_UNLIKE_LAST,
        apart_arcsec=1499.6,
        tilt_arcsec=(0.42, -0.1),
        usual_arcsec=(1500.0, -300.0),
    ),
    warning(RecordCode.CORRECTION_UNLIKE_ADVICE, kind="azimuth", amount_arcmin=150.0, advised_arcmin=-3.7),
    warning(RecordCode.NOW_BEFORE_LAST, now_us=1_700_000_000_000_000, last_us=1_710_000_000_000_000),
    warning(RecordCode.ROWS_DAMAGED, changed=3, files=("a.csv", "b.csv"), lines=(4, 9), missing=0),
    warning(RecordCode.ROWS_DAMAGED, changed=0, files=(), lines=(), missing=2),
    warning(RecordCode.LOGS_DOUBTED, rows=2497, of_rows=2530, below_horizon=True),
    warning(RecordCode.LOGS_DOUBTED, rows=40, of_rows=120, below_horizon=False),
    warning(RecordCode.OTHER_SITE_NAME, record_name="Hill", site_name="West yard", metres=1234.5),
    info(RecordCode.ROW_COMPLETED, line=7),
    warning(RecordCode.READ_OTHERWISE, rows=8, imports=(1, 4)),
]
EVERY_CODE: list[Code] = [*IngestCode, *ImageCode, *RecordCode]
#: The same of what is asked and decided of a table with columns of its own.
ABOUT_COLUMNS = [
    info(MappingCode.IS_IT_SLIP, column="dec_deg", name="dec_dge"),
    info(MappingCode.WHICH_COLUMN, column="dec_deg"),
    info(MappingCode.IS_IT_MOUNTS, names=("RA (deg)", "RA 2")),
    info(MappingCode.WHICH_UNIT, name="Az error", cell="1,5", divisions=False),
    info(MappingCode.WHICH_UNIT, name="north", cell="", divisions=True),
    info(MappingCode.WHICH_FRAME, verdict=FrameVerdict.ONE_FRAME),
    info(MappingCode.WHICH_FRAME, verdict=FrameVerdict.UNKNOWN),
    info(MappingCode.WHICH_FRAME_OF_IMAGES, keywords=("RA", "DEC")),
    info(MappingCode.IS_CLOCK_RIGHT, cell="2024-07-01 22:00 EST", clock="EST", zone="America/New_York"),
    info(MappingCode.CLOCK_ALL_YEAR, offset_h=-5.0),
    info(MappingCode.CLOCKS_SHOW, clock="EST"),
    info(MappingCode.IS_IT_THIS_PIERS, site_file="/home/me/other/pier.toml"),
    info(MappingCode.WHICH_READING, rows=1240, imports=(3, 5)),
    info(MappingCode.REPLACE_READING, imports=(3,)),
    info(MappingCode.KIND, kind="runs"),
    info(MappingCode.KIND, kind="solves", lacking=("ra_deg", "dec_deg")),
    info(MappingCode.CELL, cell="03/04/2024"),
    info(MappingCode.DATE_READ, cell="03/04/2024", day=19_816),
    info(MappingCode.BELOW_HORIZON, share=0.01, clear=True),
    info(MappingCode.BELOW_HORIZON, share=0.31, clear=False),
    info(MappingCode.FRAME, frame="of_date", apart_arcmin=3.21),
    info(MappingCode.FRAME, frame="ICRS"),
    info(MappingCode.FRAME, frame="mean_of_date", apart_arcmin=None),
    info(MappingCode.OWN_BUT_SLIPS, columns=("dec_dge",)),
    info(MappingCode.ALL_COLUMNS_OF, kind="alignments"),
    info(MappingCode.HOLDS_KINDS, column="what"),
    info(MappingCode.MOST_COLUMNS_OF, kind="levels"),
    info(MappingCode.NAMED_TWICE, name="Temp"),
    info(MappingCode.SEVERAL_COLUMNS, column="temp_c", names=("Temp 1", "Temp 2")),
    info(MappingCode.HOLDS, holds=("dates", "times_of_day")),
    info(MappingCode.HOLDS, holds=("dates",), order="day_month_year"),
    info(MappingCode.ELSE_BELOW_HORIZON, share=0.31),
    info(MappingCode.LOOKS_ACROSS, share=0.97),
    info(MappingCode.TIMES_15_AGREES, column="mount_ra_deg"),
]


def one_of(code: Code) -> list[Notice]:
    return [one for one in (*WITH_VALUES, *ABOUT_COLUMNS) if one.code is code] or [warning(code)]


@pytest.mark.parametrize("code", [*EVERY_CODE, *MappingCode])
def test_every_code_has_a_sentence(code: Code) -> None:
    for notice in one_of(code):
        words = sentence(notice)
        assert words.strip() == words
        assert words
        assert not words.endswith(".") or code in MappingCode  # a question may go on after its mark
        assert not re.search(r"\bNone\b|<|\{|\}", words)


@pytest.mark.parametrize("notice", WITH_VALUES, ids=lambda one: str(one.code))
def test_a_notice_written_down_is_the_same(notice: Notice) -> None:
    back = notice_of(text_of(notice))
    assert back == notice
    assert type(back.code) is type(notice.code)
    assert sentence(back) == sentence(notice)


def test_how_notices_of_an_import_are_worded(approved: Callable[[str, str], None]) -> None:
    approved(
        "notices of an import",
        "\n".join(f"{one.code}: {sentence(one)}" for code in EVERY_CODE for one in one_of(code)),
    )


def test_how_a_table_with_columns_of_its_own_is_talked_about(approved: Callable[[str, str], None]) -> None:
    approved(
        "questions of an import",
        "\n".join(f"{one.code}: {sentence(one)}" for code in MappingCode for one in one_of(code)),
    )


@pytest.mark.parametrize(
    ("written", "member"),
    [
        ("of date", PlaceFrame.OF_DATE),
        ("Mean of date", PlaceFrame.MEAN),
        ("J2000", PlaceFrame.ICRS),
        ("the side the tube is on", SideMeans.ON),
        ("the side the tube looks to", SideMeans.LOOKS),
        ("day month year", DateOrder.DMY),
        ("Unix seconds", TimeForm.UNIX_SECONDS),
        ("spreadsheet days", TimeForm.SPREADSHEET_DAYS),
    ],
)
def test_what_earlier_versions_wrote_is_still_read(written: str, member: AlsoWritten) -> None:
    assert type(member)(written) is member
    assert not type(member).has("poems")


def test_a_long_value_is_shortened_and_its_length_told() -> None:
    words = import_words.value_words("x" * 70_000)
    assert len(words) < 100
    assert "70,000 characters" in words


def test_no_room_that_reads_logs_matches_its_own_sentences() -> None:
    """A sentence of a reason stands in the rendering room alone."""
    from drift.ingest import fits_images, fits_log, kinds, read, row_check

    for module in (row_check, fits_images, fits_log, kinds, places, read, values, row_check):
        source = inspect.getsource(module)
        assert not re.search(r"reason\.(startswith|replace|split|removeprefix)", source), module.__name__
