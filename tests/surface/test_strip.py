"""The strip: one scale for pier and mount, never tighter than their limits, in words, and in a terminal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_analysis import DAY_US, empty, invented, us
from invented_rich import level_only, rich

from drift.cli.main import main
from drift.codes import Answer, CorrectionKind
from drift.render import strip as numbers
from drift.render.figures import strip
from drift.render.figures.canvas import PHONE_IN, WIDE_IN, colour, dates
from drift.watch.limits import limits_of

RECORDS = {"rich": rich(), "south": rich(-33.9), "few nights": invented(47.3, 5), "levels": level_only()}
#: Text on a sheet is laid out to hundredths of an inch; a scale so found agrees to this.
SCALE = 1e-6
#: A pier that moves by less than a sixtieth of its limit takes no more of the track's height than this.
QUIET = 0.05


@pytest.mark.parametrize("width", [WIDE_IN, PHONE_IN])
@pytest.mark.parametrize("name", RECORDS)
def test_both_tracks_have_one_scale_and_none_is_tighter_than_its_limit(name, width):
    analysis = RECORDS[name]
    figure = strip.figure(analysis, width_in=width)
    tracks = numbers.strip_of(analysis).tracks
    assert len(figure.axes) == len(tracks) == strip.panels(analysis)
    heights = [panel.get_position().height * figure.get_figheight() for panel in figure.axes]
    spans = [float(np.ptp(panel.get_ylim())) for panel in figure.axes]
    per_inch = [span / height for span, height in zip(spans, heights, strict=True)]
    assert per_inch == pytest.approx([per_inch[0]] * len(per_inch), rel=SCALE)
    for panel, track in zip(figure.axes, tracks, strict=True):
        low, high = panel.get_ylim()
        assert low < 0.0 and (high > track.limit or low < -track.limit)


def test_a_quiet_pier_looks_quiet():
    analysis = RECORDS["rich"]
    change = np.where(np.isfinite(analysis.history.change), 0.0, np.nan)
    change[::2, :2] = 0.4  # arcsec, of a limit of 30
    sd = np.full_like(change, 0.1)
    quiet = replace(analysis.history, change=change, sd=sd, forecast=None, events=(), corrections=())
    figure = strip.figure(replace(analysis, history=quiet))
    (line,) = [one for one in figure.axes[0].lines if one.get_label() == "tilt"]
    assert np.ptp(line.get_ydata()) < QUIET * np.ptp(figure.axes[0].get_ylim())


def test_the_piers_curve_is_what_the_warning_goes_by():
    analysis = RECORDS["rich"]
    (curve,) = numbers.strip_of(analysis).tracks[0].curves
    watched = next(one for one in limits_of(analysis) if one.name == "tilt")
    np.testing.assert_array_equal(curve.value, watched.values)
    np.testing.assert_array_equal(curve.time_us, watched.times_us)


def test_the_mount_stands_against_where_it_was_last_set():
    analysis = RECORDS["rich"]
    azimuth, altitude = numbers.strip_of(analysis).tracks[1].curves
    history = analysis.history
    sets = {
        kind: max([one.time_us for one in history.corrections if one.kind == kind], default=0)
        for kind in (CorrectionKind.AZIMUTH, CorrectionKind.ALTITUDE)
    }
    for curve, kind, column in ((azimuth, "azimuth", 4), (altitude, "altitude", 5)):
        at = int(np.searchsorted(curve.time_us, sets[kind]))
        assert curve.value[at] == 0.0
        known = np.isfinite(history.change[:, column])
        np.testing.assert_allclose(np.diff(curve.value), np.diff(history.change[known, column]), atol=1e-9)
    assert (azimuth.hue, azimuth.dashed, altitude.dashed) == ("mount", False, True)


@pytest.mark.parametrize(("name", "side"), [("rich", "west"), ("south", "east")])
def test_steps_and_corrections_are_named_in_words(name, side):
    """The mount was made to slip by -140 arcsec: west of a north pole, east of a south pole."""
    analysis = RECORDS[name]
    words = [mark.words for mark in numbers.strip_of(analysis).marks]
    slip = next(one for one in words if one.startswith("slip"))
    assert slip.endswith(side) and abs(int(slip.split()[1].rstrip('"')) - 140) < 15
    assert any(
        one.startswith("tip ") and one.split()[-1] in ("north", "south", "east", "west") or "-" in one
        for one in words
    )
    assert any(one.startswith("corrected ") for one in words) and "tightened" in words
    assert "zero" not in " ".join(words), "a lost zero moves neither pier nor mount"
    shown = {text.get_text() for panel in strip.figure(analysis).axes for text in panel.texts}
    assert slip in shown


def test_words_never_lie_over_one_another():
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    analysis = RECORDS["rich"]
    many = tuple(
        replace(analysis.history.corrections[0], time_us=int(t)) for t in analysis.history.time_us[::3]
    )
    crowded = replace(analysis, history=replace(analysis.history, corrections=many))
    for width in (WIDE_IN, PHONE_IN):
        figure = strip.figure(crowded, width_in=width)
        FigureCanvasAgg(figure).draw()
        for panel in figure.axes:
            words = [one for one in panel.texts if one.get_text()[:4] in ("corr", "slip", "tip ", "toda")]
            assert words
            boxes = [one.get_window_extent() for one in words]
            assert not any(a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[k + 1 :])
            assert all(box.x1 <= figure.bbox.x1 + 1.0 for box in boxes)


def test_a_mount_set_from_far_off_does_not_flatten_the_rest():
    analysis = RECORDS["rich"]
    change = analysis.history.change.copy()
    change[:10, 4] += 6000.0
    far = replace(analysis, history=replace(analysis.history, change=change))
    panel = strip.figure(far).axes[1]
    assert np.ptp(panel.get_ylim()) < 4.5 * 60.0 * analysis.site.warn.axis_arcmin
    assert any("outside the frame" in text.get_text() for text in panel.texts)


def test_what_can_not_be_told_apart_is_drawn_as_the_axis():
    analysis = RECORDS["rich"]
    no = replace(analysis.history.east_tilt_from_mount_azimuth, answer=Answer.NO)
    blind = replace(analysis.history, east_tilt_from_mount_azimuth=no, north_tilt_from_mount_altitude=no)
    (track,) = numbers.strip_of(replace(analysis, history=blind)).tracks
    assert track.name.startswith("Axis")
    assert {curve.hue for curve in track.curves} == {"axis"}
    assert track.limit == 60.0 * analysis.site.warn.axis_arcmin
    azimuth = next(curve for curve in track.curves if curve.name.startswith("azimuth"))
    change, tan = analysis.history.change, np.tan(np.radians(47.3))
    known = np.isfinite(change).all(axis=1)
    moved = change[known, 4] + tan * (change[known, 1] + change[known, 3])
    np.testing.assert_allclose(np.diff(azimuth.value), np.diff(moved), atol=1e-9)


def test_winters_are_december_to_february_and_in_the_south_june_to_august():
    north = numbers.winters_between(us(2022, 9, 1), us(2023, 7, 1), south=False)
    assert north == (("2022-23", us(2022, 12, 1), us(2023, 3, 1)),)
    south = numbers.winters_between(us(2022, 7, 1), us(2023, 7, 1), south=True)
    assert south == (("2022", us(2022, 7, 1), us(2022, 9, 1)), ("2023", us(2023, 6, 1), us(2023, 7, 1)))


def test_a_forecast_is_hollow_and_none_is_drawn_after_five_nights():
    analysis = RECORDS["rich"]
    track = numbers.strip_of(analysis).tracks[0]
    assert track.ahead is not None and (track.ahead.low >= 0.0).all()
    panel = strip.figure(analysis).axes[0]
    last = dates([analysis.history.time_us[-1]])[0]
    filled = [
        path.vertices[:, 0].max()
        for band in panel.collections
        for path in band.get_paths()
        if band.get_facecolor().size
    ]
    assert max(filled) <= last + 1e-6, "nothing is filled beyond the last reading"
    few = replace(
        RECORDS["few nights"],
        history=replace(RECORDS["few nights"].history, forecast=analysis.history.forecast),
    )
    assert numbers.strip_of(few).tracks[0].ahead is None


def test_today_is_marked_where_the_strip_reaches_to_it():
    analysis = RECORDS["rich"]
    last = int(analysis.history.time_us[-1])
    soon = replace(analysis, now_us=last + 30 * DAY_US)
    assert numbers.strip_of(soon).today_us == last + 30 * DAY_US
    texts = [text.get_text() for text in strip.figure(soon).axes[0].texts]
    assert "today" in texts
    assert numbers.strip_of(replace(analysis, now_us=last + 3000 * DAY_US)).today_us is None


def test_limits_are_tinted_and_colours_mean_one_thing():
    panel = strip.figure(RECORDS["rich"]).axes[0]
    (line,) = [one for one in panel.lines if one.get_label() == "tilt"]
    assert line.get_color() == colour("pier")
    mounts = [
        one
        for one in strip.figure(RECORDS["rich"]).axes[1].lines
        if one.get_label() in ("azimuth", "altitude")
    ]
    assert {one.get_color() for one in mounts} == {colour("mount")}


@pytest.mark.parametrize("width", [40, 60, 80, 132])
@pytest.mark.parametrize("name", RECORDS)
def test_a_terminal_shows_the_strip_within_its_width(name, width):
    lines = numbers.strip_text(RECORDS[name], width).splitlines()
    assert all(len(line) <= width for line in lines)
    assert len(lines) <= 24
    assert any("⠀" < letter <= "⣿" for line in lines for letter in line), "dots are drawn"


def test_in_a_terminal_a_value_stands_in_its_row():
    """A pier at 0 for the first half and beyond its limit of 30 for the second."""
    analysis = RECORDS["rich"]
    change = np.where(np.isfinite(analysis.history.change), 0.0, np.nan)
    half = len(change) // 2
    change[half:, 0] = 40.0
    stepped = replace(analysis.history, change=change, forecast=None, events=(), corrections=())
    lines = numbers.strip_text(replace(analysis, history=stepped), 80).splitlines()
    zero = next(k for k, line in enumerate(lines) if line.startswith("     0│"))
    limit = next(k for k, line in enumerate(lines) if line.startswith('   30"│'))
    drawn = [[k for k, letter in enumerate(line) if "⠀" < letter <= "⣿"] for line in lines]
    assert min(drawn[zero]) == 7 and max(drawn[zero]) < max(drawn[limit - 1] or drawn[limit])
    assert limit < zero


def test_nothing_known_is_said_in_a_sentence():
    assert strip.lacking(empty()).endswith(".")
    assert "second night" in numbers.strip_text(empty(), 60)
    assert strip.describe(empty()).startswith("The picture is empty.")


def test_the_status_draws_the_strip_when_asked(tmp_path, monkeypatch, capsys):
    site = "[site]\nlatitude_deg = 47.3\nlongitude_deg = 15.5\nelevation_m = 410\n"
    (tmp_path / "pier.toml").write_text(site)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("drift.api.analyse_readings", lambda *_: RECORDS["rich"])
    with pytest.raises(SystemExit) as left:
        main(["status", "strip"])
    out = capsys.readouterr().out
    assert not left.value.code
    assert "Pier tilt since" in out and "slip" in out
    assert any("⠀" < letter <= "⣿" for letter in out)
