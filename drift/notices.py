"""What is to be said, as data: a code, how grave it is, and the numbers and names that belong to it.

The rooms that work things out make notices; sentences are made of them in `drift.render` alone
(`drift.render.notices`), so that rewording one changes no number and a script can filter by code.
A room has a class of codes of its own below; a code's text begins with the room's name and is a promise
to other people's scripts: it is added to, never renamed.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

#: What may stand in a notice: numbers with their unit in the name (`sd_arcsec`), codes, names, times [us].
Value = str | int | float | bool | None | tuple[Any, ...]


class Severity(StrEnum):
    """How grave a notice is."""

    INFO = "info"  # good to know
    WARNING = "warning"  # the answer is trusted less for it, or something should be looked at


class Code(StrEnum):
    """The codes of one room; each room's class of codes derives from it."""


class SkyCode(Code):
    """What is said of the air and of the Earth's rotation; sentences: sky_words."""

    TEMPERATURE_NOT_BELIEVED = "sky.temperature_not_believed"
    PRESSURE_NOT_BELIEVED = "sky.pressure_not_believed"
    PRESSURE_OF_SEA_LEVEL = "sky.pressure_of_sea_level"
    TEMPERATURE_STANDARD = "sky.temperature_standard"
    PRESSURE_STANDARD = "sky.pressure_standard"
    TEMPERATURE_OF_DAY = "sky.temperature_of_day"
    WEATHER_DAYS_FILLED = "sky.weather_days_filled"
    BEFORE_EARTH_TABLE = "sky.before_earth_table"
    AFTER_EARTH_TABLE = "sky.after_earth_table"
    LEAP_SECONDS_ENDED = "sky.leap_seconds_ended"


class SiteCode(Code):
    """What is said of the site file; sentences: ground_words."""

    KEY_ASSUMED = "site.key_assumed"
    KEY_RENAMED = "site.key_renamed"


class GroundCode(Code):
    """What is said of weather, ground and frost, and what a forecast rests on; sentences: ground_words."""

    # of the weather log
    DAYS_TWICE = "ground.days_twice"
    SENSOR_STILL = "ground.sensor_still"
    OTHER_UNIT_CONVERTED = "ground.other_unit_converted"
    OTHER_UNIT_LEFT_OUT = "ground.other_unit_left_out"
    DAYS_FILLED = "ground.days_filled"
    # what is assumed of the ground
    BASE_ASSUMED = "ground.base_assumed"
    SOIL_ASSUMED = "ground.soil_assumed"
    SURFACE_ASSUMED = "ground.surface_assumed"
    # what a forcing and the coming frost rest on
    FROM_WEATHER = "ground.from_weather"
    FROM_PAST_YEARS = "ground.from_past_years"
    FROM_USUAL_YEAR = "ground.from_usual_year"


class NightCode(Code):
    """What is said of nights, of their readings and of what was made of them; sentences: night_words."""

    # of all nights
    TUBE_SIDE_GUESSED = "night.tube_side_guessed"
    TUBE_SIDE_LEFT_OUT = "night.tube_side_left_out"
    REPORTS_ALTERED_BY_SWEEPS = "night.reports_altered_by_sweeps"
    REPORTS_ALTERED_BY_SITE_FILE = "night.reports_altered_by_site_file"
    REPORTS_LOOK_ALTERED = "night.reports_look_altered"
    AXIS_RESTS_ON_RAW_REPORTS = "night.axis_rests_on_raw_reports"
    AXIS_BY_FEW_SWEEPS = "night.axis_by_few_sweeps"
    MOUNT_PLACES_J2000 = "night.mount_places_j2000"
    MOUNT_PLACES_WITHOUT_AIR = "night.mount_places_without_air"
    MOUNT_PLACES_CHANGED = "night.mount_places_changed"
    INSTRUMENT_CHANGED = "night.instrument_changed"
    TUBE_SIDES_REVERSED = "night.tube_sides_reversed"
    SYNCED_AT_TARGETS = "night.synced_at_targets"
    MOUNT_ECHOES_SOLVES = "night.mount_echoes_solves"
    INSTRUMENT_BENDS = "night.instrument_bends"
    BENDS_CHANGED = "night.bends_changed"
    CLOCK_OFF_BY_HOURS = "night.clock_off_by_hours"
    IN_DAYLIGHT = "night.in_daylight"
    SWEEP_FOUND = "night.sweep_found"
    RUN_FOUND = "night.run_found"
    LEVEL_ERROR_CHANGES = "night.level_error_changes"
    # why solves are taken for a sweep or a run
    ON_ONE_CIRCLE = "night.on_one_circle"
    ONE_FIELD_UNGUIDED = "night.one_field_unguided"
    # of one night
    NOT_IN_HISTORY = "night.not_in_history"
    ONE_SOLVE = "night.one_solve"
    ONE_TUBE_SIDE = "night.one_tube_side"
    SECOND_SYNC = "night.second_sync"
    TIMES_MOVED = "night.times_moved"
    RUN_ONE_DIRECTION = "night.run_one_direction"
    TOO_LITTLE_FOR_AXIS = "night.too_little_for_axis"
    HALF_OF_AXIS = "night.half_of_axis"
    # of one reading that was set aside
    DISAGREES = "night.disagrees"
    DISAGREES_PERHAPS = "night.disagrees_perhaps"
    TYPED_DISAGREES = "night.typed_disagrees"
    TYPED_IN_ARCSEC = "night.typed_in_arcsec"
    IN_RECORD_TWICE = "night.in_record_twice"
    ECHOES_SOLVE = "night.echoes_solve"
    COPY_IN_OTHER_ZONE = "night.copy_in_other_zone"
    COPIED_IN_OTHER_ZONE = "night.copied_in_other_zone"
    # of a solve without the mount's coordinates, why it is of no use
    LABELLED_NONE = "night.labelled_none"
    LOOKS_GUIDED = "night.looks_guided"
    RUNS_LOOK_GUIDED = "night.runs_look_guided"
    MOUNT_MOVES_AXES = "night.mount_moves_axes"
    NOT_ON_SWEEP = "night.not_on_sweep"
    TOO_FEW_FIELDS = "night.too_few_fields"
    TURNED_TOO_LITTLE = "night.turned_too_little"
    AXIS_NOT_STILL = "night.axis_not_still"
    RECENTRED = "night.recentred"
    RUN_TOO_SHORT = "night.run_too_short"
    RUN_IF_UNGUIDED = "night.run_if_unguided"
    RUN_NOT_SMOOTH = "night.run_not_smooth"


class HistoryCode(Code):
    """What is said of the separation and of what can be told apart; sentences: history_words."""

    BEFORE_REFERENCE = "history.before_reference"
    ZEROS_TAKEN_FOR_KEPT = "history.zeros_taken_for_kept"
    ZEROS_AS_AFTER_SYNC = "history.zeros_as_after_sync"
    ZEROS_SCATTER = "history.zeros_scatter"
    ZEROS_REPEAT = "history.zeros_repeat"
    NIGHTS_ALONE = "history.nights_alone"
    LEVELS_ALONE = "history.levels_alone"
    ZEROS_ALONE = "history.zeros_alone"
    CORRECTION_REDATED = "history.correction_redated"
    CORRECTION_WRONG_SIGN = "history.correction_wrong_sign"
    LEVEL_WRITTEN_OTHERWISE = "history.level_written_otherwise"
    CORRECTION_TWICE = "history.correction_twice"
    REFERENCE_MOVED = "history.reference_moved"
    LEVEL_SCALE = "history.level_scale"
    LEVEL_STEPPED = "history.level_stepped"
    RIVALS = "history.rivals"
    BORROWED = "history.borrowed"
    LENT_UNREADABLE = "history.lent_unreadable"
    # a tilt sensor that logs all day
    SENSOR_FOLDED = "history.sensor_folded"
    SENSOR_SWINGS = "history.sensor_swings"
    SENSOR_STUCK = "history.sensor_stuck"
    SENSOR_CLOCK = "history.sensor_clock"
    SENSOR_KNOCKED = "history.sensor_knocked"
    # why two causes can be told apart, or not
    BY_ZERO = "history.by_zero"
    BY_LEVELS = "history.by_levels"
    BY_SENSOR = "history.by_sensor"
    BY_SHAPE_IN_TIME = "history.by_shape_in_time"
    BY_FROST = "history.by_frost"
    ZERO_REPEATS_POORLY = "history.zero_repeats_poorly"
    ZERO_LOST_NO_LEVEL = "history.zero_lost_no_level"
    SUM_ONLY_NO_LEVEL = "history.sum_only_no_level"
    ONE_READING = "history.one_reading"
    NO_HISTORY = "history.no_history"
    # what would settle it
    SETTLED_BY_READINGS = "history.settled_by_readings"
    SETTLED_BY_SECOND_NIGHT = "history.settled_by_second_night"
    SETTLED_BY_LOG = "history.settled_by_log"


class IngestCode(Code):
    """What is said of a log, of its rows and of single values while it is read; sentences: import_words."""

    # why a log is taken for what it is
    KIND_BY_COLUMNS = "ingest.kind_by_columns"
    MAPPING_KEPT = "ingest.mapping_kept"
    MAPPING_AGREED = "ingest.mapping_agreed"
    IMAGES_SOLVED = "ingest.images_solved"
    # a row or a value that can't be used
    NOTED_AS_TEXT = "ingest.noted_as_text"  # noted by a version that kept only a sentence
    TOO_MANY_CELLS = "ingest.too_many_cells"
    LINE_CUT = "ingest.line_cut"
    HEADER_AGAIN = "ingest.header_again"
    BELOW_OTHER_HEADER = "ingest.below_other_header"
    MOUNT_IS_SOLVED = "ingest.mount_is_solved"
    SOLVE_FAILED = "ingest.solve_failed"
    DAY_WITH_GAP = "ingest.day_with_gap"
    ROW_IN_FAHRENHEIT = "ingest.row_in_fahrenheit"
    JSON_BROKEN = "ingest.json_broken"
    JSON_NO_OBJECT = "ingest.json_no_object"
    BLANK = "ingest.blank"
    BLANK_FOR_KIND = "ingest.blank_for_kind"
    NOT_ONE_OF = "ingest.not_one_of"
    NOT_TRUE_OR_FALSE = "ingest.not_true_or_false"
    OUT_OF_RANGE = "ingest.out_of_range"
    NUMBER_UNREADABLE = "ingest.number_unreadable"
    NUMBER_NOT_FINITE = "ingest.number_not_finite"
    NUMBER_IN_PARTS = "ingest.number_in_parts"
    NUMBER_WITH_COMMA = "ingest.number_with_comma"
    NUMBER_WITH_POINT = "ingest.number_with_point"
    NUMBER_IN_OTHER_UNIT = "ingest.number_in_other_unit"
    PARTS_BEYOND_60 = "ingest.parts_beyond_60"
    TIME_UNREADABLE = "ingest.time_unreadable"
    TIME_NOT_IN_FORM = "ingest.time_not_in_form"
    TIME_NOT_IN_ORDER = "ingest.time_not_in_order"
    TIME_WITHOUT_ZONE = "ingest.time_without_zone"
    TIME_TOO_EARLY = "ingest.time_too_early"
    TIME_IN_FUTURE = "ingest.time_in_future"
    HOUR_LEFT_OUT = "ingest.hour_left_out"
    HOUR_REPEATED = "ingest.hour_repeated"
    DATE_UNREADABLE = "ingest.date_unreadable"
    DATE_NOT_IN_ORDER = "ingest.date_not_in_order"
    DATE_IN_FUTURE = "ingest.date_in_future"
    MIN_ABOVE_MAX = "ingest.min_above_max"
    ROW_EXCHANGED = "ingest.row_exchanged"
    ROW_WRONG_SIGN = "ingest.row_wrong_sign"
    ROW_IN_HOURS = "ingest.row_in_hours"
    ROW_FAR_FROM_MOUNT = "ingest.row_far_from_mount"
    ROW_BELOW_HORIZON = "ingest.row_below_horizon"
    REST_EXCHANGED = "ingest.rest_exchanged"  # these three: set aside with the rest of a doubtful file
    REST_FAR_FROM_MOUNT = "ingest.rest_far_from_mount"
    REST_BELOW_HORIZON = "ingest.rest_below_horizon"
    # remarks on a log as a whole
    COLUMNS_UNUSED = "ingest.columns_unused"
    COLUMNS_OF_ARRAYS = "ingest.columns_of_arrays"
    READ_AS_UTF16 = "ingest.read_as_utf16"
    READ_AS_WESTERN = "ingest.read_as_western"
    DELIMITER = "ingest.delimiter"
    DECIMAL_COMMA = "ingest.decimal_comma"
    LINES_SKIPPED = "ingest.lines_skipped"
    LINES_WITHOUT_VALUES = "ingest.lines_without_values"
    LIST_READ = "ingest.list_read"
    SHEET_READ = "ingest.sheet_read"
    SIDES_OPPOSITE = "ingest.sides_opposite"
    COMMENTS_SKIPPED = "ingest.comments_skipped"
    PRESSURE_OF_SEA_LEVEL = "ingest.pressure_of_sea_level"
    SETS_LABELLED = "ingest.sets_labelled"
    WITHOUT_MOUNT = "ingest.without_mount"
    PLACE_NOT_SAID = "ingest.place_not_said"
    FACES_PAIRED = "ingest.faces_paired"
    DAYS_LACKING = "ingest.days_lacking"
    HOURS_TO_DAYS = "ingest.hours_to_days"
    IN_FAHRENHEIT = "ingest.in_fahrenheit"
    SNOW_FALLS = "ingest.snow_falls"
    BEHIND_HORIZON = "ingest.behind_horizon"
    EXCHANGED = "ingest.exchanged"
    WRONG_SIGN = "ingest.wrong_sign"
    IN_HOURS = "ingest.in_hours"
    MAY_BE_HOURS = "ingest.may_be_hours"
    FAR_FROM_MOUNT = "ingest.far_from_mount"
    BELOW_HORIZON = "ingest.below_horizon"
    ONE_FRAME = "ingest.one_frame"
    FRAMES_EXCHANGED = "ingest.frames_exchanged"
    OTHER_PIERS_FILE = "ingest.other_piers_file"


class MappingCode(Code):
    """What is asked and decided of a table with columns of its own; sentences: column_words."""

    # what is asked
    WHICH_KIND = "mapping.which_kind"
    IS_IT_SLIP = "mapping.is_it_slip"
    WHICH_COLUMN = "mapping.which_column"
    IS_IT_MOUNTS = "mapping.is_it_mounts"
    WHICH_DATE = "mapping.which_date"
    WHICH_TIME = "mapping.which_time"
    WHICH_DATE_AND_TIME = "mapping.which_date_and_time"
    WHICH_ORDER = "mapping.which_order"
    WHICH_PLACE = "mapping.which_place"
    WHICH_UNIT = "mapping.which_unit"
    WHICH_ZONE = "mapping.which_zone"
    WHICH_FRAME = "mapping.which_frame"
    WHICH_SIDE = "mapping.which_side"
    WHICH_FRAME_OF_IMAGES = "mapping.which_frame_of_images"
    WHICH_ALTITUDE = "mapping.which_altitude"
    IS_CLOCK_RIGHT = "mapping.is_clock_right"
    IS_IT_THIS_PIERS = "mapping.is_it_this_piers"
    WHICH_READING = "mapping.which_reading"
    # what a choice means
    YES = "mapping.yes"
    NOT_IMPORTED = "mapping.not_imported"
    KIND = "mapping.kind"
    CELL = "mapping.cell"
    ONE_LABEL = "mapping.one_label"
    MOUNTS_OWN = "mapping.mounts_own"
    NOT_MOUNTS = "mapping.not_mounts"
    AMOUNT_UNKNOWN = "mapping.amount_unknown"
    NOT_KNOWN = "mapping.not_known"
    DATE_READ = "mapping.date_read"
    BELOW_HORIZON = "mapping.below_horizon"
    FRAME = "mapping.frame"
    BOTH_ICRS = "mapping.both_icrs"
    BOTH_OF_DATE = "mapping.both_of_date"
    SIDE_ON = "mapping.side_on"
    SIDE_LOOKS = "mapping.side_looks"
    AIRLESS = "mapping.airless"
    THROUGH_AIR = "mapping.through_air"
    CLOCK_ALL_YEAR = "mapping.clock_all_year"
    REPLACE_READING = "mapping.replace_reading"
    TAKE_FILE = "mapping.take_file"
    FORMER_READING = "mapping.former_reading"
    # why it was decided so
    ANSWERED = "mapping.answered"
    BY_NAME = "mapping.by_name"
    NAME_SAYS = "mapping.name_says"
    OWN_NAME = "mapping.own_name"
    OWN_BUT_SLIPS = "mapping.own_but_slips"
    OWN_FRAME = "mapping.own_frame"
    OWN_SIDE = "mapping.own_side"
    ALL_COLUMNS_OF = "mapping.all_columns_of"
    HOLDS_KINDS = "mapping.holds_kinds"
    MOST_COLUMNS_OF = "mapping.most_columns_of"
    NAMED_TWICE = "mapping.named_twice"
    SEVERAL_COLUMNS = "mapping.several_columns"
    HOLDS = "mapping.holds"
    NUMBERS_IN_RANGE = "mapping.numbers_in_range"
    ONE_ORDER_FITS = "mapping.one_order_fits"
    SOME_FIT_NO_OTHER = "mapping.some_fit_no_other"
    DOTS_DAY_FIRST = "mapping.dots_day_first"
    ROWS_RISE = "mapping.rows_rise"
    DATE_STAYS = "mapping.date_stays"
    LOCAL_TIME = "mapping.local_time"
    ELSE_BELOW_HORIZON = "mapping.else_below_horizon"
    SOLVES_ARE_ICRS = "mapping.solves_are_icrs"
    DIFFER_BY_PRECESSION = "mapping.differ_by_precession"
    LOOKS_ACROSS = "mapping.looks_across"
    FILE_SAYS = "mapping.file_says"
    CELLS_SAY = "mapping.cells_say"
    DEGREES_IN_PARTS = "mapping.degrees_in_parts"
    PARTS_BEYOND_HOURS = "mapping.parts_beyond_hours"
    HOURS_BY_CUSTOM = "mapping.hours_by_custom"
    USUAL_UNIT = "mapping.usual_unit"
    USUAL_AND_FITS = "mapping.usual_and_fits"
    BEYOND_24 = "mapping.beyond_24"
    TIMES_15_AGREES = "mapping.times_15_agrees"
    PARTS_APART = "mapping.parts_apart"
    TEMPERATURE_BY_THE_HOUR = "mapping.temperature_by_the_hour"
    CLOCKS_SHOW = "mapping.clocks_show"
    NO_OTHER_FITS = "mapping.no_other_fits"


class ImageCode(Code):
    """What is said of plate-solved images and their headers; sentences: import_words."""

    # an image that can't be used
    UNREADABLE = "ingest.image_unreadable"
    HEADER_UNREADABLE = "ingest.image_header_unreadable"
    READER_BROKE = "ingest.image_reader_broke"
    GZIP_BROKEN = "ingest.image_gzip_broken"
    EMPTY = "ingest.image_empty"
    NOT_FITS = "ingest.image_not_fits"
    CUT_OFF = "ingest.image_cut_off"
    NO_END = "ingest.image_no_end"
    AXES_BROKEN = "ingest.image_axes_broken"
    NO_PICTURE = "ingest.image_no_picture"
    NO_PLANE = "ingest.image_no_plane"
    NO_WCS = "ingest.image_no_wcs"
    WCS_BROKEN = "ingest.image_wcs_broken"
    WCS_NOT_OF_SKY = "ingest.image_wcs_not_of_sky"
    WCS_NOWHERE = "ingest.image_wcs_nowhere"
    COORDINATES_NOT_READ = "ingest.image_coordinates_not_read"
    RADESYS_NOT_READ = "ingest.image_radesys_not_read"
    NO_TIME = "ingest.image_no_time"
    NO_EXPOSURE = "ingest.image_no_exposure"
    NO_TIME_OF_DAY = "ingest.image_no_time_of_day"
    NO_DATE = "ingest.image_no_date"
    NO_SUCH_DAY = "ingest.image_no_such_day"
    NO_SUCH_TIME = "ingest.image_no_such_time"
    BAD_EXPOSURE = "ingest.image_bad_exposure"
    MIDDLE_BEFORE_START = "ingest.image_middle_before_start"
    Z_IN_OTHER_SCALE = "ingest.image_z_in_other_scale"
    SCALE_NOT_READ = "ingest.image_scale_not_read"
    TIME_OF_ELSEWHERE = "ingest.image_time_of_elsewhere"
    MOUNT_UNREADABLE = "ingest.image_mount_unreadable"
    PLACE_COPIED = "ingest.image_place_copied"
    OF_OTHER_SITE = "ingest.image_of_other_site"
    # remarks on a set of images
    TIMES_FROM = "ingest.image_times_from"
    NO_MOUNT = "ingest.image_no_mount"
    FAR_SITE = "ingest.image_far_site"
    MOUNT_IN_HOURS = "ingest.image_mount_in_hours"
    WRITTEN_BACK = "ingest.image_written_back"
    FRAME_SAID = "ingest.image_frame_said"
    FRAME_FOUND = "ingest.image_frame_found"
    FRAME_UNKNOWN = "ingest.image_frame_unknown"
    NO_SIDE = "ingest.image_no_side"
    SIDE_MEANS = "ingest.image_side_means"
    SIDE_UNUSED = "ingest.image_side_unused"
    KEYWORDS_KEPT = "ingest.image_keywords_kept"


class RecordCode(Code):
    """What is said of rows as they come into the record and out of it; sentences: import_words."""

    SAME_DAY = "record.same_day"
    SAME_READING = "record.same_reading"
    WITHDRAWN_STAYS = "record.withdrawn_stays"
    SETTLED_SINCE = "record.settled_since"
    LEVELS_FAR_OFF = "record.levels_far_off"
    ROWS_DAMAGED = "record.rows_damaged"
    OTHER_SITE_NAME = "record.other_site_name"
    LOGS_DOUBTED = "record.logs_doubted"
    # of what is written down by hand, why it is asked about
    LEVEL_UNLIKE_LAST = "record.level_unlike_last"
    CORRECTION_UNLIKE_ADVICE = "record.correction_unlike_advice"
    NOW_BEFORE_LAST = "record.now_before_last"
    # of a file that is read again
    ROW_COMPLETED = "record.row_completed"
    READ_OTHERWISE = "record.read_otherwise"


class WatchCode(Code):
    """What is said of what is new; sentences: watch_words.  Events are said by `AdviceCode`."""

    SEEN_ONCE = "watch.seen_once"
    LIMIT_PASSED = "watch.limit_passed"
    LIMIT_SOON = "watch.limit_soon"
    CORRECTION_FAILED = "watch.correction_failed"
    CORRECTION_MISRECORDED = "watch.correction_misrecorded"
    MOVED_OVER_GAP = "watch.moved_over_gap"
    NOTHING_MEASURED = "watch.nothing_measured"
    FEW_NIGHTS = "watch.few_nights"
    AXIS_UNKNOWN = "watch.axis_unknown"
    AXIS_TOO_VAGUE = "watch.axis_too_vague"


class TogetherCode(Code):
    """What is said of several piers of one site together; sentences: together_words."""

    MOVED_TOGETHER = "together.moved_together"
    STOOD_STILL = "together.stood_still"
    NOT_ALIKE = "together.not_alike"
    ODD_ONE = "together.odd_one"


class AdviceCode(Code):
    """What is said of what moved, what to do and what to mind; sentences: advice_words."""

    # the head of a verdict
    MOVED = "advice.moved"
    PUT_RIGHT = "advice.put_right"
    CORRECTED_BUT_OFF = "advice.corrected_but_off"
    NOTHING_MOVED = "advice.nothing_moved"
    ONE_NIGHT = "advice.one_night"
    NO_AXIS = "advice.no_axis"
    # its clauses
    PIER_TIPPED = "advice.pier_tipped"
    MOUNT_STEPPED = "advice.mount_stepped"
    STEP_OF_UNKNOWN_PART = "advice.step_of_unknown_part"
    EARLIER_STEPS = "advice.earlier_steps"
    PIER_TILTS = "advice.pier_tilts"
    PIER_SWINGS = "advice.pier_swings"
    MOUNT_CREPT = "advice.mount_crept"
    AXIS_CREPT = "advice.axis_crept"
    # what to do
    NOTHING = "advice.nothing"
    WAIT_FOR_SEASON = "advice.wait_for_season"
    WAIT_AFTER_TURNING = "advice.wait_after_turning"
    WAIT_FOR_WHAT_LASTS = "advice.wait_for_what_lasts"
    MEASURE_WHAT_LASTS = "advice.measure_what_lasts"
    SEASON_OVERDUE = "advice.season_overdue"
    FIRST_NIGHT = "advice.first_night"
    TAKE_SWEEP = "advice.take_sweep"
    OLD_NIGHT = "advice.old_night"
    STEP_SEEN_ONCE = "advice.step_seen_once"
    AXIS_UNCERTAIN = "advice.axis_uncertain"
    SAY_WHAT_IS_REPORTED = "advice.say_what_is_reported"
    WOULD_SETTLE = "advice.would_settle"
    NIGHT_FIRST = "advice.night_first"
    WAIT_IS_OVER = "advice.wait_is_over"
    NOT_SEEN_YET = "advice.not_seen_yet"
    TIGHTEN = "advice.tighten"
    LOOKS_REALIGNED = "advice.looks_realigned"
    CRACK_NOTED = "advice.crack_noted"
    TILTS_TOO_FAR = "advice.tilts_too_far"
    TILT_RUNS_AWAY = "advice.tilt_runs_away"
    TURN = "advice.turn"
    TURN_BASE = "advice.turn_base"
    PUT_SHIMS = "advice.put_shims"
    SHIMS_TOO_THICK = "advice.shims_too_thick"
    TURN_NUTS = "advice.turn_nuts"
    RAISE_BY_GAUGE = "advice.raise_by_gauge"
    TOO_LITTLE_FOR_NUTS = "advice.too_little_for_nuts"
    NUTS_TOO_COARSE = "advice.nuts_too_coarse"
    PLATE_NOT_DESCRIBED = "advice.plate_not_described"
    PLATE_CANT_BE_TIPPED = "advice.plate_cant_be_tipped"
    # what the plate is tipped for
    TO_LEVEL_BASE = "advice.to_level_base"
    ALTITUDE_OUT_OF_TRAVEL = "advice.altitude_out_of_travel"
    # what is said after an action
    BASE_LEFT_TILTED = "advice.base_left_tilted"
    MEASURE_AFTER_TIP = "advice.measure_after_tip"
    TURN_FRAMES_BACK = "advice.turn_frames_back"
    # what was done
    DONE = "advice.done"
    # what an axis error reaches at its limit
    TRAILS = "advice.trails"
    CORNER_TURNS = "advice.corner_turns"
    SESSION_TURNS = "advice.session_turns"
    OVERLAP_TURNED = "advice.overlap_turned"
    OVERLAP_SHIFTED = "advice.overlap_shifted"
    SLEW_MISSES = "advice.slew_misses"
    # what to mind
    PARK_FIRST = "advice.park_first"
    EASE_BOLTS = "advice.ease_bolts"
    SCREWS_HAVE_PLAY = "advice.screws_have_play"
    SCREW_CARRIES_HEAD = "advice.screw_carries_head"
    TAKE_LOAD_OFF = "advice.take_load_off"
    LIFTING = "advice.lifting"
    POWER_OFF = "advice.power_off"
    BURIED_LINES = "advice.buried_lines"
    DEEP_HOLES = "advice.deep_holes"
    NEVER_THE_SUN = "advice.never_the_sun"


class TonightCode(Code):
    """What is said of the fields to solve tonight; sentences: tonight_words."""

    # what they are for
    FIND_AXIS = "tonight.find_axis"
    TELL_APART = "tonight.tell_apart"
    VERIFY_TURN = "tonight.verify_turn"
    LEARN_CONSTANTS = "tonight.learn_constants"
    # what does more than any field
    LEVEL = "tonight.level"
    LEVEL_FIRST = "tonight.level_first"
    BEFORE_SYNC = "tonight.before_sync"
    BEFORE_SYNC_FIRST = "tonight.before_sync_first"
    NO_SYNC = "tonight.no_sync"
    SWEEP = "tonight.sweep"
    SECOND_NIGHT = "tonight.second_night"
    # of the hour and the sky
    NOT_DARK = "tonight.not_dark"
    NEVER_DARK = "tonight.never_dark"
    SUN_UP = "tonight.sun_up"
    SUN_NEAR = "tonight.sun_near"
    NO_SKY = "tonight.no_sky"
    FEW_PLACES = "tonight.few_places"
    ONE_SIDE_ONLY = "tonight.one_side_only"
    # of the list
    MINUTES_SHORT = "tonight.minutes_short"
    MADE_FOR_MINUTES = "tonight.made_for_minutes"
    SAME_FIELDS = "tonight.same_fields"
    NEW_FIELDS = "tonight.new_fields"
    NOT_KEPT = "tonight.not_kept"
    FLIP = "tonight.flip"
    # what it rests on
    HORIZON_OPEN = "tonight.horizon_open"
    MOUNT_ASSUMED = "tonight.mount_assumed"
    # what to do next while fields come in
    SOLVE_NEXT = "tonight.solve_next"
    SOLVE_AGAIN = "tonight.solve_again"
    TURN_NOW = "tonight.turn_now"
    TURN_OTHER_TOO = "tonight.turn_other_too"
    VERIFY_NOW = "tonight.verify_now"
    ENOUGH = "tonight.enough"
    LEAVE_IT = "tonight.leave_it"
    NOT_SURE_OVER = "tonight.not_sure_over"
    NOT_BY_FIELDS = "tonight.not_by_fields"
    # what is to be said beside
    TURN_DID = "tonight.turn_did"
    INSIDE_ALREADY = "tonight.inside_already"
    WRONG_SOLVES = "tonight.wrong_solves"
    ZERO_JUMPED = "tonight.zero_jumped"
    BESIDE_THE_LIST = "tonight.beside_the_list"
    NO_MOUNT_PLACES = "tonight.no_mount_places"
    CLOCK_AHEAD = "tonight.clock_ahead"
    NO_HISTORY_YET = "tonight.no_history_yet"


@dataclass(frozen=True, kw_only=True)
class Notice:
    """One thing to say.

    Attributes
    ----------
    code
        What it is.
    severity
        How grave it is.
    values
        The numbers and names that its sentence needs; units in the names.
    """

    code: Code
    severity: Severity = Severity.WARNING
    values: Mapping[str, Value] = field(default_factory=dict)


def info(code: Code, **values: Value) -> Notice:
    """Return a notice that is good to know."""
    return Notice(code=code, severity=Severity.INFO, values=values)


def warning(code: Code, **values: Value) -> Notice:
    """Return a notice for which the answer is trusted less."""
    return Notice(code=code, severity=Severity.WARNING, values=values)


def text_of(notice: Notice) -> str:
    """Return a notice as a line of JSON: code, severity and values."""
    whole = {"code": notice.code, "severity": notice.severity, "values": dict(notice.values)}
    return json.dumps(whole, ensure_ascii=False)


def notice_of(text: str) -> Notice:
    """Return the notice of a line of JSON that `text_of` wrote.

    Raises
    ------
    ValueError
        If it is none.
    """
    whole = json.loads(text)
    values = {name: _value_of(value) for name, value in whole["values"].items()}
    return Notice(code=code_of(whole["code"]), severity=Severity(whole["severity"]), values=values)


def _value_of(value: Any) -> Value:
    return tuple([_value_of(one) for one in value]) if isinstance(value, list) else value


def code_of(text: str) -> Code:
    """Return the code whose text it is.

    Raises
    ------
    ValueError
        If no room has such a code.
    """
    for room in Code.__subclasses__():
        if text in room._value2member_map_:
            return room(text)
    raise ValueError(f"{text!r} is no code of a notice")


def as_value(notice: Notice) -> Value:
    """Return a notice as a value that may stand in another one."""
    return (str(notice.code), str(notice.severity), tuple(notice.values.items()))


def from_value(value: Any) -> Notice:
    """Return the notice that `as_value` made a value of."""
    code, severity, values = value
    return Notice(code=code_of(code), severity=Severity(severity), values=dict(values))
