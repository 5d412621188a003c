"""What frost did to the ground at the pier, and what can be done about it, in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drift.advice.ground import GroundStep
from drift.codes import ForcingKind
from drift.ground.frost_depth import DesignRule, Reach
from drift.ground.pier_site import FrostClass
from drift.ground.weather import OtherUnit, date_text
from drift.notices import Code, GroundCode, SiteCode
from drift.render.notices import Values, Writer, sentence
from drift.render.phrases import counted
from drift.site.checks import key_of, shown
from drift.site.sections import SECTIONS

if TYPE_CHECKING:
    from drift.advice.ground import PierGround
    from drift.ground.frost_depth import DepthRange, FrostAtBase, WinterFrost


# ---- What can be done about the pier itself and the ground around it.


#: The source given for a rule of the trade without a known document.
COMMON_PRACTICE = "common practice"


@dataclass(frozen=True)
class GroundAdvice:
    """One piece of advice about the pier and its ground.

    Parameters
    ----------
    topic
        A word or two.
    sentence
        The advice.
    source
        Where it comes from, or `COMMON_PRACTICE`.
    """

    topic: str
    sentence: str
    source: str


_DRAINAGE = GroundAdvice(
    "drainage",
    "Keep water away from the foundation: slope the ground away from it, lead roof water elsewhere, and "
    "let the base stand on clean stone that can drain.  Frost lifts only ground that it can draw water "
    "through.",
    "common practice; that the water drawn to the freezing front is what lifts: Konrad and Morgenstern, "
    "Canadian Geotechnical Journal (1980 to 1982)",
)
_SOIL = GroundAdvice(
    "soil around the pier",
    "Stone or coarse sand with hardly any fines (less than 3 % by mass finer than 0.02 mm) around and "
    "under the base does not heave.  What the natural ground does, no name and no index test tells reliably.",
    "U.S. Army TI 850-02 (2000); Chamberlain, CRREL Monograph 81-2 (1981)",
)
_INSULATION = GroundAdvice(
    "insulation",
    "Boards for use in the ground, laid flat around the pier, keep frost higher.  The published tables for "
    "frost-protected shallow foundations (depth, width, thickness of boards) are for buildings heated all "
    "winter: a pier is not heated, so they do not apply to it, and none for piers is known here.  A bare "
    "column through the boards is a thermal bridge, as concrete conducts some forty times as well as they "
    "do: wrap it too, from above the ground down.  Have a skirt sized by someone who does this.",
    "scope of the rules after ASCE 32 (heated buildings only; unheated garages and porches are excepted); "
    "concrete 1.4 W/(m K), boards 0.035: common practice",
)
_SLEEVE = GroundAdvice(
    "frost's grip on the column",
    "Ground that freezes to the column can pull it up even where the base is below the frost.  A smooth "
    "sleeve around the column through the frozen depth, or a base wider than the column, holds against it.",
    COMMON_PRACTICE,
)
_SNOW = GroundAdvice(
    "snow",
    "Leave the snow lying around the pier, a few paces out: loose snow is a good insulator, and ground "
    "cleared of it freezes far deeper.  If you have to clear it, clear it every winter: winters with and "
    "without snow are hard to compare.",
    COMMON_PRACTICE,
)
_DEPTH = GroundAdvice(
    "depth of a new pier",
    "Put the base below the frost of a design winter (the mean of the three coldest of thirty, or the "
    "coldest of ten) with the ground bare of snow.  The local code's frost depth is the least to go by, not "
    "a target.",
    "design winter: U.S. Army/Air Force (1966); below the frost line and at least 12 inches: International "
    "Residential Code R403.1.4",
)
_CLAY = GroundAdvice(
    "clay",
    "Clay swells when wet and shrinks when dry, mostly in the uppermost metres: keep its moisture even, "
    "plant no trees or thirsty shrubs near the pier, and don't water on one side of it.",
    "Clarke and Smethurst, buildingconservation.com (shrinkage and swelling rarely below 5 m)",
)
_COLUMN = GroundAdvice(
    "sun on the column",
    "Shade or wrap a column on which the sun falls: five degrees from side to side bend a concrete column of "
    '1.5 m by 0.4 m by about 40".',
    "common practice; the angle is expansion times difference times height by width, at 10e-6 a degree",
)
_NEW_CONCRETE = GroundAdvice(
    "a new pier",
    "A pier on clay goes on settling for months to years, ever more slowly.  Align it well, but leave the "
    "plate's fine levelling until its tilt has slowed.",
    "common practice; the slowing is Terzaghi's consolidation",
)
_CODES = GroundAdvice(
    "who decides",
    "Local building codes go before anything said here, and where a foundation is to be built or changed, "
    "ask a geotechnical engineer who knows the ground.",
    COMMON_PRACTICE,
)
_DIGGING = GroundAdvice(
    "digging",
    "Before anyone digs, call the local service that marks buried cables and pipes, and wait for its marks.  "
    "A hole caves in without warning: nobody goes into one deeper than about 1.2 m whose sides are not "
    "shored or sloped back.  Don't dig below or close beside the base of a standing pier: it loses its "
    "footing.  "
    "Local code may ask for a permit.",
    "common practice; U.S. rules ask for protection from 5 feet on and less where the ground may cave in (29 "
    "CFR 1926.652)",
)

#: The sentence of each step.
GROUND_ADVICE = {
    GroundStep.DRAINAGE: _DRAINAGE,
    GroundStep.SOIL: _SOIL,
    GroundStep.INSULATION: _INSULATION,
    GroundStep.SLEEVE: _SLEEVE,
    GroundStep.SNOW: _SNOW,
    GroundStep.DEPTH: _DEPTH,
    GroundStep.CLAY: _CLAY,
    GroundStep.COLUMN: _COLUMN,
    GroundStep.NEW_CONCRETE: _NEW_CONCRETE,
    GroundStep.CODES: _CODES,
    GroundStep.DIGGING: _DIGGING,
}


# ---- What the frost did, and what to build for.


#: Frost-susceptibility classes, in words.  U.S. Army Corps of Engineers, after Casagrande's limit of 3 % by
#: mass finer than 0.02 mm.
_FROST_CLASSES = {
    FrostClass.NFS: "hardly susceptible to frost (less than 3 % finer than 0.02 mm)",
    FrostClass.F1: "slightly susceptible to frost (gravel with 3 to 10 % finer than 0.02 mm)",
    FrostClass.F2: "slightly to moderately susceptible to frost (sand or gravel with more fines)",
    FrostClass.F3: "highly susceptible to frost (silty or clayey coarse soil, plastic clay)",
    FrostClass.F4: "very highly susceptible to frost (silt, lean or varved clay)",
    FrostClass.UNCLASSED: "of unknown susceptibility to frost",
}
_RULES = {
    DesignRule.THREE_OF_THIRTY: "mean of the three coldest of the last thirty winters",
    DesignRule.COLDEST_OF_TEN: "coldest of the last ten winters",
    DesignRule.COLDEST_KNOWN: "coldest of {winters} known winters, too few for a design value",
}


def frost_sentences(found: FrostAtBase, base_assumed: bool = False) -> tuple[str, ...]:
    """Say of the last winter with frost how deep it went, whether under the base, and what snow would change.

    Parameters
    ----------
    found
        How deep it went.
    base_assumed
        Whether the depth of the base was not given, so that the sentences call it assumed.

    Returns
    -------
    tuple of str
        Empty when the weather holds no winter with frost.
    """
    at = [i for i, winter in enumerate(found.as_is) if winter.depth.deep > 0.0]
    if not at:
        return ()
    winter, left, cleared = (case[at[-1]] for case in (found.as_is, found.snow_left, found.snow_cleared))
    sentences = [_depth_sentence(winter), _reach_sentence(winter, found.base_m, base_assumed)]
    sentences.append(
        f"With snow left lying it would have been {_range(left.depth)}, with snow cleared "
        f"{_range(cleared.depth)}."
    )
    sentences.append("The depth is worked out from the weather; it does not tell whether the ground heaves.")
    return tuple(sentences)


def _range(depth: DepthRange) -> str:
    return f"{depth.middle:.2f} m ({depth.shallow:.2f} to {depth.deep:.2f} m)"


def _depth_sentence(winter: WinterFrost) -> str:
    when = "" if winter.deepest_day is None else f", deepest on {date_text(winter.deepest_day)}"
    so_far = "" if winter.whole else ", as far as the weather tells"
    return (
        f"In the winter {winter.winter} frost went {_range(winter.depth)} deep{when}{so_far}; the range is "
        "for what isn't known of the soil's water and of the surface."
    )


def _reach_sentence(winter: WinterFrost, base_m: float, assumed: bool) -> str:
    base = f"the pier's base at {base_m:g} m"
    base += " (assumed: [pier] depth_m is not given)" if assumed else ""
    if winter.reaches == "no":
        return f"It did not reach {base}."
    when = ""
    if winter.first_day is not None and winter.last_day is not None:
        days = f"from {date_text(winter.first_day)} to {date_text(winter.last_day)}"
        when = f", by {winter.below_base_m * 100.0:.0f} cm, {days}"
    if winter.reaches is Reach.YES:
        return f"It went below {base}{when}."
    if_drier = ", where the soil is drier or the surface barer than assumed"
    return f"It may have gone below {base}{when or if_drier}."


def ground_sentences(found: PierGround | None) -> tuple[str, ...]:
    """Say what the frost did, and whether it reaches the pier's base."""
    if found is None:
        return (
            "What the frost did is not known: there is no weather log of at least a month.  Daily minimum "
            "and maximum temperatures, imported as they are, tell it.",
        )
    sentences = frost_sentences(found.frost, found.ground.base_assumed)
    if not sentences:
        sentences = ("No winter of the weather log froze the ground.",)
    assumed = tuple(sentence(one) for one in found.ground.assumed)
    return sentences + _winters_below(found.frost) + assumed


def _winters_below(frost: FrostAtBase) -> tuple[str, ...]:
    """Say in how many winters frost went below the base, and when only cleared snow lets it."""
    logged = frost.logged(frost.as_is)
    in_all = len(logged)
    reached = [w for w in logged if w.reaches is Reach.YES]
    perhaps = [w for w in logged if w.reaches is Reach.PERHAPS]
    cleared = _clearing(frost)
    if in_all < 2 or (cleared and not reached and not perhaps) or not _freezes(frost):
        return cleared
    below = f"below the base in {len(reached) or 'none'}"
    below += f", perhaps in {len(perhaps)} more" if perhaps else ""
    return (f"Of the {in_all} winters in the log, frost went {below}.", *cleared)


def _freezes(frost: FrostAtBase) -> bool:
    return any(winter.depth.deep > 0.0 for winter in frost.as_is)


def _clearing(frost: FrostAtBase) -> tuple[str, ...]:
    """Return in which winters only cleared snow lets frost under the base."""
    cases = ((frost.as_is, "as it lay, frost went"), (frost.snow_left, "left lying, frost would have gone"))
    kept = next(
        (words for winters, words in cases if all(w.reaches is Reach.NO for w in frost.logged(winters))),
        None,
    )
    logged = frost.logged(frost.snow_cleared)
    reached = [w for w in logged if w.reaches is not Reach.NO]
    if kept is None or not reached:
        return ()
    sure = "would have been" if any(w.reaches is Reach.YES for w in reached) else "may have been"
    log, many = counted(len(logged), "winter"), "all" if len(reached) == len(logged) else str(len(reached))
    return (
        f"With its snow {kept} below the base in none of the log's {log}; with the ground cleared it {sure} "
        f"below it in {many} of them: leave the snow lying.",
    )


def frost_class_sentence(susceptibility: FrostClass) -> str:
    """Return the frost susceptibility that a soil's name suggests, with the proviso."""
    return (
        f"By its name the ground is {_FROST_CLASSES[susceptibility]}.  That is a first guess only: no index "
        "test of a soil tells reliably whether it heaves, and a name still less."
    )


def design_sentences(found: PierGround | None) -> tuple[str, ...]:
    """Say how deep the frost of a winter to build for goes, and what the soil's name lets one expect."""
    if found is None:
        return ()
    sentences = []
    if found.design is not None and found.design_depth is not None:
        depth = found.design_depth
        rule = _RULES[found.design.rule].format(winters=found.design.winters)
        sentences.append(
            f"With the ground bare of snow, a winter of {found.design.index_c_d:.0f} degree-days of frost "
            f"({rule}) freezes this ground about {depth.middle:.2f} m deep ({depth.shallow:.2f} "
            f"to {depth.deep:.2f} m within what isn't known of it), by the modified Berggren formula."
        )
    return (*sentences, frost_class_sentence(found.ground.susceptibility))


# ---- Sentences of notices.


_UNITS = {OtherUnit.FAHRENHEIT: "degrees Fahrenheit", OtherUnit.TENTHS: "tenths of a degree"}
_FORCINGS = {
    ForcingKind.FROZEN: "thickness of frozen soil, which grips the pier's sides and heaves what it holds",
    ForcingKind.UNDER_BASE: "thickness of frozen soil below the pier's base, which lifts it",
    ForcingKind.COLD_LEFT: (
        "root of the cold that the ground has taken up and not yet given back, by degree-days alone"
    ),
    ForcingKind.TEMPERATURE: "daily mean air temperature",
}


def dates_words(of: Values) -> str:
    """Return the first dates of a notice about days, and how many more there are."""
    named = [date_text(day) for day in of["first_days"]]
    more = of["days"] - len(named)
    return ", ".join(named) + (f" and {more} more" if more else "")


def _from_weather(of: Values) -> str:
    made_up = f", {of['filled']} of them without a reading and filled in" if of["filled"] else ""
    return f"{_FORCINGS[ForcingKind(of['forcing'])]}, from {of['days']} days of weather{made_up}"


def _key_assumed(of: Values) -> str:
    key = key_of(SECTIONS[of["section"]].model_fields[of["key"]])
    words = key.assumed or f"{shown(of['value'])}{' ' if of['unit'] else ''}{of['unit']}"
    return f"[{of['section']}] {of['key']} is not given: {words} is assumed."


def _key_renamed(of: Values) -> str:
    line = f", line {of['line']}" if of["line"] else ""
    where = f"{of['file'] or 'the site'}{line}"
    return f"[{of['section']}] {of['former']} is called {of['key']} now: rename it in {where}."


SENTENCES: dict[Code, Writer] = {
    SiteCode.KEY_ASSUMED: _key_assumed,
    SiteCode.KEY_RENAMED: _key_renamed,
    GroundCode.DAYS_TWICE: lambda of: (
        f"The weather has {counted(of['days'], 'day')} with several different rows ({dates_words(of)}); of "
        "each the one nearest to the days around it is used."
    ),
    GroundCode.SENSOR_STILL: lambda of: (
        f"The minimum and maximum stand still to the digit on {of['days']} days in a row or more "
        f"({dates_words(of)}): the sensor is taken to have failed, and these days are not used."
    ),
    GroundCode.OTHER_UNIT_CONVERTED: lambda of: (
        f"{counted(of['days'], 'day')} of the weather are far from all others as degrees Celsius and fit as "
        f"{_UNITS[OtherUnit(of['unit'])]} ({dates_words(of)}); they were converted.  Correct the log if that "
        "is right, or leave the days out of it."
    ),
    GroundCode.OTHER_UNIT_LEFT_OUT: lambda of: (
        f"{counted(of['days'], 'day')} of the weather can't be degrees Celsius beside the days around, and "
        f"may be {_UNITS[OtherUnit(of['unit'])]} ({dates_words(of)}); left out.  Correct the log if so."
    ),
    GroundCode.DAYS_FILLED: lambda of: (
        f"{counted(of['days'], 'day')} without a temperature inside the weather log ({dates_words(of)}) got "
        "the usual one of the season."
    ),
    GroundCode.BASE_ASSUMED: lambda of: (
        f"[pier] depth_m is not given: a base {of['base_m']:g} m down is assumed."
    ),
    GroundCode.SOIL_ASSUMED: lambda of: "[pier] soil is not given: a middling fine soil is assumed.",
    GroundCode.SURFACE_ASSUMED: lambda of: (
        "[pier] surface is not given: something between turf and bare soil is assumed."
    ),
    GroundCode.FROM_WEATHER: _from_weather,
    GroundCode.FROM_PAST_YEARS: lambda of: (
        f"drawn from {of['years']} past years of weather, from {date_text(of['from_day'])} on"
    ),
    GroundCode.FROM_USUAL_YEAR: lambda of: (
        f"the usual year as far as it is known, with invented weather about it, from "
        f"{date_text(of['from_day'])} on, as the log holds fewer than {of['wanted_years']} past years"
    ),
}
