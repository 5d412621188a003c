"""The pictures: drawn for every kind of record, uncertainty shown, readable for all."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from invented_analysis import DAY_US, empty, invented, night, us
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from drift.render.figures import axis_and_tilt, axis_path, canvas, seasons, strip
from drift.render.figures.canvas import MANY, PHONE_IN, WIDE_IN, dates, set_time_axis, stretches
from drift.render.figures.canvas import dots as draw_dots
from drift.render.figures.plan_view import BLOCKS, blocks_of
from drift.render.figures.time_panels import merged
from drift.render.phrases import zone_of

#: Picture -> how it is drawn, how it is described, and its panels.
PICTURES = {
    "strip": (strip.figure, strip.describe, 2),
    "axis": (axis_and_tilt.axis_figure, axis_and_tilt.describe_axis, 3),
    "tilt": (axis_and_tilt.tilt_figure, axis_and_tilt.describe_tilt, 4),
    "seasons": (seasons.figure, seasons.describe, 1),
    "axis_path": (axis_path.figure, axis_path.describe, 1),
}
#: Rounding of sums of numbers of about 100 arcsec.
ROUNDING = 1e-9
#: Least distance in CIELAB at which two lines are told apart at a glance; 2.3 is the just noticeable
#: difference (Mahy et al. 1994, from memory), several times that for thin lines: common practice.
LEAST_DISTANCE = 15.0
#: Least contrast of a graphical object against its ground: W3C, WCAG 2.1, criterion 1.4.11 (from memory).
LEAST_CONTRAST = 3.0
#: Full protanopia, deuteranopia and tritanopia in linear RGB: G. M. Machado, M. M. Oliveira,
#: L. A. F. Fernandes, IEEE Trans. Vis. Comput. Graph. 15, 1291 (2009), table of severity 1.0 (from memory).
BLINDNESS = {
    "none": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


@pytest.fixture(scope="module")
def records():
    return {
        "north": invented(),
        "south": invented(-33.9, 60, 21),
        "one night": invented(47.3, 1),
        "empty": empty(),
        "near the pole": invented(89.9, 20),
        "on the equator": invented(0.0, 20),
    }


@pytest.mark.parametrize("name", ["north", "south", "one night", "empty", "near the pole", "on the equator"])
@pytest.mark.parametrize("picture", PICTURES)
def test_draws_every_record_wide_and_for_a_phone(records, name, picture, tmp_path):
    draw, describe, _ = PICTURES[picture]
    for width in (WIDE_IN, PHONE_IN):
        figure = draw(records[name], width_in=width)
        assert isinstance(figure, Figure)
        assert figure.get_figwidth() == width
        figure.savefig(tmp_path / "drawn.svg")
        assert (tmp_path / "drawn.svg").stat().st_size > 1000
    assert describe(records[name]).endswith(".")


@pytest.mark.parametrize("picture", PICTURES)
def test_draws_into_axes_that_are_given(records, picture):
    sheet = Figure()
    draw, _, panels = PICTURES[picture]
    axes = sheet.subplots(panels, 1)
    assert draw(records["north"], axes) is sheet
    assert all(len(panel.lines) > 1 for panel in np.ravel(axes))


def test_refuses_the_wrong_number_of_axes(records):
    with pytest.raises(ValueError, match="3 panels, but 1 axes were given"):
        axis_and_tilt.axis_figure(records["north"], Figure().subplots())


def test_importing_a_picture_loads_no_matplotlib():
    code = (
        "import sys, drift.render.figures.axis_and_tilt, drift.render.figures.axis_path; "
        "sys.exit('matplotlib' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_drawing_leaves_no_figure_behind(records):
    axis_and_tilt.tilt_figure(records["north"])
    from matplotlib import pyplot

    assert pyplot.get_fignums() == []


def test_axis_history_has_each_night_with_a_bar_of_one_sd(records):
    analysis = records["north"]
    azimuth = axis_and_tilt.axis_figure(analysis).axes[0]
    (points,) = [line for line in azimuth.lines if line.get_marker() == "o"]
    np.testing.assert_allclose(
        points.get_ydata(), [n.estimate[0] / 60 for n in analysis.nights.nights], atol=ROUNDING
    )
    (bars,) = [line for line in azimuth.lines if len(line.get_ydata()) == 3 * len(analysis.nights.nights)]
    lengths = np.asarray(bars.get_ydata())[1::3] - np.asarray(bars.get_ydata())[0::3]
    # 1.4 times 5 arcsec, and 2 arcsec of the constants: see `night` and `invented`
    np.testing.assert_allclose(lengths, 2 * np.sqrt(7.0**2 + 2.0**2) / 60, atol=ROUNDING)


@pytest.mark.parametrize("width", [WIDE_IN, PHONE_IN])
def test_the_limit_stands_against_the_distance_and_not_against_either_coordinate(records, width):
    """3 and 4 make 5: within a limit of 4.5 in both coordinates, and beyond it on the sky."""
    analysis = records["on the equator"]  # where azimuth counts in full
    nights = replace(analysis.nights, nights=(night(us(2024, 11, 1), 180.0, 240.0),))
    warn = analysis.site.warn.model_copy(update={"axis_arcmin": 4.5})
    site = analysis.site.model_copy(update={"warn": warn})
    analysis = replace(analysis, nights=nights, site=site)
    azimuth, altitude, distance = axis_and_tilt.axis_figure(analysis, width_in=width).axes
    hues = [[p for p in panel.patches if p.get_alpha() == 0.16] for panel in (azimuth, altitude, distance)]
    assert [len(found) for found in hues] == [0, 0, 1]
    (points,) = [line for line in distance.lines if line.get_marker() == "o"]
    assert points.get_ydata() == pytest.approx([5.0])
    assert "within 4.5'" in distance.get_title("left")
    low, high = distance.get_ylim()
    assert low < 4.5 < high or any("4.5'" in text.get_text() for text in distance.texts)
    assert "which makes 5.0" in axis_and_tilt.describe_axis(analysis)


def test_a_night_that_knows_next_to_nothing_does_not_flatten_the_others(records):
    analysis = records["north"]
    wide = night(us(2024, 11, 1), 4000.0, 9000.0, sd=3000.0)
    nights = replace(analysis.nights, nights=(*analysis.nights.nights, wide))
    panel = axis_and_tilt.axis_figure(replace(analysis, nights=nights)).axes[1]
    assert panel.get_ylim()[1] < 10.0
    assert any("1 night outside the frame" in text.get_text() for text in panel.texts)


def test_many_nights_are_drawn_as_one_line_of_dots_of_which_none_is_lost(tmp_path):
    analysis = invented(47.3, MANY + 100, every_days=2.0)
    panel = axis_and_tilt.axis_figure(analysis).axes[0]
    (dots,) = [patch for patch in panel.patches if patch.get_capstyle() == "round"]
    np.testing.assert_allclose(
        dots.get_path().vertices[::2, 1], [n.estimate[0] / 60 for n in analysis.nights.nights], atol=ROUNDING
    )
    # seen in the raster as well: 400 dots four columns of pixels apart
    figure = Figure(figsize=(16, 2), dpi=100)
    panel = figure.add_axes((0, 0, 1, 1))
    panel.set_axis_off()
    panel.set_xlim(0, 401)
    panel.set_ylim(-1, 1)
    draw_dots(panel, np.arange(1.0, 401.0), np.zeros(400), "#ff0000", markersize=0.7)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    red = np.asarray(canvas.buffer_rgba())[..., 1].min(axis=0) < 250
    assert np.sum(np.diff(red.astype(int)) == 1) == 400


@pytest.mark.parametrize(("latitude", "up", "down"), [(47.3, "east", "west"), (-33.9, "west", "east")])
def test_the_side_of_the_pole_is_said_as_it_is_on_that_half_of_the_earth(latitude, up, down):
    analysis = invented(latitude, 20)
    title = axis_and_tilt.axis_figure(analysis).axes[0].get_title("left")
    assert f"up is {up} of the pole, down is {down}" in title
    label = axis_path.figure(analysis).axes[0].get_xlabel()
    assert label.startswith(f"← {down} of the pole")
    assert label.endswith(f"{up} of the pole →")


def test_tilt_history_draws_bands_and_the_times_of_level_readings(records):
    analysis = records["north"]
    panels = axis_and_tilt.tilt_figure(analysis).axes
    band = panels[0].collections[0].get_datalim(panels[0].transData)
    tilt, sd = analysis.history.change[:, 0], analysis.history.sd[:, 0]
    assert band.y0 == pytest.approx((tilt - sd).min())
    assert band.y1 == pytest.approx((tilt + sd).max())
    (strokes,) = [line for line in panels[0].lines if line.get_marker() == "|"]
    nights = {n.time_us for n in analysis.nights.nights}
    levels = [t for t in analysis.history.time_us if t not in nights]
    assert len(levels) == 18
    np.testing.assert_allclose(strokes.get_xdata(), dates(levels))


def test_a_shimmed_plate_is_drawn_beside_the_pier(records):
    analysis = records["north"]
    change = analysis.history.change.copy()
    change[60:, 2] = 25.0
    shimmed = replace(analysis, history=replace(analysis.history, change=change))
    before, after = (len(axis_and_tilt.tilt_figure(each).axes[0].lines) for each in (analysis, shimmed))
    assert after > before


def test_a_line_breaks_where_no_night_stands():
    assert stretches(np.array([0.0, 10.0, 80.0, 90.0, 91.0])) == [slice(0, 2), slice(2, 5)]
    assert stretches(np.array([])) == []


def test_events_and_corrections_are_marked_by_number_and_letter(records):
    texts = [text.get_text() for text in axis_and_tilt.axis_figure(records["north"]).axes[0].texts]
    assert {"1", "2", "a–b"} <= set(texts)


def test_marks_that_stand_close_are_joined():
    times = np.array([0.0, 50.0, 51.0, 52.0, 90.0])
    assert merged(times, ["1", "2", "3", "4", "5"], 5.0) == [(0.0, "1"), (51.0, "2–4"), (90.0, "5")]


def test_winters_lie_in_the_middle_on_both_halves_of_the_earth(records):
    for name, first, january in (("north", "2021-22", 184), ("south", "2021", 0)):
        bearing = seasons.direction(records[name].history)
        found = seasons.seasons_of(records[name], bearing)
        assert found[0].name == first
        ticks = seasons.figure(records[name]).axes[0]
        labels = [tick.get_text() for tick in ticks.get_xticklabels()]
        assert ticks.get_xticks()[labels.index("Jan")] == january
    assert all((season.day >= 0).all() and (season.day < 366).all() for season in found)


def test_the_tilt_of_the_seasons_is_along_the_direction_of_the_swing(records):
    analysis = records["north"]
    found = seasons.seasons_of(analysis, 30.0)
    tilt = np.concatenate([season.tilt for season in found])
    # 30 degrees east of north: cos 30 = sqrt(3)/2 of north and sin 30 = 1/2 of east
    expected = analysis.history.change[:, :2] @ [np.sqrt(3) / 2, 0.5]
    np.testing.assert_allclose(tilt, expected, atol=ROUNDING)
    sd = np.concatenate([season.sd for season in found])
    np.testing.assert_allclose(sd, analysis.history.sd[:, 0], atol=ROUNDING)  # equal in north and east


def test_without_a_seasonal_swing_the_larger_component_is_compared(records):
    history = replace(records["north"].history, seasonal=None)
    assert seasons.direction(history) == history.lasting.toward_bearing_deg, "what goes on for good is known"
    history = replace(history, lasting=None)
    assert seasons.direction(history) == 0.0
    swapped = history.change[:, [1, 0, 2, 3, 4, 5]]
    assert seasons.direction(replace(history, change=swapped)) == 90.0
    only_east = history.change.copy()
    only_east[:, 0] = np.nan
    history = replace(history, change=only_east)
    assert seasons.direction(history) == 90.0
    assert len(seasons.seasons_of(replace(records["north"], history=history), 90.0)) == 4
    assert seasons.direction(empty().history) is None


def test_blocks_average_down_the_nights_but_not_the_constants():
    own, shared, count = 25.0, 4.0, 100
    nights = [night(us(2024, 1, 1) + k * DAY_US // 20, 10.0, -3.0, sd=5.0) for k in range(count)]
    (block,) = blocks_of(nights, [])
    np.testing.assert_allclose(block.axis, [10.0, -3.0], atol=ROUNDING)
    assert block.covariance[1, 1] == pytest.approx(own / count + shared)
    assert block.covariance[0, 0] == pytest.approx(1.4**2 * own / count + shared)


def test_blocks_widen_by_a_scatter_that_the_nights_do_not_explain():
    nights = [night(us(2024, 1, 1) + k * DAY_US // 20, 0.0, 50.0 * (-1) ** k) for k in range(100)]
    (block,) = blocks_of(nights, [])
    assert np.sqrt(block.covariance[1, 1]) > 3.0  # 50 arcsec of scatter over 100 nights: 5, shared by two


def test_blocks_never_reach_across_a_change_and_are_few():
    nights = [night(us(2021, 1, 1) + k * 2 * DAY_US, float(k >= 500), 0.0) for k in range(1000)]
    changed = nights[500].time_us
    blocks = blocks_of(nights, [changed])
    assert len(blocks) <= BLOCKS + 2
    assert sum(block.nights for block in blocks) == 1000
    assert {round(float(block.axis[0]), 9) for block in blocks} == {0.0, 1.0}
    assert [block.epoch for block in blocks] == sorted(block.epoch for block in blocks)


def test_few_nights_each_stand_for_themselves():
    nights = [night(us(2024, 1, 1) + k * DAY_US, float(k), 0.0) for k in range(20)]
    found = blocks_of(nights, [])
    assert [float(block.axis[0]) for block in found] == pytest.approx(range(20))


def _linear(hex_colour: str) -> np.ndarray:
    value = np.array([int(hex_colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    # IEC 61966-2-1 (sRGB), from memory
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def _lab(linear: np.ndarray) -> np.ndarray:
    to_xyz = [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
    xyz = to_xyz @ np.clip(linear, 0, 1) / [0.95047, 1.0, 1.08883]
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def _contrast(one: str, other: str) -> float:
    low, high = sorted(float(_linear(each) @ [0.2126, 0.7152, 0.0722]) for each in (one, other))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("ground", ["LIGHT", "DARK"])
@pytest.mark.parametrize("blindness", BLINDNESS)
def test_colours_of_causes_stay_apart_for_the_colour_blind(ground, blindness):
    colours = getattr(canvas, ground)
    seen = {
        name: _lab(np.asarray(BLINDNESS[blindness]) @ _linear(colours[name]))
        for name in ("pier", "mount", "zero", "unsure")
    }
    pairs = {(a, b): float(np.linalg.norm(seen[a] - seen[b])) for a in seen for b in seen if a < b}
    assert min(pairs.values()) > LEAST_DISTANCE, pairs


@pytest.mark.parametrize("ground", ["LIGHT", "DARK"])
def test_lines_and_words_stand_out_from_their_ground(ground):
    colours = getattr(canvas, ground)
    drawn = [name for name in colours if name not in ("ground", "grid")]
    assert {name for name in drawn if _contrast(colours[name], colours["ground"]) < LEAST_CONTRAST} == set()


@pytest.mark.parametrize(("ground", "sign"), [("LIGHT", -1), ("DARK", 1)])
def test_the_ramp_of_time_reads_in_grey_print(ground, sign):
    colours = getattr(canvas, ground)
    lightness = [_lab(_linear(colours[name]))[0] for name in canvas.TIME_RAMP]
    assert (sign * np.diff(lightness) > 3.0).all()


def test_the_night_view_gives_red_light_only_and_can_be_read():
    """Of text at least 4.5, of what is drawn at least 3: W3C, WCAG 2.1, 1.4.3 and 1.4.11 (from memory)."""
    night = canvas.NIGHT
    assert list(night) == list(canvas.LIGHT)
    assert all(value.endswith("0000") for value in night.values())
    text = ("ink", "soft", "link", "alert")
    assert {name for name in text if _contrast(night[name], night["ground"]) < 4.5} == set()
    drawn = ("axis", "pier", "mount", "zero", "unsure", "allowed")
    assert {name for name in drawn if _contrast(night[name], night["ground"]) < LEAST_CONTRAST} == set()


def test_both_grounds_have_the_same_colours_by_name():
    assert list(canvas.LIGHT) == list(canvas.DARK)
    assert len(set(canvas.LIGHT.values())) == len(canvas.LIGHT)


@pytest.mark.parametrize("width", [WIDE_IN, PHONE_IN])
def test_the_time_axis_has_ticks_for_every_span(width):
    panel = Figure().subplots()
    for days in np.geomspace(0.01, 60 * 365.0, 60):
        set_time_axis([panel], np.array([18600.3, 18600.3 + days]), zone_of("Australia/Sydney"), width)
        low, high = panel.get_xlim()
        ticks = panel.get_xticks()  # a span without an interval that fits gives a warning, an error here
        assert 2 <= np.sum((ticks >= low) & (ticks <= high)) <= 9
