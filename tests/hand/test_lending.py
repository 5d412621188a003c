"""Which piers borrow, lend, renew and end: rules that a pencil follows, without a fit."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drift.cache import pack, unpack
from drift.codes import ForcingKind, LoanState, TaskFailure, Urgency
from drift.errors import ClusterError
from drift.history.components import whole_winters
from drift.history.neighbours import Lender, NeighbourPrior, OwnYears, neighbour_prior
from drift.nightly import lend_among
from drift.piers.lending import RENEWED_DAYS, Loan, loans_of
from drift.piers.line import PierLine, PierNight, failed_line
from drift.piers.listing import Listed
from drift.piers.running import Done
from drift.quantities import DAY_US
from drift.render.piers import loan_troubles, loans_words
from drift.types import HistoryScales, Measure, YearlyTilt
from drift.watch.nightly import NightlyResult

NOW_US = 20_000 * DAY_US
HERE = (47.3, -92.4, 410.0)
FROZEN = ForcingKind.FROZEN


#: Of a first winter all but the summer.
FIRST = ("2023-10-01", "2024-01-01", "2024-02-01")


def us(*days):
    """Return days of ISO dates as times [us]."""
    return np.array([np.datetime64(day, "us").astype(np.int64) for day in days], dtype=np.int64)


@pytest.mark.parametrize(
    ("south", "days", "count"),
    [
        (False, (), 0),
        # autumn (before 6 November), twice about 15 January, summer (from 24 July on)
        (False, ("2023-10-01", "2024-01-01", "2024-02-01", "2024-08-01"), 1),
        (False, ("2023-10-01", "2024-01-01", "2024-02-01"), 0),
        (False, ("2023-10-01", "2024-01-01", "2024-02-01", "2024-07-20"), 0),
        (False, ("2024-01-01", "2024-02-01", "2024-08-01"), 0),
        (False, ("2023-10-01", "2024-01-01", "2024-08-01"), 0),
        # one that begins as winter comes
        (False, ("2023-12-01", "2024-01-05", "2024-02-01", "2024-08-01"), 1),
        # the summer after the first is the autumn before the second
        (False, (*FIRST, "2024-10-01", "2025-01-01", "2025-02-01", "2025-08-01"), 2),
        (True, ("2024-04-01", "2024-07-01", "2024-08-01", "2025-02-01"), 1),
        (False, ("2024-04-01", "2024-07-01", "2024-08-01", "2025-02-01"), 0),
    ],
)
def test_a_winter_is_whole_from_the_autumn_before_to_the_summer_after(south, days, count):
    assert whole_winters(us(*days), south) == count


def lender(size=40.0, yearly=True):
    scales = HistoryScales(**dict.fromkeys(HistoryScales.__dataclass_fields__, 1.0))
    told = YearlyTilt(
        size=Measure(value=size, sd=4.0),
        bearing_deg=Measure(value=40.0, sd=8.0),
        lag_days=Measure(value=9.0, sd=3.0),
        left_share=Measure(value=0.05, sd=0.05),
    )
    odds = {FROZEN: 0.9, ForcingKind.CALENDAR: 0.1}
    return Lender(follows=FROZEN, forcing_odds=odds, yearly=told if yearly else None, scales=scales)


def grown(**more):
    return OwnYears(**{"whole_winters": 2, "lender": lender(), **more})


def young(**more):
    return OwnYears(**{"whole_winters": 0, "lender": lender(), **more})


def borrowing(days_ago=1.0, by=("a", "b", "c"), **more):
    lent_us = NOW_US - round(days_ago * DAY_US)
    return young(**{"lender": None, "lent_us": lent_us, "lent_by": by, **more})


YARD = {"a": grown(), "b": grown(), "c": grown()}


def states(years, listed=None, places=None):
    places = places or dict.fromkeys(years, HERE)
    loans = loans_of(places, years, listed or list(years), NOW_US)
    return {loan.pier: loan.state for loan in loans}


def test_a_young_pier_borrows_from_three_and_not_from_two():
    (loan,) = loans_of(dict.fromkeys([*YARD, "y"], HERE), {**YARD, "y": young()}, [*YARD, "y"], NOW_US)
    assert (loan.pier, loan.state, loan.lenders) == ("y", LoanState.BEGUN, ("a", "b", "c"))
    assert loan.since_us == NOW_US and loan.is_new and loan.is_made
    assert loan.prior == neighbour_prior({name: lender() for name in "abc"}, "y")
    assert states({"a": grown(), "b": grown(), "y": young()}) == {}


def test_the_young_and_those_whose_year_tells_nothing_do_not_lend():
    two = {"a": grown(), "b": grown()}
    assert states({**two, "y": young(), "z": young()}) == {}
    assert states({**two, "c": grown(lender=lender(yearly=False)), "y": young()}) == {}
    both = states({**YARD, "y": young(), "z": young()})
    assert both == {"y": LoanState.BEGUN, "z": LoanState.BEGUN}


def test_another_site_lends_nothing():
    far = {**dict.fromkeys(YARD, HERE), "y": (47.4, -92.4, 410.0)}
    assert states({**YARD, "y": young()}, places=far) == {}


def test_one_that_may_not_borrow_or_cannot_be_written_borrows_nothing():
    assert states({**YARD, "y": young(borrows=False)}) == {}
    assert states({**YARD, "y": young(is_fixed=True)}) == {}
    assert states({**YARD, "y": borrowing(99.0, is_fixed=True)}) == {"y": LoanState.STANDS}


@pytest.mark.parametrize(
    ("years", "state"),
    [
        ({**YARD, "y": borrowing()}, LoanState.STANDS),
        ({**YARD, "y": borrowing(RENEWED_DAYS - 0.1)}, LoanState.STANDS),
        ({**YARD, "y": borrowing(RENEWED_DAYS)}, LoanState.RENEWED),
        ({**YARD, "d": grown(), "y": borrowing()}, LoanState.RENEWED),
        ({**YARD, "y": borrowing(by=("a", "b", "c", "gone"))}, LoanState.RENEWED),
        ({**YARD, "y": borrowing(by=())}, LoanState.RENEWED),  # what is held can't be read
        ({**YARD, "y": borrowing(whole_winters=1)}, LoanState.OUTGROWN),
        ({**YARD, "y": borrowing(borrows=False)}, LoanState.SWITCHED_OFF),
        ({"a": grown(), "b": grown(), "y": borrowing()}, LoanState.TOO_FEW),
        # those of another list are left alone
        ({"x": grown(), "y": borrowing()}, LoanState.STANDS),
    ],
)
def test_what_becomes_of_what_is_borrowed(years, state):
    assert states(years) == {"y": state}


def test_a_lender_that_could_not_be_worked_out_tonight_has_not_gone():
    years = {"a": grown(), "b": grown(), "y": borrowing(99.0)}
    assert states(years, [*years, "c"]) == {"y": LoanState.STANDS}
    # switching off, and having grown up, need no lender
    years["y"] = borrowing(99.0, borrows=False)
    assert states(years, [*years, "c"]) == {"y": LoanState.SWITCHED_OFF}


def test_one_that_moved_away_from_its_lenders_borrows_no_more():
    far = {**dict.fromkeys(YARD, HERE), "y": (47.4, -92.4, 410.0)}
    assert states({**YARD, "y": borrowing()}, places=far) == {"y": LoanState.TOO_FEW}


def test_what_is_lent_is_stored_bit_for_bit():
    prior = neighbour_prior({name: lender(40.0 + k / 7.0) for k, name in enumerate("abc")}, "y")
    assert unpack(pack(prior, NeighbourPrior), NeighbourPrior) == prior
    assert pack(prior, NeighbourPrior) == pack(
        unpack(pack(prior, NeighbourPrior), NeighbourPrior), NeighbourPrior
    )


# ---- After a night's round.


def night(name, own):
    line = PierLine(name=name, site_path=f"{name}.toml", urgency=Urgency.QUIET, now_us=NOW_US)
    line = replace(line, latitude_deg=HERE[0], longitude_deg=HERE[1], elevation_m=HERE[2])
    return PierNight(line=line, result=NightlyResult(site_file="", name=name, now_us=NOW_US, years=own))


ROUND = {**YARD, "y": young(), "z": borrowing()}
PIERS = [Listed(name, Path(f"{name}.toml")) for name in (*ROUND, "lost")]
LOST = PierNight(line=failed_line("lost", "lost.toml", "no such file", NOW_US), result=None)


def test_only_those_whose_record_changes_are_asked_to_note_something():
    asked = []

    def run(task, piers):
        asked.extend((pier.name, task.of(pier)) for pier in piers)
        return [Done(pier=pier) for pier in piers]

    loans = lend_among(PIERS, [*(night(*one) for one in ROUND.items()), LOST], run, NOW_US)
    assert [(one.pier, one.state) for one in loans] == [("y", LoanState.BEGUN), ("z", LoanState.STANDS)]
    ((name, task),) = asked
    assert (name, task.function) == ("y", "drift.api:note_lent") and not task.each
    assert unpack(task.options["prior"], NeighbourPrior) == loans[0].prior
    assert (task.options["lenders"], task.options["made_us"]) == (("a", "b", "c"), NOW_US)


def test_a_record_or_a_cluster_that_is_lost_meanwhile_is_told_and_tried_again():
    def refuse(task, piers):
        return [Done(pier=one, failure=TaskFailure.REFUSED, trouble="locked") for one in piers]

    def lose(task, piers):
        raise ClusterError("no scheduler answers")

    for run, why in ((refuse, "locked"), (lose, "no scheduler answers")):
        loans = lend_among(PIERS, [night(*one) for one in ROUND.items()], run, NOW_US)
        assert [one.trouble for one in loans] == [why, ""] and not loans[0].is_made


# ---- In one line.


def loan(pier, state, lenders=("a", "b", "c"), trouble=""):
    return Loan(pier=pier, state=state, lenders=lenders, since_us=NOW_US, trouble=trouble)


def test_what_was_lent_to_whom_is_one_line():
    assert loans_words([]) == ""
    # 20,000 days after 1970-01-01
    loans = [loan("w", LoanState.BEGUN), loan("x", LoanState.BEGUN), loan("y", LoanState.STANDS)]
    assert loans_words(loans) == (
        "Winters lent: to w and x by a, b and c, from the next answer on; "
        "to y as told by a, b and c on 2024-10-04."
    )
    many = [loan(f"p{k}", LoanState.RENEWED, tuple("abcdefgh")) for k in range(9)]
    assert loans_words(many) == "Winters lent: to 9 piers anew by 8 piers, from the next answer on."
    assert "\n" not in loans_words(many)


@pytest.mark.parametrize("state", [LoanState.OUTGROWN, LoanState.SWITCHED_OFF, LoanState.TOO_FEW])
def test_every_end_has_its_reason(state):
    assert loans_words([loan("y", state)]).startswith("Winters lent: no more to y, which ")


def test_what_could_not_be_noted_is_not_said_to_be_lent():
    lost = replace(loan("y", LoanState.BEGUN), trouble="the record is locked")
    assert loans_words([lost]) == ""
    (said,) = loan_troubles([lost])
    assert said.startswith("y: ") and "the record is locked" in said
