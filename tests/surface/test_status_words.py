"""`drift status` in words: how things stand first, signs as words, safe on every terminal."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from invented_analysis import empty, invented, night, us
from rich.console import Console

from drift.cli.status import NAMES
from drift.notices import NightCode, info
from drift.render import phrases
from drift.render.headline import headline
from drift.render.phrases import clock_text, evening_of, zone_of
from drift.render.status import LINES, SECTIONS, as_text, print_words, sections
from drift.render.tables import axis, causes
from drift.render.tables.axis import Table
from drift.types import CorrectionFound


@pytest.fixture(scope="module")
def analysis():
    return invented()


def whole(analysis, width=80, waiting=()):
    """Return all that status can say."""
    return as_text(analysis, width, waiting, names=None)


@pytest.fixture(scope="module")
def text(analysis):
    return whole(analysis)


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_headline_stands_first_then_what_to_do(text):
    heads = ("Axis 1.06' ±", "WHAT TO DO", "TAKE CARE", "WHERE THINGS STAND", "WHAT MOVED, AND WHEN")
    places = [text.index(head) for head in heads]
    assert places == sorted(places)
    assert places[0] < 250


WAITING = [
    f"The axis passed its limit of 2' on 2024-0{month}-01 and has not come back since then."
    for month in range(1, 9)
]


@pytest.mark.parametrize("waiting", [(), WAITING[:2], WAITING])
def test_the_first_screen_fits_a_small_terminal(analysis, waiting):
    for answer in (analysis, empty(), invented(47.3, 1), invented(-34.0, 5)):
        lines = as_text(answer, 80, waiting).splitlines()
        assert len(lines) <= LINES and max(map(len, lines)) <= 80
        said = headline(answer).lines
        assert lines[1 : 1 + len(said)] == list(said)  # each on a line of its own
        assert ("8 WARNINGS WAITING" in lines) == (len(waiting) == 8)
        assert not waiting or WAITING[0] in flat(" ".join(lines))


def test_no_sentence_stands_twice_on_a_screen(analysis):
    for answer, names in product((analysis, empty(), invented(-34.0, 5)), (None, ())):
        words = flat(as_text(answer, 100_000, WAITING, names))
        told = [one for one in re.split(r"(?<=[.:;]) ", words) if len(one) > 40]
        assert [one for one in told if told.count(one) > 1] == []


def test_sections_may_be_asked_for_by_name(analysis):
    words = as_text(analysis, names=["corrections", "nights"])
    assert "CORRECTIONS" in words and "THE LAST 8 NIGHTS" in words
    assert "WHAT TO DO" not in words
    assert {one.name for one in sections(analysis, WAITING)} <= set(SECTIONS)
    assert tuple(SECTIONS) == NAMES


@pytest.mark.parametrize("width", [80, 60, 40])
@pytest.mark.parametrize("names", [None, ()])
def test_is_plain_and_no_wider_than_asked(analysis, width, names):
    plain = as_text(analysis, width, names=names)
    assert "\x1b" not in plain
    assert max(map(len, plain.splitlines())) <= width
    assert all(line == line.rstrip() for line in plain.splitlines())


def test_a_terminal_gets_the_same_words_in_bold_and_colour(analysis, text):
    written = io.StringIO()
    console = Console(file=written, width=80, force_terminal=True, color_system="standard")
    print_words(analysis, console, names=None)
    assert "\x1b[1mWHAT TO DO" in written.getvalue()
    assert "\x1b[1;33mAxis 1.06' ±" in written.getvalue()  # too near its limit to call: yellow
    bare = re.sub(r"\x1b\[[\d;]*m", "", written.getvalue())
    assert flat(bare) == flat(text)


def test_who_wants_no_colour_gets_none(analysis):
    written = io.StringIO()
    console = Console(file=written, width=80, force_terminal=True, color_system="standard", no_color=True)
    print_words(analysis, console, WAITING)
    assert not re.search(r"\x1b\[[\d;]*3\d", written.getvalue())


def test_a_note_can_neither_colour_nor_command_a_terminal(text):
    assert "\x1b" not in text
    assert "[red]half[/red]" in flat(text)  # taken as written, not as markup


def test_every_part_of_the_analysis_is_there(text):
    words = flat(text)
    for said in (
        "1.19' ± 0.07' west of the pole",
        "0.69' ± 0.05' too low",
        "from the true pole (limit 1')",
        'swings by 16" ± 1" from end to end toward the north-east (bearing 31°)',
        "furthest in mid-February",
        '2.4" ± 0.4" a year toward the north-east',
        "mount in azimuth, very probable",
        "seen on one night only so far",
        "pier 50 %, mount in azimuth 40 %",
        "asked 2.00' east, found 1.87' ± 0.10' east; did it work? yes",
        "bolts tightened",
        "North tilt from the mount's altitude: partly",
        "5 level readings on the pier top",
        "THE LAST 8 NIGHTS",
        "false_alarms_per_year",
        "Take the load off",
        "The leap-second table has ended",
        "3 readings went in but were not used",
        "disagrees with the night's other readings",
    ):
        assert said in words, said


def test_times_are_the_sites_with_utc_said(text):
    assert "Times are those of Europe/Vienna, UTC in brackets." in flat(text)
    assert "2023-04-09 23:00 CEST (21:00 UTC)" in flat(text)


def test_an_analysis_without_an_axis_says_so(analysis):
    words = flat(whole(empty()))
    assert "Axis in azimuth not known" in words
    assert "no yearly swing can be told" in words
    assert "nan" not in words.lower()
    assert "one pointing solve: it can only fix the zeros" in words


def test_the_first_night_claims_no_change():
    assert "this is the first night; changes count from here" in flat(whole(invented(47.3, 1)))


def test_only_the_latest_of_many_events_are_told_and_the_rest_counted(analysis):
    many = replace(analysis.history, events=analysis.history.events[:1] * 20)
    words = whole(replace(analysis, history=many))
    assert "\n20. Between" in words
    assert "\n 8. Between" not in words
    assert "8 earlier ones are in `drift report`" in flat(words)


# signs: az_error is clockwise positive, which is east of a north pole and west of a south pole
@pytest.mark.parametrize(
    ("az_error", "latitude", "side"),
    [(60.0, 47.0, "east"), (-60.0, 47.0, "west"), (60.0, -34.0, "west"), (-60.0, -34.0, "east")],
)
def test_azimuth_in_words(az_error, latitude, side):
    assert phrases.azimuth_words(az_error, 6.0, latitude) == f"1.00' ± 0.10' {side} of the pole"


def test_altitude_tilt_and_mount_in_words():
    assert phrases.altitude_words(-48.0, 6.0) == "0.80' ± 0.10' too low"
    assert phrases.altitude_words(48.0, 6.0) == "0.80' ± 0.10' too high"
    assert phrases.tilt_words(-12.0, 3.0, "north", "south") == '12" ± 3" toward the south'
    assert phrases.tilt_words(1.0, 3.0, "north", "south").endswith("(may be none)")
    assert phrases.mount_azimuth_words(60.0, 3.0, -34.0) == '60" ± 3" clockwise, the axis going west'
    assert phrases.mount_altitude_words(-60.0, 3.0) == '60" ± 3", the axis going down'


def test_a_tilt_as_one_angle_and_bearing():
    # 3-4-5: north 30, east 40 make 50 toward atan2(40, 30) = 53.13 degrees
    assert phrases.whole_tilt(30.0, 40.0, 5.0, 5.0) == '50" ± 5" toward the north-east (bearing 53°)'
    assert "too little to name a direction" in phrases.whole_tilt(3.0, 4.0, 5.0, 5.0)


@pytest.mark.parametrize("value", [None, np.nan, np.inf])
def test_what_is_not_known_is_said_to_be_not_known(value):
    assert phrases.any_angle(value, 1.0) == "not known"
    assert phrases.azimuth_words(value, 1.0, 47.0) == "not known"
    assert phrases.altitude_words(value, 1.0) == "not known"
    assert phrases.plain_pair(value, 1.0) == "–"
    assert phrases.any_angle(12.0, value) == '12.0" (uncertainty not known)'


@pytest.mark.parametrize(
    ("value", "sd", "said"),
    [
        (12.34, 0.86, "12.3 ± 0.9"),
        (12.34, 8.6, "12.3 ± 8.6"),
        (1234.0, 86.0, "1234 ± 86"),
        (-0.01, 0.5, "0.0 ± 0.5"),
    ],
)
def test_no_more_decimals_than_the_uncertainty_deserves(value, sd, said):
    assert phrases.plain_pair(value, sd) == said


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (0.999, "almost certain"),
        (10 / 11, "very probable"),
        (0.7, "probable"),
        (0.4, "possible"),
        (0.1, "improbable"),
    ],
)
def test_odds_in_words(probability, said):
    assert phrases.likely(probability) == said


def test_day_of_year_in_words():
    assert phrases.day_of_year_words(1) == "early January"
    assert phrases.day_of_year_words(45) == "mid-February"
    assert phrases.day_of_year_words(366) == "late December"


def test_harmless_leaves_letters_and_takes_controls():
    assert phrases.harmless("pié\n\tr \x1b[2J\u202e\x00ok") == "pié r [2J ok"


def test_a_kind_without_an_amount_shows_none():
    tight = CorrectionFound(
        time_us=us(2024, 1, 1), kind="tighten", asked=None, found=None, found_sd=None, held=None
    )
    assert (causes.asked_words(tight, 47.0), causes.found_words(tight, 47.0)) == ("–", "–")
    blank = CorrectionFound(
        time_us=us(2024, 1, 1), kind="altitude", asked=None, found=-90.0, found_sd=6.0, held=True
    )
    assert causes.asked_words(blank, 47.0) == "amount not given"
    assert causes.found_words(blank, 47.0) == "1.50' ± 0.10' down"


@pytest.mark.parametrize(
    ("k", "mark"), [(0, "a"), (25, "z"), (26, "aa"), (51, "az"), (52, "ba"), (701, "zz"), (702, "aaa")]
)
def test_marks_of_corrections(k, mark):
    assert causes.correction_mark(k) == mark


def test_a_table_refuses_a_row_of_the_wrong_length():
    with pytest.raises(ValueError, match="'Nights': row .* has not 2 cells"):
        Table("Nights", ("a", "b"), (("1",),))


def test_a_night_is_named_after_its_evening():
    # 150 degrees east are 10 hours: local mean noon is at 02:00 UTC, midnight at 14:00 UTC
    assert evening_of(us(2024, 1, 1, 3), 150.0).isoformat() == "2024-01-01"
    assert evening_of(us(2024, 1, 1, 15), 150.0).isoformat() == "2024-01-01"
    assert evening_of(us(2024, 1, 1, 1), 150.0).isoformat() == "2023-12-31"
    # 90 degrees west are 6 hours: noon is at 18:00 UTC, and 04:00 UTC is still the evening before
    assert evening_of(us(2024, 1, 1, 19), -90.0).isoformat() == "2024-01-01"
    assert evening_of(us(2024, 1, 1, 4), -90.0).isoformat() == "2023-12-31"


def test_clock_says_utc_and_its_date_when_that_differs():
    assert (
        clock_text(us(2024, 2, 11, 21), zone_of("Australia/Sydney"))
        == "2024-02-12 08:00 AEDT (02-11 21:00 UTC)"
    )
    assert clock_text(us(2024, 2, 11, 21), zone_of(None)) == "2024-02-11 21:00 UTC"


def test_the_plate_is_told_only_when_it_tilted(analysis):
    assert "Plate" not in whole(analysis)
    change = analysis.history.change.copy()
    change[50:, 3] = -51.57
    shimmed = replace(analysis, history=replace(analysis.history, change=change))
    assert "Plate tilt since 20" in whole(shimmed)
    assert "toward the west" in flat(whole(shimmed))
    assert "plate east" in " ".join(causes.history_table(shimmed).headings)


def test_the_last_nights_are_the_latest_first(analysis):
    days = [row[0] for row in axis.last_nights_table(analysis, 3).rows]
    assert days == ["2024-10-20", "2024-10-13", "2024-10-06"]
    thin = replace(
        analysis.nights,
        nights=(night(us(2024, 1, 1), 1.0, 2.0, notices=(info(NightCode.ONE_TUBE_SIDE, tube_side="east"),)),),
    )
    assert "one tube side only" in flat(whole(replace(analysis, nights=thin)))


def test_a_pier_that_is_only_levelled_counts_from_its_first_reading(analysis):
    levelled = replace(analysis, nights=replace(analysis.nights, nights=()))
    words = flat(whole(levelled))
    assert "The start is the first reading, 2021-10-03 23:00 CEST (21:00 UTC)." in words
    assert "No nights yet" in words
    assert "NIGHTS" not in words


def test_a_typed_axis_counts_no_solves(analysis):
    typed = night(us(2024, 1, 1), 1.0, 2.0, sources=("typed",), solves_used=0)
    table = axis.last_nights_table(replace(analysis, nights=replace(analysis.nights, nights=(typed,))), 3)
    assert table.rows[0][1:3] == ("typed in", "–")


@pytest.mark.parametrize(
    ("kind", "asked", "found", "held", "words"),
    [
        ("azimuth", -120.0, -119.0, True, "yes"),
        ("shim", 60.0, 20.0, False, "no"),
        ("altitude", 60.0, None, None, "too early to say"),
        ("azimuth", None, -119.0, None, "can't be told without the amount"),
        ("shim", None, 2.0, None, "can't be told without the amount"),
        ("altitude", 60.0, 30.0, None, "too uncertain to say"),
        ("tighten", None, 2.0, None, "–"),
        ("service", None, None, None, "–"),
    ],
)
def test_whether_a_correction_held_or_why_that_is_not_said(kind, asked, found, held, words):
    sd = None if found is None else 4.0
    assert (
        causes.held_words(
            CorrectionFound(
                time_us=us(2024, 5, 30), kind=kind, asked=asked, found=found, found_sd=sd, held=held
            )
        )
        == words
    )


def test_all_values_of_one_list_are_in_one_unit():
    assert phrases.one_unit([(590.1, 0.9), (40.0, 1.0)]) is phrases.any_angle
    assert phrases.one_unit([(590.1, 0.9), (-627.2, 0.6), (None, None)]) is phrases.any_arcmin
    analysis = invented()
    first = next(event for event in analysis.history.events if event.what == "mount_az")
    sizes = [
        replace(first, size={**first.size, "mount_az": size}, size_sd={**first.size_sd, "mount_az": 1.2})
        for size in (590.1, -627.2)
    ]
    told = causes.events_table(replace(analysis, history=replace(analysis.history, events=tuple(sizes)))).rows
    assert [row[-1].split(",")[0] for row in told] == [
        "turned 9.84' ± 0.02' clockwise",
        "turned 10.45' ± 0.02' anticlockwise",
    ]


def test_what_changed_since_the_start_is_in_one_unit():
    analysis = invented()
    change = analysis.history.change.copy()
    change[-1, :2], change[-1, 4] = (500.0, 450.0), 30.0  # 673" together: ten arcminutes and more
    rows = axis.now_table(replace(analysis, history=replace(analysis.history, change=change))).rows
    told = [
        row[1] for row in rows[3:] if "together" in row[1] or "toward the" in row[1] or "axis going" in row[1]
    ]
    told = [text for text in told if "season" not in text and "a year" not in text and "swings" not in text]
    assert len(told) == 6
    # a limit in brackets is as it was given
    assert all("'" in text and '"' not in text.partition(" (limit")[0] for text in told), told


def test_the_table_of_nights_has_the_distance_from_the_pole_that_the_picture_shows():
    """On the equator azimuth counts in full: 3 and 4 make 5."""
    analysis = invented(0.0, 1)
    analysis = replace(
        analysis, nights=replace(analysis.nights, nights=(night(us(2024, 11, 1), 180.0, 240.0),))
    )
    table = axis.nights_table(analysis)
    assert table.rows[0][table.headings.index("from the pole [']")].startswith("5.00 ± 0.")
    assert "on the sky from the true pole" in table.note


def test_the_screen_reads_as_it_was_approved(analysis, approved):
    waiting = [
        "The axis passed its warning limit of 2' on 2024-10-01; on 2024-10-20 it is 2.30' ± 0.02' off."
    ]
    # what is drawn in characters may differ by a dot where numbers round another way
    drawn_apart = as_text(analysis, names=[name for name in SECTIONS if name != "strip"])
    approved("status", f"{as_text(analysis, waiting=waiting)}\n{'-' * 80}\n{drawn_apart}")
