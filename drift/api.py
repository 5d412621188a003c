"""The short public list: what a notebook or another program calls.

Everything heavy is imported inside the functions, so that ``import drift`` and
``drift --help`` cost nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from drift import notebook

if TYPE_CHECKING:
    from drift.advice.ground import PierGround
    from drift.cache import Store
    from drift.forecast.outlook import Hindcast
    from drift.history.neighbours import NeighbourPrior
    from drift.notices import Notice
    from drift.piers.line import PierLine
    from drift.piers.listing import Listed
    from drift.piers.running import Done
    from drift.piers.together import Lent
    from drift.readings import Readings
    from drift.record.record import Record
    from drift.site.file import PierFile
    from drift.tonight.evening import Tonight
    from drift.tonight.follow import Following
    from drift.types import Analysis


Made = TypeVar("Made")


def _drawing_room() -> notebook.Showing:
    """Return what shows results in a notebook, imported when one is shown."""
    from drift.render import notebook as room

    return room


notebook.register(_drawing_room)


def read_site(path: str | Path = "pier.toml") -> PierFile:
    """Read and validate a site file.

    Raises
    ------
    drift.errors.SiteFileError
        Names the key, the value, what is allowed and the line.
    """
    from drift.site.file import load_pier

    return load_pier(Path(path))


def make_site(latitude: Any, longitude: Any, elevation: Any, **sections: Any) -> PierFile:
    """Describe a site without a file.

    Parameters
    ----------
    latitude, longitude
        Geodetic, north and east positive: numbers in degrees, or astropy quantities.
    elevation
        Above sea level: a number in metres, or a quantity.
    **sections
        Other keys of the section ``[site]`` by name, and other sections as mappings, all as in the site
        file.  A key that is given a quantity may leave its unit out.

    Raises
    ------
    drift.errors.SiteFileError
        Names the key, the value and what is allowed.

    Examples
    --------
    >>> import astropy.units as u
    >>> import drift
    >>> site = drift.make_site(47.3, -92.4, 410, mount={"hour_angle_zero": "kept"})
    >>> site.mount.hour_angle_zero
    'kept'
    >>> same = drift.make_site(
    ...     47.3 * u.deg, -92.4 * u.deg, 0.41 * u.km, optics={"focal_length": 0.8 * u.m}
    ... )
    >>> same.site.elevation_m, same.optics.focal_length_mm
    (410.0, 800.0)
    """
    from drift.site.file import pier_from_mapping, plain_sections

    place = {"latitude_deg": latitude, "longitude_deg": longitude, "elevation_m": elevation}
    for key in [key for key, value in sections.items() if not isinstance(value, Mapping)]:
        place[key] = sections.pop(key)
    return pier_from_mapping(plain_sections({"site": place, **sections}))


def readings_of(site: PierFile, **tables: Any) -> Readings:
    """Take readings from tables of a notebook.

    Parameters
    ----------
    site
        The site; it decides what values are plausible.
    **tables
        Kind -> a pandas DataFrame, an astropy Table or QTable, or a mapping of columns: ``solves``,
        ``sweeps``, ``runs``, ``alignments``, ``levels``, ``weather``, ``corrections``.  Columns are called
        as in a log file; one with a unit may leave it out of its name.  Times are aware datetimes, astropy
        Time, or text with a zone.

    Returns
    -------
    Readings
        Rows that can't be used are left out with the warning `drift.errors.RowsSetAside`, whose `rows`
        holds each with its reason.

    Raises
    ------
    drift.errors.LogFileError
        If a table can't be used at all.

    Examples
    --------
    >>> import pandas as pd
    >>> import drift
    >>> levels = pd.DataFrame(
    ...     {
    ...         "time_utc": pd.date_range("2024-01-01", periods=3, freq="14D", tz="UTC"),
    ...         "tilt_north_arcsec": [0.0, 4.0, 9.0],
    ...         "tilt_east_arcsec": [0.0, -2.0, -5.0],
    ...     }
    ... )
    >>> readings = drift.readings_of(drift.make_site(47.3, -92.4, 410), levels=levels)
    >>> readings["levels"]["tilt_north_arcsec"].tolist()
    [0.0, 4.0, 9.0]
    """
    import time
    import warnings

    from drift.errors import RowsSetAside
    from drift.ingest.notebook_tables import read_notebook_table, readings_of_logs
    from drift.ingest.row_check import circumstances

    around = circumstances(site, int(time.time() * 1e6))
    logs = [read_notebook_table(table, kind, around) for kind, table in tables.items()]
    aside = [row for log in logs for row in (*log.set_aside, *log.left_out)]
    if aside:
        from drift.render.import_words import rows_words

        warnings.warn(RowsSetAside(tuple(aside), rows_words(aside)), stacklevel=2)
    return readings_of_logs(logs)


def analyse_tables(site: PierFile, **tables: Any) -> Analysis:
    """Work out the answer from tables of a notebook; no file is touched.

    Parameters
    ----------
    site, **tables
        As for `readings_of`.

    Examples
    --------
    >>> import pandas as pd
    >>> import drift
    >>> levels = pd.DataFrame(
    ...     {
    ...         "time_utc": pd.date_range("2024-01-01", periods=6, freq="14D", tz="UTC"),
    ...         "tilt_north_arcsec": [0.0, 4.0, 9.0, 15.0, 13.0, 8.0],
    ...         "tilt_east_arcsec": [0.0, -2.0, -5.0, -7.0, -6.0, -4.0],
    ...     }
    ... )
    >>> analysis = drift.analyse_tables(drift.make_site(47.3, -92.4, 410), levels=levels)
    >>> len(analysis.frame("history"))
    6
    >>> analysis.plot("tilt").axes[0].get_ylabel()
    '[arcsec]'
    """
    readings = readings_of(site, **tables)
    return with_ground(analyse_readings(site, readings), readings)


def open_record(site: PierFile) -> Record:
    """Open the record that belongs to `site`, making it when there is none."""
    from drift.record.record import Record

    return Record.open(site)


def analyse_readings(
    site: PierFile,
    readings: Readings,
    record: Record | None = None,
    now_us: int | None = None,
    neighbours: NeighbourPrior | None = None,
    *,
    alone: bool = False,
) -> Analysis:
    """Work out the answer from tables of readings.

    Parameters
    ----------
    site
        The site file.
    readings
        All readings of the pier.
    record
        A record in which finished pieces of work are kept, so that a later answer
        does not do old nights again; without one no file is touched.  The answer
        is the same either way.
    now_us
        The present time [UTC microseconds since 1970-01-01]: a last night long before it turns no
        knob any more, and the year ahead begins there.  By default, and for logs that were long past
        when they came into `record`, what to do is said as of the latest reading.
    neighbours
        What the other piers of the site say beforehand, see `among_neighbours`; by default what `record`
        holds of it for a pier that may borrow (`drift piers nightly` puts it there), else nothing.
    alone
        Whether nothing is borrowed, whatever the record holds.
    """
    from dataclasses import replace

    from drift.analysis import work_out
    from drift.cache import NoStore
    from drift.errors import NothingToAnalyse
    from drift.render.night_words import unusable_words
    from drift.render.notices import sentence

    remarks = () if record is None else record.remarks()
    try:
        if record is None:
            return work_out(site, readings, NoStore(), now_us, neighbours=neighbours)
        arrived_us, done = record.latest_import_us(), record.steps_done()
        if neighbours is None and not alone:
            neighbours, said = _lent_to(site, record)
            remarks = (*remarks, *said)
        made = _with_pieces(
            record, lambda store: work_out(site, readings, store, now_us, arrived_us, done, neighbours)
        )
        return replace(made, notices=(*remarks, *made.notices)) if remarks else made
    except NothingToAnalyse as nothing:
        why = [unusable_words(nothing.unusable)] if nothing.unusable else []
        why += [sentence(one) for one in nothing.notices]
        why += [f"{sentence(one)}." for one in remarks]
        if not why:
            raise
        raise NothingToAnalyse("  ".join([str(nothing), *why]), nothing.unusable, nothing.notices) from None


def _lent_to(site: PierFile, record: Record) -> tuple[NeighbourPrior | None, tuple[Notice, ...]]:
    """Return what the record holds of the neighbours of a pier that may borrow, and what to say of it."""
    from dataclasses import replace

    from drift.cache import unpack
    from drift.history.neighbours import NeighbourPrior
    from drift.notices import HistoryCode, warning

    stored = record.lent_prior() if site.site.borrow else None
    if stored is None:
        return None, ()
    try:
        prior = unpack(stored.packed or b"", NeighbourPrior)
    except ValueError:  # damaged, or written by another version
        return None, (warning(HistoryCode.LENT_UNREADABLE, since_us=stored.made_us),)
    return replace(prior, since_us=stored.made_us), ()


def with_ground(analysis: Analysis, readings: Readings, record: Record | None = None) -> Analysis:
    """Return the answer with what weather and ground did beside the tilt, where there is a weather log.

    It takes a while and only a picture needs it, so that `analyse_readings` leaves it out.

    Parameters
    ----------
    analysis, readings
        The answer, and the readings that it was worked out from.
    record
        A record in which it is kept for the next time.
    """
    from dataclasses import replace

    from drift.analysis import ground_of_analysis
    from drift.cache import NoStore

    if record is None:
        return replace(analysis, ground=ground_of_analysis(analysis.site, readings, NoStore()))
    ground = _with_pieces(record, lambda store: ground_of_analysis(analysis.site, readings, store))
    return replace(analysis, ground=ground)


def ground_at_pier(site: PierFile, readings: Readings) -> PierGround | None:
    """Say what frost the weather of a record put into the ground at the pier; None without a weather log."""
    from drift.advice.ground import pier_ground

    return pier_ground(site, readings["weather"])


def score_forecasts(
    analysis: Analysis,
    readings: Readings,
    most: int = 2,
    progress: Callable[[str], None] | None = None,
) -> tuple[Hindcast, ...]:
    """Hide the last winters one after the other, forecast each from what was known then, and compare.

    Parameters
    ----------
    analysis, readings
        The answer, and the readings that it was worked out from.
    most
        How many winters; each takes as long as an answer.
    progress
        Told the name of each winter before it is hidden.
    """
    from drift.analysis import work_out
    from drift.forecast.outlook import hindcasts

    return hindcasts(analysis.site, readings, analysis, work_out, most, progress)


def _with_pieces(record: Record, work: Callable[[Store], Made]) -> Made:
    """Work with the pieces that the record keeps, and where that fails once more without them.

    Whatever lies there must not stop an answer that can be had without it.
    """
    from drift.cache import NoStore
    from drift.errors import NothingToAnalyse

    try:
        return work(_PiecesInRecord(record))
    except NothingToAnalyse:
        raise
    except Exception:
        return work(NoStore())


class _PiecesInRecord:
    """Keeps pieces of work in the record, for this very program."""

    def __init__(self, record: Record) -> None:
        from drift.stamp import program_stamp

        self._record, self._stamp = record, program_stamp()[:16]

    def get(self, keys: Sequence[str]) -> Mapping[str, bytes]:
        """Return what is kept of the pieces asked for."""
        found = self._record.cached_blobs([f"{self._stamp} {key}" for key in keys])
        return {key[len(self._stamp) + 1 :]: blob for key, blob in found.items()}

    def put(self, pieces: Mapping[str, bytes]) -> None:
        """Keep pieces; a record that can't be written keeps none, which is no harm."""
        if pieces:
            self._record.cache_blobs({f"{self._stamp} {key}": blob for key, blob in pieces.items()})


def try_to_analyse(site: PierFile, readings: Readings, record: Record | None, now_us: int) -> Analysis | None:
    """Work out the answer as `analyse_readings` does; None where there is nothing to work it out from."""
    from drift.errors import NothingToAnalyse

    try:
        return analyse_readings(site, readings, record, now_us)
    except NothingToAnalyse:
        return None


def fields_tonight(
    site: PierFile,
    readings: Readings,
    record: Record | None = None,
    *,
    at_us: int,
    minutes: float | None = None,
    fields: int | None = None,
) -> Tonight:
    """Say which fields to solve tonight, and what does more than any field.

    Parameters
    ----------
    site, readings
        The site file and all readings of the pier; empty ones will do.
    record
        A record in which the fields are kept, so that the same ones come again each night.
    at_us
        From when on [UTC microseconds since 1970-01-01]; in the day the list is for the evening after it.
    minutes, fields
        How much time there is, and how many fields are wanted; None for the usual.
    """
    from dataclasses import replace

    from drift.notices import TonightCode, warning
    from drift.tonight.evening import Wish, plan_key, plan_of_text, plan_text, tonight_of

    analysis = try_to_analyse(site, readings, record, at_us)
    key = plan_key(site)
    found = None if record is None else record.kept_field_plan(key)
    places = None if found is None else plan_of_text(found[0], site.site.latitude_deg)
    kept = None if places is None or found is None else (places, found[1])
    made = tonight_of(site, analysis, readings, Wish(at_us=at_us, minutes=minutes, fields=fields), kept)
    plan = made.evening.plan
    if plan is None or record is None or (kept is not None and plan.size == kept[0].size):
        return made
    if record.keep_field_plan(key, plan_text(plan)):
        return made
    said = (*made.evening.notices, warning(TonightCode.NOT_KEPT))
    return replace(made, evening=replace(made.evening, notices=said))


def follow_tonight(
    site: PierFile,
    record: Record,
    analysis: Analysis | None,
    *,
    at_us: int,
    minutes: float | None = None,
    fields: int | None = None,
) -> Following:
    """Say how far the evening is and what to do next, by tonight's solves in the record alone.

    Parameters
    ----------
    site, record
        The site file and its record.  The list of an evening is kept there, so that it goes on after a
        restart.
    analysis
        The last answer, for the instrument, the knobs and the season; it need not know of tonight.  None
        where there is none yet.
    at_us
        The present time [UTC microseconds since 1970-01-01].
    minutes, fields
        How much time there is, and how many fields are wanted; a list is made anew where they are given.
    """
    from drift.readings import as_readings, as_table
    from drift.tonight.axis_tonight import night_of
    from drift.tonight.evening import Wish, plan_key, plan_of_text, plan_text, tonight_of
    from drift.tonight.follow import follow, kept_list, list_key, list_of_text, list_text

    night = night_of(site, at_us)
    tables = {
        kind: as_table(kind, [one.values for one in record.held(kind, night) if one.in_use])
        for kind in ("solves", "corrections")
    }
    key, latitude = list_key(site, at_us), site.site.latitude_deg
    found = record.kept_field_plan(key)
    kept = None if found is None else list_of_text(found[0], latitude)
    if kept is None or minutes is not None or fields is not None:
        plan = record.kept_field_plan(plan_key(site))
        places = None if plan is None else plan_of_text(plan[0], latitude)
        wish = Wish(at_us=at_us, minutes=minutes, fields=fields)
        before = None if places is None or plan is None else (places, plan[1])
        made = tonight_of(site, analysis, as_readings({}), wish, before)
        if made.evening.plan is not None and (places is None or made.evening.plan.size != places.size):
            record.keep_field_plan(plan_key(site), plan_text(made.evening.plan))
        kept = kept_list(made.evening, made.purpose, latitude)
        if kept is not None:
            record.keep_field_plan(key, list_text(kept))
    return follow(site, analysis, tables["solves"], tables["corrections"], kept, at_us)


def pier_line(path: str | Path, name: str = "", now_us: int | None = None) -> PierLine:
    """Return how the pier of a site file stands among several: one line of numbers and codes.

    Parameters
    ----------
    path
        The site file.
    name
        What the pier is called; "" for the name in its site file.
    now_us
        The present time [UTC microseconds since 1970-01-01]; None for that of the clock.

    Raises
    ------
    drift.errors.DriftError
        If the site file or the record can't be used.
    """
    from drift.errors import NothingToAnalyse
    from drift.piers.line import pier_line_of, unknown_line
    from drift.record.engine import now_us as clock
    from drift.watch.changes import news_afresh
    from drift.watch.limits import now_state

    site, now_us = read_site(path), clock() if now_us is None else now_us
    name = name or site.site.name or str(path)
    with open_record(site) as record:
        try:
            analysis = analyse_readings(site, record.readings(), record, now_us)
        except NothingToAnalyse:
            return unknown_line(name, site, now_us)
        last = record.last_acknowledged()
        before = None if last is None else last[2]
        found, _ = news_afresh(analysis, before, now_us, record.latest_import_us())
    return pier_line_of(name, site, now_state(analysis, now_us), found, now_us)


def pier_lines(
    piers: Sequence[Listed], workers: int | None = None, told: Callable[[Done], None] | None = None
) -> tuple[PierLine, ...]:
    """Return how several piers stand, the most urgent first; one that fails is a line with its reason.

    Parameters
    ----------
    piers
        The piers, by `drift.piers.listing.listed_piers`.
    workers, told
        As for `drift.piers.running.run_here`.
    """
    from drift.piers.line import by_urgency
    from drift.piers.running import Task, run_here
    from drift.record.engine import now_us

    now = now_us()
    done = run_here(Task("drift.api:pier_line", {"now_us": now}, tries=2), piers, workers, told)
    return by_urgency(line_of_done(one, now) for one in done)


def common_of(piers: Sequence[Listed], lines: Sequence[PierLine]) -> tuple[Notice, ...]:
    """Return what the piers of each site have in common: what moved them all, and which one moved alone.

    Parameters
    ----------
    piers, lines
        The list, and the line of each of its piers.
    """
    from drift.piers.together import sites_of, together_notices

    listed = {pier.name for pier in piers}
    known = {line.name: line for line in lines if line.name in listed and line.recent}
    places = {
        name: (line.latitude_deg, line.longitude_deg, line.elevation_m)
        for name, line in known.items()
        if line.latitude_deg is not None and line.longitude_deg is not None and line.elevation_m is not None
    }
    return tuple(
        notice
        for site in sites_of(places)
        for notice in together_notices({name: known[name].recent for name in site})
    )


def lent_by(path: str | Path, name: str = "") -> Lent | None:
    """Return what the pier of a site file lends others of its site; None where it has no readings yet.

    Parameters
    ----------
    path
        The site file.
    name
        What the pier is called in a list: every task of one is given that.

    Raises
    ------
    drift.errors.DriftError
        If the site file or the record can't be used.
    """
    from drift.errors import NothingToAnalyse
    from drift.history.neighbours import lender_of
    from drift.piers.together import Lent

    site = read_site(path)
    with open_record(site) as record:
        readings = record.readings()
        try:
            # one that borrows lends what it is worth alone: nobody hears his own words again
            analysis = analyse_readings(site, readings, record, alone=True)
        except NothingToAnalyse:
            lender = None
        else:
            lender = lender_of(analysis.history)
    return Lent(lender=lender, weather=readings["weather"])


def among_neighbours(
    place: str | Path, site: PierFile, readings: Readings, told: Callable[[Done], None] | None = None
) -> tuple[Readings, NeighbourPrior | None, tuple[Done, ...]]:
    """Return what a pier may borrow from the others of a list that stand on its site.

    Parameters
    ----------
    place
        A folder or ``piers.toml``.
    site, readings
        The pier that borrows, which need not be in the list and never borrows from itself.
    told
        Told of each neighbour when it has been worked out.

    Returns
    -------
    readings, prior, failed
        Its readings with the site's weather on days of which it has none; what the others say beforehand,
        None where they say nothing; the neighbours that could not be worked out.
    """
    from contextlib import suppress

    from drift.errors import DriftError
    from drift.history.neighbours import neighbour_prior
    from drift.piers.listing import listed_piers
    from drift.piers.running import Task, run_here
    from drift.piers.together import is_near, shared_weather

    own = (site.site.latitude_deg, site.site.longitude_deg, site.site.elevation_m)
    others = []
    for pier in listed_piers(Path(place)):
        if site.path is not None and pier.site_path.resolve() == Path(site.path).resolve():
            continue
        with suppress(DriftError):  # what is wrong with it its own child will say
            other = read_site(pier.site_path).site
            if not is_near(own, (other.latitude_deg, other.longitude_deg, other.elevation_m)):
                continue
        others.append(pier)
    done = run_here(Task("drift.api:lent_by"), others, None, told)
    lent = {one.pier.name: one.result for one in done if one.failure is None and one.result is not None}
    prior = neighbour_prior({name: one.lender for name, one in lent.items()}, "")
    tables = sorted((one.weather for one in lent.values()), key=len, reverse=True)
    failed = tuple(one for one in done if one.failure is not None)
    return shared_weather(readings, tables), prior, failed


def note_lent(
    path: str | Path, name: str = "", *, prior: bytes | None, lenders: Sequence[str] = (), made_us: int = 0
) -> None:
    """Store what the neighbours of a pier say beforehand, or end that: every answer rests on it from then on.

    Parameters
    ----------
    path
        The site file.
    name
        What the pier is called in a list: every task of one is given that.
    prior
        A `drift.history.neighbours.NeighbourPrior` as `drift.cache.pack` writes it; None ends it.
    lenders, made_us
        The names of the piers that it rests on, and when it was made [us].

    Raises
    ------
    drift.errors.DriftError
        If the site file or the record can't be used.
    """
    with open_record(read_site(path)) as record:
        if prior is None:
            record.end_prior()
        else:
            record.keep_prior(prior, lenders, made_us)


def line_of_done(done: Done, now_us: int) -> PierLine:
    """Return the line of a pier that was asked for in a child, or the line that says why there is none."""
    from drift.piers.line import failed_line
    from drift.render.piers import failure_words

    if done.failure is None:
        line: PierLine = done.result
        return line
    return failed_line(done.pier.name, str(done.pier.site_path), failure_words(done), now_us)


def analyse_record(path: str | Path = "pier.toml") -> Analysis:
    """Work out the answer of today for the pier described in the site file at `path`, from its record."""
    from drift.record.engine import now_us

    site = read_site(path)
    with open_record(site) as record:
        readings = record.readings()
        return with_ground(analyse_readings(site, readings, record, now_us()), readings, record)
