"""`drift outlook`: what it says with and without weather and forecast, in words and as JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from invented_analysis import invented
from invented_rich import rich

from drift.advice.ground import EVERYTHING, fitting_advice, pier_ground
from drift.advice.situation import coming_of, outlook_of
from drift.cli.main import main
from drift.forecast.outlook import Hindcast
from drift.render.ground_words import GROUND_ADVICE, design_sentences, ground_sentences
from drift.render.outlook import ahead_sentences, brief_sentences, outlook_sections, pier_sections
from drift.render.sections import Lead, sections_text
from drift.render.status import as_text, span, title
from drift.site.file import pier_from_mapping

SITE = '[site]\nname = "Hill garden"\nlatitude_deg = 47.3\nlongitude_deg = 15.5\nelevation_m = 410\n'


@pytest.fixture
def pier(tmp_path):
    path = tmp_path / "pier.toml"
    path.write_text(SITE)
    return path


@pytest.fixture
def worked(monkeypatch):
    """Let an invented answer stand for the work."""
    made = {"answer": rich()}
    monkeypatch.setattr("drift.api.analyse_readings", lambda *_, **__: made["answer"])
    return made


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return left.value.code, " ".join(out.split()), err


def weather(mean_c, swing_c, snow_cm=np.nan, first="2020-07-01", years=3):
    day = int(np.datetime64(first, "D").astype(np.int64)) + np.arange(years * 365)
    middle = mean_c - swing_c * np.cos(2.0 * np.pi * (day - 15.0) / 365.25) + 0.3 * np.sin(day * 1.7)
    return pd.DataFrame(
        {
            "row_id": np.arange(day.size),
            "day": day,
            "t_min_c": middle - 4.0,
            "t_max_c": middle + 4.0,
            "t_mean_c": np.nan,
            "snow_cm": np.where(middle < 0.0, snow_cm, 0.0) if np.isfinite(snow_cm) else np.nan,
        }
    )


def clay_pier(**more):
    place = {"latitude_deg": 47.0, "longitude_deg": 15.0, "elevation_m": 300.0}
    return pier_from_mapping(
        {"site": place, "pier": {"depth_m": 1.2, "soil": "hard clay", "surface": "bare", **more}}
    )


def test_words_without_weather_say_what_would_tell_the_frost(pier, worked, capsys):
    code, out, err = run(capsys, "outlook", "--pier", pier)
    assert (code, err) == (0, "")
    assert "there is no weather log of at least a month" in out
    assert "The tilt follows the frost: the thickness of frozen soil (98 % sure)" in out
    assert "furthest out about" in out
    assert "IS RE-ALIGNING WORTH IT?" in out
    assert "PAST FORECASTS" not in out


def test_every_coming_month_has_its_row(pier, worked, capsys):
    _, out, _ = run(capsys, "outlook", "--pier", pier)
    first = np.datetime64(int(worked["answer"].history.forecast.time_us[0]), "us").astype("datetime64[M]")
    for k in range(12):
        assert str(first + k) in out


def test_without_a_forecast_it_says_what_it_takes(pier, worked, capsys):
    worked["answer"] = invented(47.3, 1)
    code, out, _ = run(capsys, "outlook", "--pier", pier)
    assert code == 0
    assert "There is nothing to look ahead from yet: that takes two nights" in out


def test_json_is_one_document_with_all_of_it(pier, worked, capsys):
    code, out, err = run(capsys, "outlook", "--json", "--pier", pier)
    data = json.loads(out)
    assert (code, err) == (0, "")
    assert list(data) == ["format", "version", "outlook", "frost", "hindcasts", "for_the_pier"]
    assert (data["format"], data["frost"], data["hindcasts"]) == ("drift-outlook", None, None)
    assert len(data["outlook"]["months"]) == 12
    assert all(one["source"] for one in data["for_the_pier"])


def test_advice_for_the_pier_needs_no_night_and_names_every_source(pier, capsys):
    code, out, err = run(capsys, "outlook", "--ground", "--pier", pier)
    assert (code, err) == (0, "")
    for one in (GROUND_ADVICE[step] for step in EVERYTHING):
        assert " ".join(one.sentence.split()) in out
        assert f"[{one.source}]" in out
    assert "ask a geotechnical engineer" in out
    assert "are for buildings heated all winter" in out


def test_scores_are_asked_for_and_printed(pier, worked, capsys, monkeypatch):
    one = Hindcast(
        winter="2023-24", cut_us=0, nights=41, rms=8.06, rms_annual=14.2, inside=0.79, forcing="frozen"
    )
    monkeypatch.setattr("drift.forecast.outlook.hindcasts", lambda *_: (one,))
    _, out, _ = run(capsys, "outlook", "--score", "--pier", pier)
    assert "2023-24 41 8.1 14.2 79 %" in out
    monkeypatch.setattr("drift.forecast.outlook.hindcasts", lambda *_: ())
    _, out, _ = run(capsys, "outlook", "--score", "--pier", pier)
    assert "No winter can be scored yet" in out


def test_scores_and_ground_are_asked_for_one_after_the_other(pier, capsys):
    code, _, err = run(capsys, "outlook", "--score", "--ground", "--pier", pier)
    assert code == 2
    assert "one after the other" in err


def test_the_status_has_the_short_of_it():
    said = brief_sentences(rich())
    assert said[0].startswith("Over the year the axis swings by about")
    assert said[1].startswith("The chance that the axis, left alone, is beyond")
    assert brief_sentences(invented(47.3, 1)) == ()


def test_the_short_of_it_says_that_a_short_record_s_bands_are_too_narrow():
    analysis = rich()
    nights = analysis.nights.nights
    late = [night for night in nights if nights[-1].time_us - night.time_us < 300 * 86_400_000_000]
    short = replace(analysis, nights=replace(analysis.nights, nights=tuple(late)))
    whole = as_text(short, names=None)
    assert brief_sentences(short)[1].startswith("The nights span less than a year")
    outlook = outlook_of(short.site, short.nights, short.history)
    assert brief_sentences(short)[1] in ahead_sentences(outlook, ZoneInfo("UTC")), "one place says it"
    assert "the bands are too narrow" in " ".join(whole.split())
    assert "span less than a year" not in " ".join(as_text(analysis, names=None).split())


@pytest.mark.parametrize(
    ("mean_c", "swing_c", "surface", "reaches"),
    [(3.0, 18.0, "bare", True), (9.0, 11.5, "bare", False)],
)
def test_a_small_home_made_pier_in_hard_clay(mean_c, swing_c, surface, reaches):
    """Common practice: about 1000 degree-days bare get under a base 1.2 m down, about 200 do not."""
    found = pier_ground(clay_pier(surface=surface), weather(mean_c, swing_c))
    said = " ".join(ground_sentences(found))
    assert ("gone below the pier's base" in said or "went below the pier's base" in said) is reaches
    assert ("did not reach" in said) is not reaches
    topics = [GROUND_ADVICE[step].topic for step in fitting_advice(found)[0]]
    assert ("insulation" in topics) is reaches
    assert "who decides" in topics


def test_an_assumed_depth_is_said_to_be_assumed():
    cold = weather(3.0, 18.0)
    given = " ".join(ground_sentences(pier_ground(clay_pier(depth_m=0.9), cold)))
    assumed = " ".join(ground_sentences(pier_ground(clay_pier(depth_m=None), cold)))
    assert "the pier's base at 0.9 m (assumed: [pier] depth_m is not given)" in assumed
    assert "the pier's base at 0.9 m" in given and "(assumed" not in given


def test_winters_are_counted_one_way():
    # no frost as the snow lay in some winters, and yet frost below the base in all with the ground cleared
    said = " ".join(
        ground_sentences(pier_ground(clay_pier(surface="turf"), weather(3.0, 18.0, snow_cm=60.0)))
    )
    assert "frost went below the base in none of the log's 3 winters; with the ground cleared" in said
    assert "below it in all of them: leave the snow lying" in said
    assert said.count("winters") == 1, "they are counted once"


def test_snow_left_lying_is_said_to_keep_the_frost_up():
    site = clay_pier(surface="turf, snow kept")
    said = " ".join(ground_sentences(pier_ground(site, weather(3.0, 18.0, snow_cm=40.0))))
    assert "leave the snow lying" in said
    assert "It did not reach the pier's base" in said


def test_a_winter_to_build_for_is_told_with_what_it_rests_on():
    said = design_sentences(pier_ground(clay_pier(), weather(3.0, 18.0)))
    assert "known winters, too few for a design value" in said[0]
    assert "first guess only" in said[-1]


def test_no_frost_no_advice_against_it():
    found = pier_ground(clay_pier(), weather(16.0, 8.0))
    assert ground_sentences(found) == ("No winter of the weather log froze the ground.",)
    assert fitting_advice(found) == ((), EVERYTHING)


def test_sections_say_what_was_assumed_of_the_ground():
    analysis = rich()
    found = pier_ground(replace_pier(analysis), weather(3.0, 18.0))
    (frost, *_) = outlook_sections(analysis, None, found)
    assert any("soil is not given" in sentence for _, sentence in frost.items)


def replace_pier(analysis):
    return analysis.site.model_copy(update={"pier": replace_soil(analysis.site.pier)})


def replace_soil(pier):
    return pier.model_copy(update={"soil": None})


def test_the_band_of_a_table_row_is_that_of_the_forecast(worked):
    from drift.render.tables.instrument import months_of_analysis

    analysis = worked["answer"]
    level = replace(
        analysis.history.forecast,
        axis_low=np.full((53, 2), -66.0),
        axis_high=np.full((53, 2), 30.0),
        tilt_low=np.full((53, 2), -0.2),
        tilt_high=np.full((53, 2), 7.0),
    )
    table = months_of_analysis(replace(analysis, history=replace(analysis.history, forecast=level)))
    assert table.rows[4][1:5] == ("-1.1 to 0.5", "-1.1 to 0.5", "0 to 7", "0 to 7")


def test_the_screens_read_as_they_were_approved(approved):
    answer = rich()
    cold = pier_ground(clay_pier(), weather(3.0, 18.0, snow_cm=40.0))
    one = Hindcast(
        winter="2023-24", cut_us=0, nights=41, rms=8.06, rms_annual=14.2, inside=0.79, forcing="frozen"
    )
    ahead = outlook_sections(answer, coming_of(answer), cold, (one,))
    approved("outlook", sections_text(Lead(title(answer), span(answer)), ahead, 80))
    pier = pier_sections(cold)
    approved(
        "outlook of the ground",
        sections_text(Lead("The pier and its ground", "Sources in brackets."), pier, 80),
    )
