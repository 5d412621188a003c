"""Column names by people and other programs, taken apart into known words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache

from drift.ingest.text import Heading
from drift.ingest.units import Unit, unit_of

#: Word -> every way to write it, English first, then what other languages have.
_SAME: dict[str, str] = {
    "mount": "mount scope telescope tel mnt encoder encoders reported montierung teleskop monture",
    "solved": "solved solve solution solver platesolve platesolved plate image img centre center wcs actual "
    "measured astrometric crval astrometry",
    "else": "target targ requested request commanded command catalog catalogue goto slew slewed object obj "
    "wanted planned guide guider guiding sun moon focuser focus ccd camera cam sensor cooler setpoint fov "
    "pixel pixels dome mirror dew hfr fwhm",
    "error": "error errors err rms offset off delta diff difference drift shift deviation dev correction "
    "misalignment fehler abweichung ecart erreur residual rate",
    "ra": "ra rightascension rektaszension rekt alpha ar ascension",
    "dec": "dec decl de declination deklination declinaison delta_angle",
    "ha": "ha hourangle stundenwinkel",
    "coordinates": "coordinates coordinate coords coord koordinaten",
    "az": "az azm azi azimuth azimut",
    "alt": "alt altitude elevation elev hoehe höhe hauteur el",
    "time": "time timestamp datetime datetimes zeit uhrzeit heure hora when tijd clock moment zeitpunkt",
    "date": "date datum day fecha jour tag data",
    "utc": "utc ut gmt zulu",
    "local": "local lt lokal ortszeit mez mesz localtime",
    "jd": "jd juliandate julian",
    "mjd": "mjd",
    "far_clock": "hjd bjd heliocentric barycentric",
    "unix": "unix epoch unixtime posix",
    "start": "start begin beg started obs beginning begun",
    "end": "end stop finish ended",
    "middle": "mid middle midpoint avg",
    "exposure": "exposure exptime exp expo exposuretime belichtung belichtungszeit pose xposure",
    "side": "side pierside pier_side sideofpier seite",
    "session": "session sessions run_id sitzung",
    "before": "before pre",
    "sync": "sync synced synchronised synchronized",
    "temp": "temp temperature tambient airtemp ambtemp temperatur tair",
    "pressure": "pressure press baro barometer luftdruck druck pression qfe",
    "sea_level": "qnh sealevel slp reduced",
    "angle": "angle rotation orientation rot",
    "position": "position",
    "pa": "pa posangle positionangle rotang",
    "sweep": "sweep sweeps",
    "run": "run runs",
    "north": "north n ns northsouth nord sud northward northing",
    "east": "east e ew eastwest ost est eastward easting",
    "tilt": "tilt lean level inclination slope neigung inclinometer",
    "place": "place where location ort lieu",
    "face": "face reversed turned direction",
    "sigma": "sigma sd uncertainty stdev std stddev unc",
    "minimum": "min minimum low lowest tmin tn",
    "maximum": "max maximum high highest tmax tx",
    "mean": "mean average tmean tavg mittel",
    "success": "success successful succeeded ok status valid erfolg",
    "fall": "fall fallen new fresh neuschnee",
    "snow": "snow snowdepth snwd schnee schneehoehe neige",
    "kind": "kind type what action art",
    "amount": "amount change",
    "bearing": "bearing",
    "thickness": "thickness thick shim",
    "turns": "turns turn",
    "note": "note notes comment comments remark remarks bemerkung",
    "j2000": "j2000 icrs fk5 2000 j2k",
    "of_date": "jnow now ofdate apparent epochofdate scheinbar",
    "mean_of_date": "meanofdate",
    "b1950": "b1950 1950 fk4",
}
_MEANING: dict[str, str] = {way: word for word, ways in _SAME.items() for way in ways.split()}
#: Words of units that may stand in a name without brackets.
_UNIT_WORDS = frozenset(
    (
        *(
            "deg",
            "degs",
            "degree",
            "degrees",
            "hour",
            "hours",
            "hrs",
            "hr",
            "h",
            "hms",
            "dms",
            "rad",
            "radians",
        ),
        *(
            "arcmin",
            "arcminutes",
            "arcsec",
            "arcseconds",
            "arcsecs",
            "asec",
            "amin",
            "sec",
            "secs",
            "seconds",
        ),
        *("ms", "min", "minutes", "hpa", "mbar", "inhg", "mmhg", "pa", "kpa", "c", "f", "k", "celsius"),
        *(
            "fahrenheit",
            "kelvin",
            "degc",
            "degf",
            "mm",
            "cm",
            "um",
            "m",
            "in",
            "inch",
            "inches",
            "thou",
            "mil",
        ),
        *("s", "d"),
    )
)
_BRACKETS = re.compile(r"[(\[{<]([^)\]}>]*)[)\]}>]")
_PHRASES = (
    (re.compile(r"right[\s_-]*ascension", re.I), " ra "),
    (re.compile(r"hour[\s_-]*angle", re.I), " ha "),
    (re.compile(r"j\s*2000(\.0)?", re.I), " j2000 "),
    (re.compile(r"b\s*1950(\.0)?", re.I), " b1950 "),
    (re.compile(r"j[\s_-]*now", re.I), " jnow "),
    (re.compile(r"mean[\s_]+of[\s_]+date", re.I), " meanofdate "),
    (re.compile(r"(epoch[\s_]+)?of[\s_]+date", re.I), " jnow "),
    (re.compile(r"pos(ition)?[\s_.]*ang(le)?", re.I), " pa "),
    (re.compile(r"(pier|tube)[\s_-]*side|side[\s_]+of[\s_]+(the[\s_]+)?pier", re.I), " pierside "),
    (re.compile(r"°\s*([CF])\b"), r" deg\1 "),
    (re.compile(r"\b(hPa|kPa|inHg|mmHg|mBar)\b"), lambda match: f" {match[0].lower()} "),
)


@dataclass(frozen=True)
class Words:
    """The known words of a heading, and its possible units."""

    known: frozenset[str]
    unit_texts: tuple[tuple[str, ...], ...]  # the unit by the file, in brackets, as words, as signs

    def has(self, *words: str) -> bool:
        """Tell whether any of the words is there."""
        return any(word in self.known for word in words)

    def unit(self, column: str) -> Unit | None:
        """Return the unit that the name gives for one of our columns; None for none, or for two."""
        for texts in self.unit_texts:
            found = {unit_of(text, column) for text in texts if text} - {None}
            if found:
                return found.pop() if len(found) == 1 else None
        return None


#: A VOTable's UCD, for columns whose name says nothing -> our word.
_UCDS = {
    "pos.eq.ra": "ra",
    "pos.eq.dec": "dec",
    "pos.posang": "pa",
    "time.epoch": "time",
    "time.start": "start",
    "time.end": "end",
    "phys.temperature": "temp",
    "phys.pressure": "pressure",
}


@lru_cache(maxsize=8)
def words_of_all(headings: tuple[Heading, ...]) -> tuple[Words, ...]:
    """Take all headings of a table apart; cached, because they are needed often."""
    return tuple(words_of(heading) for heading in headings)


def words_of(heading: Heading) -> Words:
    """Take a heading apart."""
    text = heading.name
    for pattern, instead in _PHRASES:
        text = pattern.sub(instead, text)
    bracketed = [inner.strip() for inner in _BRACKETS.findall(text)]
    outside = _BRACKETS.sub(" ", text)
    signs = re.findall(r"°|″|′|\"|''|'|‰", outside)
    spaced = re.sub(r"(?<=[a-zäöü0-9])(?=[A-Z])", " ", outside)
    tokens = [token for token in re.split(r"[^A-Za-z0-9äöüÄÖÜé]+", spaced) if token]
    known: set[str] = set()
    inner = [word for text in bracketed for word in re.split(r"[\s,;/]+", text)]
    for token in [*tokens, *inner]:
        known |= _known(token.lower())
    known |= {word for word in ("utc", "local", "jd", "mjd", "unix") if word in heading.unit.lower().split()}
    remark = heading.remark.lower()
    if not known:
        known |= {word for ucd, word in _UCDS.items() if remark.startswith(ucd)}
    known |= {word for units, word in (("frame:j2000", "j2000"), ("frame:b1950", "b1950")) if units in remark}
    parts = [word for token in tokens for word in (token.lower(), *_segments(token.lower()))]
    units = tuple(word for word in parts if word in _UNIT_WORDS)
    return Words(frozenset(known), ((heading.unit,), (*bracketed,), (*inner,), units, (*signs[-1:],)))


def _known(token: str) -> set[str]:
    if token in _MEANING:
        return {_MEANING[token]}
    return {_MEANING[part] for part in _segments(token) if part in _MEANING}


@cache
def _segments(token: str) -> tuple[str, ...]:
    """Split a word such as "mountra" or "rahours" into words that are all known, or return ()."""
    if token in _MEANING or token in _UNIT_WORDS:
        return (token,)
    for end in range(len(token) - 1, 1, -1):
        head = token[:end]
        if head in _MEANING or (head in _UNIT_WORDS and end > 1):
            rest = _segments(token[end:]) if len(token) - end > 1 else ()
            if rest:
                return (head, *rest)
    return ()


@dataclass(frozen=True)
class _Rule:
    """The words that a name needs for one of our columns: one of each of `needs`, none of `bars`."""

    needs: tuple[tuple[str, ...], ...]
    bars: tuple[str, ...] = ()

    def fits(self, words: Words) -> bool:
        return all(words.has(*any_of) for any_of in self.needs) and not words.has(*self.bars)


_NO_PLACE = ("else", "error", "sigma", "az", "alt")
#: Our column -> the names that are taken for it; times and dates are recognised by their content as well.
_RULES: Mapping[str, _Rule] = {
    "ra_deg": _Rule((("ra",),), (*_NO_PLACE, "mount", "dec")),
    "dec_deg": _Rule((("dec",),), (*_NO_PLACE, "mount", "ra")),
    "mount_ra_deg": _Rule((("ra",), ("mount",)), (*_NO_PLACE, "dec", "solved")),
    "mount_dec_deg": _Rule((("dec",), ("mount",)), (*_NO_PLACE, "ra", "solved")),
    "tube_side": _Rule((("side",),)),
    "success": _Rule((("success",),), ("ra", "dec", "error", "else")),
    "session": _Rule((("session",),)),
    "before_sync": _Rule((("before",), ("sync",))),
    "temp_c": _Rule((("temp",),), ("else", "minimum", "maximum", "mean", "mount")),
    "pressure_hpa": _Rule((("pressure",),), ("sea_level",)),
    "exposure_s": _Rule((("exposure",),), ("start", "end", "middle", "date")),
    "pa_deg": _Rule((("pa",),), ("else", "error")),
    "sweep": _Rule((("sweep",),)),
    "run": _Rule((("run",),), ("session",)),
    "dec_offset_arcsec": _Rule((("dec",), ("error",)), ("ra", "else", "sigma")),
    "ra_offset_arcsec": _Rule((("ra",), ("error",)), ("dec", "else", "sigma")),
    "az_error_arcmin": _Rule((("az",),), ("sigma", "alt", "mount", "else", "solved")),
    "alt_error_arcmin": _Rule((("alt",),), ("sigma", "az", "mount", "else", "solved")),
    "sigma_arcmin": _Rule((("sigma",),)),
    "tilt_north_arcsec": _Rule((("north",),), ("east", "sigma")),
    "tilt_east_arcsec": _Rule((("east",),), ("north", "sigma")),
    "place": _Rule((("place",),)),
    "face_deg": _Rule((("face",),)),
    "sigma_arcsec": _Rule((("sigma",),)),
    "t_min_c": _Rule((("minimum",),), ("maximum", "mean")),
    "t_max_c": _Rule((("maximum",),), ("minimum", "mean")),
    "t_mean_c": _Rule((("mean",),), ("minimum", "maximum")),
    "snow_cm": _Rule((("snow",),), ("fall",)),
    "kind": _Rule((("kind",),)),
    "amount_arcmin": _Rule((("amount",),)),
    "bearing_deg": _Rule((("bearing",),)),
    "thickness_mm": _Rule((("thickness",),)),
    "turns": _Rule((("turns",),)),
    "note": _Rule((("note",),)),
}


#: Last words of the names of columns that hold the parts of an angle: sign, hours or degrees, minutes ...
_SIGN_WORDS = frozenset({"sign", "sgn", "vz"})
_PART_WORDS = (
    frozenset({"h", "hr", "hrs", "hour", "hours", "d", "deg", "degs", "degree", "degrees", "std", "\u00b0"}),
    frozenset({"m", "min", "mins", "minute", "minutes", "arcmin", "'"}),
    frozenset({"s", "sec", "secs", "second", "seconds", "arcsec", '"'}),
)


def columns_in_parts(column: str, headings: tuple[Heading, ...]) -> tuple[int, ...]:
    """Return the positions of neighbours that hold the parts of an angle (RA h, RA m, RA s), () for none."""
    rule = _RULES[column]
    fitting = [rule.fits(one) for one in words_of_all(headings)]
    last = _last_words(headings)
    for start, word in enumerate(last):
        if not fitting[start] or word not in _PART_WORDS[0]:
            continue
        ends = [
            at
            for at, words in zip((start + 1, start + 2), _PART_WORDS[1:], strict=True)
            if at < len(last) and fitting[at] and last[at] in words
        ]
        if ends:
            signed = start and last[start - 1] in _SIGN_WORDS and fitting[start - 1]
            return (*((start - 1,) if signed else ()), *range(start, ends[-1] + 1))
    return ()


def is_sign(name: str) -> bool:
    """Tell whether a column holds the sign of an angle whose parts are beside it."""
    return _last_word(name) in _SIGN_WORDS


def columns_of_success(headings: tuple[Heading, ...]) -> list[int]:
    """Return the positions of columns that may say whether a solve succeeded, "solved" alone among them."""
    words = words_of_all(headings)
    alone = [at for at, one in enumerate(words) if one.known == {"solved"}]
    return [*columns_named("success", headings), *alone]


@lru_cache(maxsize=8)
def _last_words(headings: tuple[Heading, ...]) -> tuple[str, ...]:
    return tuple(_last_word(heading.name) for heading in headings)


def _last_word(name: str) -> str:
    words = re.findall(r"[A-Za-z]+|[\u00b0'\"]", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name))
    return words[-1].lower() if words else ""


def columns_of_pairs(column: str, headings: tuple[Heading, ...]) -> list[int]:
    """Return the positions of columns whose cells may hold right ascension and declination together."""
    mount = column.startswith("mount_")
    found = []
    for at, words in enumerate(words_of_all(headings)):
        together = words.has("ra") and words.has("dec") or words.has("coordinates")
        if together and words.has("mount") == mount and not words.has(*_NO_PLACE):
            found.append(at)
    return found


def columns_elsewise(column: str, headings: tuple[Heading, ...]) -> list[int]:
    """Return the positions of columns with other coordinates: hour angle, azimuth, altitude.

    Azimuth and altitude alone are the error of an axis more often than a place: so a name must say that
    they are the mount's or the solved ones.
    """
    words = words_of_all(headings)
    mount = column.startswith("mount_")
    wanted = "az" if column.endswith("ra_deg") else "alt"
    bars = ("error", "else", "sigma", "ra", "dec", "alt" if wanted == "az" else "az")
    plain = [at for at, one in enumerate(words) if one.has(wanted) and not one.has(*bars)]
    of_mount = [at for at in plain if words[at].has("mount")]
    if wanted == "az" and mount and not of_mount:
        return [
            at for at, one in enumerate(words) if one.has("ha") and not one.has("error", "else", "solved")
        ]
    if mount:
        return of_mount
    rest = [at for at in plain if at not in of_mount]
    return rest if of_mount else [at for at in rest if words[at].has("solved")]


def columns_named(column: str, headings: tuple[Heading, ...]) -> list[int]:
    """Return the positions of the headings whose names are taken for one of our columns.

    Our own name wins; else the fuller one does (``solved RA`` beside ``RA``).
    """
    own = [at for at, heading in enumerate(headings) if heading.name.lower() == column]
    if own:
        return own
    rule = _RULES.get(column)
    if rule is None:
        return []
    words = words_of_all(headings)
    found = [at for at, one in enumerate(words) if one.known and rule.fits(one)]
    fuller = [at for at in found if words[at].has("solved")]
    return fuller if fuller and len(found) > 1 else found
