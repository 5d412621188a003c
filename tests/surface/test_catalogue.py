"""All pictures by name: their data, labels and ranges, on every kind of record."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_analysis import DAY_US, empty, invented, us
from invented_rich import level_only, rich
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.path import Path as MplPath

from drift.advice.movement import baseline_of
from drift.codes import AxisBound
from drift.errors import DriftError
from drift.render import drawing
from drift.render.catalogue import picture_named, pictures_of
from drift.render.figures import (
    axis_and_tilt,
    axis_path,
    canvas,
    causes,
    changes,
    ground_under_tilt,
    night_quality,
    pier_path,
    plan_view,
    seasons,
)
from drift.render.figures.canvas import DARK, LIGHT, PHONE_IN, WIDE_IN, dark_ground, dates
from drift.render.tables import axis as axis_table
from drift.types import Lasting, Seasonal

#: Rounding of sums of numbers of about 1000 arcsec.
ROUNDING = 1e-8
#: No label reaches further beyond the picture's edge than this [dots of 1/100 inch].
EDGE = 1.0
RECORDS = {
    "rich north": rich(),
    "rich south": rich(-33.9),
    "one night": invented(47.3, 1),
    "level only": level_only(),
    "empty": empty(),
}


def drawable(name):
    analysis = RECORDS[name]
    return [(analysis, picture) for picture in pictures_of(analysis) if not picture.lacking(analysis)]


ALL = [
    pytest.param(analysis, picture, id=f"{name}, {picture.name}")
    for name in RECORDS
    for analysis, picture in drawable(name)
]


@pytest.mark.parametrize(("analysis", "picture"), [one for one in ALL if "south" not in one.id])
def test_no_label_is_cut_and_no_title_meets_another(analysis, picture):
    for width in (PHONE_IN,) if picture.narrow else (PHONE_IN, WIDE_IN):
        figure = picture.figure(analysis, width_in=width)
        FigureCanvasAgg(figure).draw()
        page = figure.bbox
        titles = list(figure.texts)
        for panel in figure.axes:
            for text in (
                *shown_ticks(panel.xaxis),
                *shown_ticks(panel.yaxis),
                panel.xaxis.label,
                panel.yaxis.label,
            ):
                inside(text, page)
            for title in (panel.title, panel._left_title, panel._right_title):
                if title.get_text():
                    titles.append(title)
            legend = panel.get_legend()
            for text in legend.get_texts() if legend else ():
                inside(text, page)
        for title in titles:
            inside(title, page)
        boxes = [title.get_window_extent() for title in titles]
        assert not any(a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[k + 1 :]), titles


def shown_ticks(axis):
    """Return the labels of the ticks within the frame; matplotlib keeps others, which it doesn't draw."""
    low, high = sorted(axis.get_view_interval())
    return [
        tick.label1
        for tick in axis.get_major_ticks()
        if low <= tick.get_loc() <= high and tick.label1.get_visible()
    ]


def inside(text, page):
    if not text.get_text() or not text.get_visible():
        return
    box = text.get_window_extent()
    assert box.x0 >= page.x0 - EDGE and box.x1 <= page.x1 + EDGE, text.get_text()
    assert box.y0 >= page.y0 - EDGE and box.y1 <= page.y1 + EDGE, text.get_text()


@pytest.mark.parametrize(("analysis", "picture"), ALL)
def test_each_picture_has_words_a_caption_and_numbers(analysis, picture):
    assert len(picture.describe(analysis)) > 60
    assert picture.describe(analysis).endswith((".", "%"))
    assert picture.caption(analysis).endswith(".")
    assert picture.table(analysis).rows
    assert "nan" not in f"{picture.describe(analysis)} {picture.table(analysis).rows}"


@pytest.mark.parametrize("name", RECORDS)
def test_what_has_nothing_to_show_says_so_in_a_sentence(name):
    analysis = RECORDS[name]
    shown, left_out = drawing.pictures_to_draw(analysis)
    assert len(shown) + len(left_out) == len(pictures_of(analysis))
    assert all(why.endswith(".") and why[0].isupper() for _, why in left_out)
    expected = {
        "rich north": 0,
        "rich south": 0,
        "one night": 10,  # no strip, tilt, winters, pier, causes (3), ground, coming year and corrections
        "level only": 5,  # no axis (2), no ground, no coming year, no corrections, no nights
        "empty": 12,
    }
    assert len(left_out) == expected[name] + (name == "level only"), left_out


def test_pictures_are_found_by_name_and_an_unknown_one_names_those_there_are():
    analysis = RECORDS["rich north"]
    assert picture_named(analysis, "event-2").title.startswith("Event 2, by 2024-10-")
    with pytest.raises(
        DriftError, match=r"no picture 'peir'; did you mean 'pier'\?  The pictures are strip, seasons,"
    ):
        picture_named(analysis, "peir")


def test_of_many_events_the_latest_are_drawn():
    analysis = RECORDS["rich north"]
    many = tuple(analysis.history.events[0] for _ in range(drawing.EVENTS_DRAWN + 3))
    analysis = replace(analysis, history=replace(analysis.history, events=many))
    shown, left_out = drawing.pictures_to_draw(analysis)
    names = [picture.name for picture in shown if picture.is_event]
    assert names == [f"event-{k}" for k in range(4, drawing.EVENTS_DRAWN + 4)]
    assert (
        "Earlier events",
        "Of 11 events the latest 8 are drawn; all are in the table of events.",
    ) in left_out


def test_events_stand_side_by_side_and_so_do_the_causes():
    shown, _ = drawing.pictures_to_draw(RECORDS["rich north"])
    drawn = [drawing.Drawn(p.name, "", "", "", "", None, p.narrow) for p in shown]
    groups = [[each.key for each in group] for group in drawing.side_by_side(drawn)]
    assert groups == [
        ["strip"],
        ["seasons"],
        ["outlook"],
        ["axis"],
        ["ground"],
        ["event-1", "event-2", "event-3", "event-4"],
        ["moved"],
        ["tilt"],
        ["pier"],
        ["path"],
        ["causes-azimuth", "causes-altitude"],
        ["corrections"],
        ["nights"],
    ]


def test_a_report_leaves_out_what_is_drawn_on_request():
    analysis = RECORDS["rich north"]
    shown, left_out = drawing.pictures_to_draw(analysis, for_report=True)
    assert [picture.name for picture in shown if not picture.is_event] == [
        "strip",
        "seasons",
        "outlook",
        "axis",
        "ground",
        "moved",
    ]
    assert left_out == []


def test_the_same_analysis_draws_the_same_picture_and_changes_nothing():
    analysis = rich()
    before = analysis.history.change.copy()
    for name in ("pier", "event-1"):
        picture = picture_named(analysis, name)
        assert drawing.drawn_picture(picture, analysis) == drawing.drawn_picture(picture, analysis)
    np.testing.assert_array_equal(before, analysis.history.change)


@pytest.mark.parametrize("latitude", [47.3, -33.9])
def test_causes_add_up_to_the_axis_and_the_rest_is_left_over(latitude):
    analysis = rich(latitude)
    for name, weights in (
        ("azimuth", {4: 1.0, 1: np.tan(np.radians(latitude)), 3: np.tan(np.radians(latitude))}),
        ("altitude", {5: 1.0, 0: -np.sign(latitude), 2: -np.sign(latitude)}),
    ):
        view = causes.view_named(analysis, name)
        np.testing.assert_allclose(view.weights, [weights.get(k, 0.0) for k in range(6)], atol=1e-12)
        shown = causes.parts(analysis, view)
        total = np.sum([part.value for part in shown], axis=0)
        np.testing.assert_allclose(total, analysis.history.change @ view.weights, atol=ROUNDING)
        left = causes.left_over(analysis, view)
        column = 0 if name == "azimuth" else 1
        read = np.array([night.estimate[column] for night in analysis.nights.nights])
        np.testing.assert_allclose(np.diff(left.read), np.diff(read), atol=ROUNDING)
        smooth = np.interp(left.time_us, analysis.history.time_us, total)
        np.testing.assert_allclose(left.read - left.left, smooth, atol=ROUNDING)
        # the latest night is tied to the smoothed axis, which the invented history takes from that night
        assert left.left[-1] == pytest.approx(0.0, abs=ROUNDING)


def test_a_cause_that_does_nothing_has_no_panel_and_those_of_a_kind_share_one():
    analysis = RECORDS["rich north"]
    azimuth = [part.title for part in causes.parts(analysis, causes.view_named(analysis, "azimuth"))]
    assert azimuth == ["season", "settlement", "sudden changes"]
    altitude = [part.title for part in causes.parts(analysis, causes.view_named(analysis, "altitude"))]
    assert altitude == ["season", "settlement"]
    more = replace(analysis.history.causes[2], time_us=us(2024, 1, 1))
    history = replace(analysis.history, causes=(*analysis.history.causes, more))
    analysis = replace(analysis, history=history)
    view = causes.view_named(analysis, "azimuth")
    both = causes.parts(analysis, view)[-1]
    np.testing.assert_allclose(both.value, 2 * history.causes[2].change[:, 4])
    np.testing.assert_allclose(both.sd, np.sqrt(2) * causes.weighed_sd(history.causes[2].sd, view))


def test_slow_causes_share_one_scale_and_bands_are_one_sd():
    analysis = RECORDS["rich north"]
    panels = causes.figure(analysis).axes
    assert len(panels) == causes.panels(analysis) == 5
    assert panels[0].get_ylim() == panels[1].get_ylim() != panels[2].get_ylim()
    part = causes.parts(analysis, causes.view_named(analysis, "azimuth"))[0]
    band = panels[0].collections[0].get_datalim(panels[0].transData)
    assert band.y1 == pytest.approx((part.value + part.sd).max(), rel=0.02)  # drawn a point in two
    (points,) = [line for line in panels[-1].lines if line.get_marker() == "o"]
    left = causes.left_over(analysis, causes.view_named(analysis, "azimuth"))
    np.testing.assert_allclose(points.get_ydata(), left.left)


def test_the_sum_of_causes_has_a_band_no_wider_than_two_nights_alone_would_have():
    analysis = RECORDS["rich north"]
    view = causes.view_named(analysis, "azimuth")
    total, sd = analysis.history.change @ view.weights, causes.total_sd(analysis, view)
    (band,) = causes.figure(analysis).axes[-2].collections
    low, high = band.get_datalim(band.axes.transData).intervaly
    assert (low, high) == pytest.approx(((total - sd).min(), (total + sd).max()))
    np.testing.assert_allclose(sd, causes.weighed_sd(analysis.history.sd, view))  # less than two nights'
    unsure = replace(analysis, history=replace(analysis.history, sd=100.0 * analysis.history.sd))
    alone = np.sqrt([night.covariance[0, 0] for night in analysis.nights.nights])
    both = np.hypot(alone, alone[0])
    at = np.searchsorted(analysis.history.time_us, [night.time_us for night in analysis.nights.nights])
    np.testing.assert_allclose(causes.total_sd(unsure, view)[at][1:], both[1:])


def test_of_a_slow_cause_points_are_left_out_but_no_gap_is_made():
    count, every = 400, 9
    times = np.sort(np.concatenate([np.linspace(0, 2000, count - 1), [2040.0]]))  # 40 days are no gap
    figure, (panel,) = canvas.sheet(None, (1.0,), canvas.WIDE_IN)
    canvas.line_with_band(panel, times, times, np.ones(count), "#000000", every=every)
    (line,) = panel.lines
    assert len(line.get_xdata()) == count // every + 2
    assert (line.get_xdata()[0], line.get_xdata()[-1]) == (0.0, 2040.0)


def test_without_nights_causes_are_shown_in_the_tilt():
    analysis = RECORDS["level only"]
    assert [view.name for view in causes.views(analysis)] == ["north", "east"]
    figure = causes.figure(analysis, view="north")
    band = figure.axes[-1].collections[0].get_datalim(figure.axes[-1].transData)
    tilt, sd = analysis.history.change[:, 0], analysis.history.sd[:, 0]
    assert (band.y0, band.y1) == pytest.approx(((tilt - sd).min(), (tilt + sd).max()))


#: Uses of the optics, of which the picture names the most demanding, and what it calls the first two.
USES = (AxisBound.TRAILING, AxisBound.CORNER_ROTATION)
TRAILING, CORNER = "trailing in one exposure", "field rotation at the corner in one exposure"


def with_matters(analysis, *allowed):
    """Return the answer with one use for each allowance [arcmin], of which the last binds no one."""
    first = analysis.advice.matters[0]
    made = [
        replace(first, effect=use, allowed_arcmin=least, binding=k < len(allowed) - 1)
        for k, (use, least) in enumerate(zip(USES, allowed, strict=False))
    ]
    return replace(analysis, advice=replace(analysis.advice, matters=tuple(made)))


def words_of(panel):
    return [" ".join(text.get_text().split()) for text in panel.get_legend().get_texts()]


def test_the_picture_names_the_most_demanding_use_also_one_that_only_some_have():
    analysis = with_matters(RECORDS["rich north"], 20.0, 0.9)
    assert axis_table.tolerated(analysis) == axis_table.Tolerance(0.9, CORNER)
    panel = axis_path.figure(analysis).axes[0]
    assert any(f"most demanding use tolerates 0.9' ({CORNER})" in words for words in words_of(panel))
    assert f"tolerates 0.9' ({CORNER})" in axis_path.describe(analysis)
    far = axis_path.figure(with_matters(RECORDS["rich north"], 500.0)).axes[0]
    assert any(f"({TRAILING}); that is outside the frame" in words for words in words_of(far))
    none = axis_path.figure(with_matters(RECORDS["rich north"])).axes[0]
    assert not any("most demanding" in words for words in words_of(none))


@pytest.mark.parametrize("name", ["rich north", "rich south"])
def test_the_way_of_the_axis_is_shaded_beyond_the_warning_limit_only(name):
    analysis = RECORDS[name]
    blocks = axis_path.path_blocks(analysis)
    points, _ = axis_path.on_sky_arcmin(blocks, analysis.site.site.latitude_deg)
    pole = np.array([0.0, axis_table.aimed_pole_arcmin(analysis)])
    far = np.hypot(*(points - pole).T)
    limit = float(np.median(far))  # so that the path lies on both sides
    warn = replace_warn(analysis.site, limit)
    panel = axis_path.figure(replace(analysis, site=warn)).axes[0]
    (shade,) = [patch for patch in panel.patches if patch.get_alpha()]
    clear = np.abs(far - limit) > 1e-3 * limit  # the edge is drawn as straight pieces of a degree
    corners, edge = shade.get_path().vertices[:5], shade.get_path().vertices[5:]  # the edge is a hole
    assert MplPath(corners).contains_points(points).all()
    left_clear = MplPath(edge).contains_points(points)
    np.testing.assert_array_equal(left_clear[clear], (far < limit)[clear])
    assert any(f"beyond {limit:g}' from the pole" in words for words in words_of(panel))
    all_within = axis_path.figure(replace(analysis, site=replace_warn(analysis.site, 900.0))).axes[0]
    assert any("all of the frame is within 900'" in words for words in words_of(all_within))
    assert not [patch for patch in all_within.patches if patch.get_alpha()]


def replace_warn(site, axis_arcmin):
    return site.model_copy(update={"warn": site.warn.model_copy(update={"axis_arcmin": axis_arcmin})})


def test_the_pier_is_seen_from_above_about_its_start_with_a_loop_a_winter():
    analysis = RECORDS["rich north"]
    panel = pier_path.figure(analysis).axes[0]
    loops = pier_path.loops_of(analysis)
    drawn = {canvas.name_of(line): line for line in panel.lines if canvas.name_of(line)}
    assert list(drawn) == [loop.name for loop in loops] == ["2021-22", "2022-23", "2023-24", "2024-25"]
    for loop in loops:
        expected = analysis.history.change[loop.rows][:, [1, 0]]
        np.testing.assert_allclose(np.transpose(drawn[loop.name].get_data()), expected)
    for one, following in zip(loops, loops[1:], strict=False):
        assert following.rows[0] == one.rows[-1], "each begins where the one before it ended"
    assert drawn["2024-25"].get_linewidth() > drawn["2023-24"].get_linewidth()
    (ellipse,) = [patch for patch in panel.patches if patch.get_alpha() == 0.25]
    assert ellipse.get_height() == pytest.approx(2 * analysis.history.sd[-1, 0])
    assert panel.get_xlabel().endswith("toward east →") and panel.get_ylabel().endswith("toward north →")
    assert panel.get_xlim() == panel.get_ylim() == (-panel.get_xlim()[1], panel.get_xlim()[1])


def test_a_long_loop_is_thinned_but_keeps_its_ends():
    analysis = invented(47.3, 900, every_days=1.0)
    loops = pier_path.loops_of(analysis)
    known = np.flatnonzero(np.isfinite(analysis.history.change[:, :2]).all(axis=1))
    assert all(len(loop.rows) <= 2 * pier_path.POINTS + 2 for loop in loops)
    assert loops[0].rows[0] == known[0] and loops[-1].rows[-1] == known[-1]


def test_bolts_stand_around_the_start_of_the_pier():
    panel = pier_path.figure(RECORDS["rich north"]).axes[0]
    half = panel.get_xlim()[1]
    bolts = [line.get_xydata()[0] for line in panel.lines if line.get_marker() == "h"]
    assert len(bolts) == 3
    for (east, north), bearing in zip(bolts, (0.0, 120.0, 240.0), strict=True):
        assert np.degrees(np.arctan2(east, north)) % 360.0 == pytest.approx(bearing)
        assert 0.85 * half < max(abs(east), abs(north)) < half


@pytest.mark.parametrize(("bearing", "edge"), [(0, (3, 9)), (90, (8, 4)), (45, (8, 9)), (225, (-2, -1))])
def test_bolts_stand_at_the_frame_in_their_bearing(bearing, edge):
    assert plan_view.edge_point(np.array([3.0, 4.0]), 5.0, bearing, 0.0) == pytest.approx(edge)


def test_the_compass_stands_where_no_bolt_is():
    analysis = RECORDS["rich north"]
    bolted = analysis.site.model_copy(
        update={"plate": analysis.site.plate.model_copy(update={"bolt_bearings_deg": (50.0, 140.0, 230.0)})}
    )
    panel = pier_path.figure(replace(analysis, site=bolted)).axes[0]
    corner = panel.child_axes[0].get_position()
    assert corner.x0 < 0.5 * (panel.get_position().x0 + panel.get_position().x1)
    assert corner.y0 > 0.5 * (panel.get_position().y0 + panel.get_position().y1)


def test_an_event_has_its_own_nights_on_either_side_and_their_means():
    analysis = RECORDS["rich north"]
    event = analysis.history.events[0]
    sides = changes.sides_of(analysis, event)
    assert sides.before.time_us.max() == event.after_us and sides.after.time_us.min() == event.before_us
    nights = {night.time_us: night for night in analysis.nights.nights}
    read = np.array([nights[t].estimate[0] for t in sides.before.time_us])
    # the side's mean is taken about the fitted curve and said of its last reading; all are equally uncertain
    times, fitted = axis_and_tilt.fitted_axis(analysis)
    curve = 60.0 * np.interp(dates(sides.before.time_us), times, fitted[:, 0])
    left = read - curve
    assert sides.before.mean[0] == pytest.approx(left.mean() + curve[-1])
    own = nights[sides.before.time_us[0]].own_covariance[0, 0]
    spread = max(1.0, left.var(ddof=1) / own)
    assert sides.before.mean_sd[0] == pytest.approx(np.sqrt(spread * own / len(read)))
    step, sd = changes.moved_by(sides)
    assert abs(step[0] + 140.0) < 4 * sd[0]  # the mount was made to slip by -140 arcsec


def test_a_slope_through_the_seasons_is_no_part_of_a_step():
    """Nights exactly on a steep slope with a step of -140: flat means would find 200 more or less."""
    analysis = RECORDS["rich north"]
    days = (analysis.history.time_us - analysis.history.time_us[0]) / DAY_US
    change = np.zeros_like(analysis.history.change)
    event = analysis.history.events[0]
    change[:, 4] = 3.0 * days - 140.0 * (analysis.history.time_us >= event.before_us)
    at = {int(t): change[k, 4] for k, t in enumerate(analysis.history.time_us)}
    nights = tuple(
        replace(one, estimate=np.array([at[one.time_us], 0.0, np.nan])) for one in analysis.nights.nights
    )
    history = replace(
        analysis.history, change=change, axis_now=np.array([nights[-1].estimate[0], 0.0]), corrections=()
    )
    steep = replace(analysis, history=history, nights=replace(analysis.nights, nights=nights))
    step, _ = changes.moved_by(changes.sides_of(steep, event))
    gap = (event.before_us - event.after_us) / DAY_US
    assert step[0] == pytest.approx(-140.0 + 3.0 * gap)


def test_both_coordinates_of_an_event_have_one_scale():
    azimuth, altitude = changes.event_figure(RECORDS["rich north"]).axes[:2]
    assert np.ptp(azimuth.get_ylim()) == pytest.approx(np.ptp(altitude.get_ylim()))


def test_an_event_looks_no_further_than_the_next_change():
    analysis = RECORDS["rich north"]
    zero = analysis.history.events[2]
    sides = changes.sides_of(analysis, zero)
    others = [found.time_us for found in analysis.history.corrections]
    assert not any(zero.before_us < t < sides.after.time_us.max() for t in others)
    assert not any(sides.before.time_us.min() < t < zero.after_us for t in others)


def test_the_zero_is_shown_where_it_may_be_what_moved_and_the_odds_always():
    analysis = RECORDS["rich north"]
    titles = [
        [panel.get_title("left") for panel in changes.event_figure(analysis, event=k).axes] for k in (0, 2)
    ]
    assert titles[0][-1] == titles[1][-1] == "Odds of what it was"
    assert "Hour-angle zero" not in titles[0] and "Hour-angle zero" in titles[1]
    bars = changes.event_figure(analysis, event=0).axes[-1].patches
    assert sorted(bar.get_width() for bar in bars) == sorted(analysis.history.events[0].probability.values())


def test_an_event_without_nights_shows_the_tilt():
    analysis = RECORDS["level only"]
    t = analysis.history.time_us
    event = replace(RECORDS["rich north"].history.events[3], after_us=int(t[8]), before_us=int(t[9]))
    analysis = replace(analysis, history=replace(analysis.history, events=(event,)))
    sides = changes.sides_of(analysis, event)
    assert sides.of == "tilt" and len(sides.before.time_us) and len(sides.after.time_us)
    titles = [panel.get_title("left") for panel in changes.event_figure(analysis).axes]
    assert titles[0] == "Pier tilt: up is north, down is south"


def test_corrections_stand_at_what_was_asked_and_found_in_arcmin():
    analysis = RECORDS["rich north"]
    panel = changes.corrections_figure(analysis).axes[0]
    rows = changes.shown_corrections(analysis)
    assert "tighten" not in {found.kind for _, found in rows}
    asked = [line.get_xdata()[0] for line in panel.lines if line.get_markersize() == 8.5]
    assert asked == pytest.approx([found.asked / 60 for _, found in rows if found.asked is not None])
    found = [line for line in panel.lines if line.get_marker() == "o" and line.get_markersize() == 5.5]
    assert [line.get_xdata()[0] for line in found] == pytest.approx(
        [found.found / 60 for _, found in rows if found.found is not None]
    )
    bar = next(line for line in panel.lines if line.get_linewidth() == 2.6)
    newest = next(found for _, found in rows if found.found is not None)
    assert np.ptp(bar.get_xdata()) == pytest.approx(2 * newest.found_sd / 60)


@pytest.mark.parametrize(("name", "label"), [("rich north", "← west, down"), ("rich south", "← east, down")])
def test_the_sides_of_corrections_are_said_as_on_that_half_of_the_earth(name, label):
    assert changes.corrections_figure(RECORDS[name]).axes[0].get_xlabel().startswith(label)


def test_frost_runs_downward_past_the_base_and_shows_what_is_not_known():
    analysis = RECORDS["rich north"]
    air, frost, tilt = ground_under_tilt.figure(analysis).axes
    low, high = frost.get_ylim()
    assert low > analysis.ground.base_m > high == 0.0  # depth runs downward
    uncertain = frost.collections[0].get_datalim(frost.transData)
    assert uncertain.y1 == pytest.approx(0.8, abs=1e-3)
    assert air.get_xlim() == frost.get_xlim() == tilt.get_xlim()
    first, last = dates(analysis.history.time_us[[0, -1]])
    assert air.get_xlim()[0] < first and air.get_xlim()[1] > last
    assert "went 0.60 m down at most (0.50 to 0.80 m" in ground_under_tilt.describe(analysis)


def test_days_without_a_reading_are_drawn_pale_and_counted():
    panel = ground_under_tilt.figure(RECORDS["rich north"]).axes[0]
    assert any("10 days without a reading" in text.get_text() for text in panel.texts)
    pale = [line for line in panel.lines if line.get_alpha() is not None]
    filled = RECORDS["rich north"].ground.filled
    near = np.convolve(filled, [1, 1, 1], mode="same") > 0  # up to the logged days on either side
    assert np.isfinite(pale[0].get_ydata()).sum() == near.sum() > filled.sum()


def test_days_logged_every_second_day_are_seen_and_so_are_the_days_between():
    """A line between neighbours alone would draw nothing at all."""
    analysis = RECORDS["rich north"]
    filled = np.arange(analysis.ground.filled.size) % 2 == 1
    panel = ground_under_tilt.figure(replace(analysis, ground=replace(analysis.ground, filled=filled))).axes[
        0
    ]
    (points,) = [patch for patch in panel.patches if patch.get_capstyle() == "round"]
    (pale,) = [line for line in panel.lines if line.get_alpha() is not None]
    days = np.isfinite(pale.get_ydata()).sum()
    assert len(points.get_path().vertices) // 2 == pytest.approx(days / 2, abs=1)
    assert days == len(pale.get_ydata())


def test_of_a_long_record_of_air_days_are_joined_and_logged_days_count_before_filled_ones():
    times, logged = np.arange(1800.0), np.arange(1800) % 2 == 0
    logged[1000:] = False
    air = np.where(logged, 10.0, -10.0)
    middle, joined, known = ground_under_tilt.thinned(times, air, logged)
    np.testing.assert_allclose(middle, times.reshape(-1, 2).mean(axis=1))
    np.testing.assert_array_equal(known, np.arange(900) < 500)
    np.testing.assert_array_equal(joined, np.where(known, 10.0, -10.0))


def test_how_well_a_night_could_measure_is_on_the_sky():
    analysis = RECORDS["rich north"]
    sd = night_quality.uncertainty_on_sky(analysis)
    night = analysis.nights.nights[0]
    shrink = np.cos(np.radians(47.3))
    np.testing.assert_allclose(sd[0], np.sqrt(np.diagonal(night.covariance)[:2]) * [shrink, 1.0])
    uncertainty, hours, declinations, counts = night_quality.figure(analysis).axes
    assert uncertainty.get_yscale() == "log"
    assert np.nanmin(hours.lines[0].get_ydata()) == pytest.approx(-4.0)  # 60 degrees are 4 hours
    assert np.nanmax(declinations.lines[0].get_ydata()) == pytest.approx(70.0)
    aside = counts.lines[1].get_ydata()
    assert np.isfinite(aside).sum() == 2 * sum(n.solves_set_aside > 0 for n in analysis.nights.nights)
    assert any("8 of 1448 set aside" in panel.get_title("right") for panel in (counts,))


def test_a_picture_can_be_drawn_in_the_colours_of_a_dark_ground():
    analysis = RECORDS["rich north"]
    with dark_ground():
        dark = pier_path.figure(analysis)
    from matplotlib.colors import to_hex

    assert to_hex(dark.get_facecolor()) == DARK["ground"]
    assert to_hex(pier_path.figure(analysis).get_facecolor()) == LIGHT["ground"]


def test_pictures_of_several_panels_draw_into_axes_that_are_given():
    analysis = RECORDS["rich north"]
    for picture, count in (
        (causes.figure, causes.panels(analysis)),
        (changes.event_figure, changes.panels(analysis)),
        (ground_under_tilt.figure, 3),
        (night_quality.figure, 4),
        (changes.corrections_figure, 1),
        (pier_path.figure, 1),
    ):
        sheet = Figure()
        axes = sheet.subplots(count, 1)
        assert picture(analysis, axes) is sheet
        assert all(panel.lines or panel.patches for panel in np.ravel(axes))


def test_each_night_is_named_in_the_table_of_its_quality():
    table = picture_named(RECORDS["rich north"], "nights").table(RECORDS["rich north"])
    assert len(table.rows) == 160
    assert table.rows[0][3:5] == ("-4.0 to 3.0", "-10 to 70")


def test_the_table_of_causes_has_a_row_a_month():
    analysis = RECORDS["rich north"]
    table = picture_named(analysis, "causes-azimuth").table(analysis)
    months = [row[0][:7] for row in table.rows]
    assert len(set(months)) >= len(months) - 1  # months are UTC's, times the site's
    span = (analysis.history.time_us[-1] - analysis.history.time_us[0]) / DAY_US / 30.4
    assert abs(len(months) - span) < 3


def test_a_pole_outside_the_frame_is_pointed_to_and_not_listed():
    """One good night far from the pole: the arrow and its words lie in the frame, clear of its edge."""
    one = RECORDS["one night"]
    (night,) = one.nights.nights
    far = replace(night, estimate=np.array([900.0, -700.0, 0.0]), covariance=9.0 * np.eye(3))
    analysis = replace(one, nights=replace(one.nights, nights=(far,)))
    for width in (PHONE_IN, WIDE_IN):
        figure = axis_path.figure(analysis, width_in=width)
        FigureCanvasAgg(figure).draw()
        (panel,) = figure.axes
        (words,) = [text for text in panel.texts if "true pole" in text.get_text()]
        frame = panel.get_window_extent()
        box = words.get_window_extent()
        assert frame.x0 < box.x0 and box.x1 < frame.x1 and frame.y0 < box.y0 and box.y1 < frame.y1
        assert "the true pole" not in [text.get_text() for text in panel.get_legend().get_texts()]
    near = replace(night, estimate=np.array([20.0, 10.0, 0.0]), covariance=9.0 * np.eye(3))
    figure = axis_path.figure(replace(one, nights=replace(one.nights, nights=(near,))))
    assert "the true pole" in [text.get_text() for text in figure.axes[0].get_legend().get_texts()]


def test_of_ten_winters_the_latest_are_named_at_their_lines_and_the_rest_said_to_be_palest():
    analysis = invented(47.3, 460)
    figure = seasons.figure(analysis)
    FigureCanvasAgg(figure).draw()
    (panel,) = figure.axes
    found = seasons.seasons_of(analysis, seasons.direction(analysis.history))
    assert len(found) == 10
    named = [text for text in panel.texts if text.get_text() in {one.name for one in found}]
    assert {text.get_text() for text in named} == {one.name for one in found[-6:]}
    boxes = [text.get_window_extent() for text in named]
    assert not any(a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[k + 1 :])
    assert any("palest: 2021-22 to 2024-25" in text.get_text() for text in panel.texts)
    lines = {canvas.name_of(line): line.get_linewidth() for line in panel.lines if canvas.name_of(line)}
    assert lines[found[-1].name] == max(lines.values()) > lines[found[-2].name]


def test_a_pier_that_goes_for_good_further_than_it_swings_is_one_curve_along_that_way():
    """As a young pier settles: 40 arcsec a year toward the west, and a swing of 10 toward the north-west."""
    analysis = RECORDS["rich south"]
    lasting = Lasting(arcsec_per_year=40.0, arcsec_per_year_sd=3.0, toward_bearing_deg=270.0)
    swing = Seasonal(
        peak_to_trough=10.0, peak_to_trough_sd=2.0, toward_bearing_deg=333.0, peak_day_of_year=200
    )
    settling = replace(analysis, history=replace(analysis.history, lasting=lasting, seasonal=swing))
    assert seasons.direction(settling.history) == 270.0
    (panel,) = seasons.figure(settling).axes
    first, last = dates(settling.history.time_us[[0, -1]])
    assert panel.get_xlim()[0] < first and panel.get_xlim()[1] > last, "over time, not over months"
    assert "toward the west" in panel.get_title("left")
    swinging = replace(analysis, history=replace(analysis.history, seasonal=swing, lasting=None))
    assert seasons.direction(swinging.history) == 333.0


def test_the_limit_of_tilt_stands_in_the_picture_of_the_year():
    analysis = RECORDS["rich north"]
    (panel,) = seasons.figure(analysis).axes
    bearing = np.radians(seasons.direction(analysis.history))
    base = baseline_of(analysis.site, analysis.history).tilt @ [np.cos(bearing), np.sin(bearing)]
    limit = base + analysis.site.warn.tilt_arcsec  # the limit counts from there
    assert any(
        line.get_ydata()[0] == pytest.approx(limit) for line in panel.lines if len(line.get_ydata()) == 2
    )
    assert panel.get_ylim()[1] > limit


def test_what_moved_it_is_one_list_the_largest_first():
    """Of the invented year the season swings the pier by so much, the mount stood still."""
    analysis = RECORDS["rich north"]
    rows = causes.moved_last_year(analysis)
    assert [one.title for one in rows][0] == "season" and all(one.of_pier for one in rows)
    last = analysis.history.time_us >= analysis.history.time_us[-1] - 365 * DAY_US
    swing = np.hypot(*np.ptp(analysis.history.causes[0].change[last, :2], axis=0))
    assert rows[0].size == pytest.approx(swing, rel=0.02)
    assert [one.size for one in rows] == sorted((one.size for one in rows), reverse=True)
    (panel,) = causes.moved_figure(analysis).axes
    assert [bar.get_width() for bar in panel.patches] == pytest.approx([one.size for one in rows])


def test_what_thaws_last_is_drawn_where_it_lies_and_the_sure_layer_is_apart():
    nan = np.nan
    top, bottom = np.array([0.0, 0.0, 0.2, nan, nan]), np.array([0.3, 0.5, 0.5, nan, nan])
    deep, shallow = np.array([0.4, 0.6, 0.6, 0.6, nan]), np.array([nan, 0.4, 0.4, nan, nan])
    np.testing.assert_allclose(ground_under_tilt._unsure_from(top, deep, shallow)[:4], [0.0, 0.4, 0.4, 0.2])
    np.testing.assert_allclose(
        ground_under_tilt._surely_frozen(top, bottom, shallow), [nan, 0.4, 0.4, nan, nan]
    )


def test_a_short_scale_of_uncertainty_has_ticks_enough_to_be_read():
    one = RECORDS["one night"]
    (panel, *_) = night_quality.figure(one).axes
    assert len(panel.get_yticks()) >= 2
    assert "dark" in panel.get_title(loc="left") and "pale" in panel.get_title(loc="left")
