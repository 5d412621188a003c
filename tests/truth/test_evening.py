"""Evenings at an invented mount: the axis by tonight's solves alone, wrong solves, turns, what comes next."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evening_world import Knob, Mount

import drift
from drift.codes import CorrectionKind, Next
from drift.demo.instrument import Constants
from drift.night.altered_reports import RAW_AXIS
from drift.notices import NightCode, TonightCode
from drift.readings import READING_COLUMNS, as_readings, as_table
from drift.tonight.axis_tonight import AxisTonight
from drift.tonight.evening import Wish, tonight_of
from drift.tonight.follow import follow, kept_list, list_of_text, list_text

LATITUDE, LONGITUDE, ELEVATION = 47.3, 15.5, 410.0
#: 22:00 UTC of a night in October, well within the years that the invented Earth knows.
AT_US = 1_730_152_800_000_000
MINUTE_US = 60_000_000
#: What is found lies within so many of its own standard deviations of the truth.
WITHIN_SDS = 4.0


@pytest.fixture(scope="module")
def site():
    return drift.make_site(
        LATITUDE,
        LONGITUDE,
        ELEVATION,
        timezone="UTC",
        horizon={"altitude_deg": [[0, 15], [100, 20], [120, 60], [300, 60], [320, 20]]},
        mount={"azimuth_knob_arcmin_per_turn": 40.0, "altitude_knob_arcmin_per_turn": 30.0},
        warn={"axis_arcmin": 2.0},
    )


class Evening:
    """An evening as it goes: solves and corrections come in one after the other."""

    def __init__(self, site, seed=1, mount_az=600.0, mount_alt=-400.0, **more):
        rng = np.random.default_rng(seed)
        constants = Constants(*rng.normal(0.0, 30.0, 3), 10.0)
        place = (LATITUDE, LONGITUDE, ELEVATION)
        self.mount = Mount(place, rng, mount_az, mount_alt, constants, **more)
        self.site, self.at_us, self.solves, self.corrections = site, AT_US, [], []
        made = tonight_of(site, None, as_readings({}), Wish(at_us=AT_US))
        self.kept = kept_list(made.evening, made.purpose, LATITUDE)

    def look(self):
        tables = {"solves": self.solves, "corrections": self.corrections}
        made = {
            kind: as_table(kind, [{**dict.fromkeys(READING_COLUMNS[kind]), **row} for row in rows])
            for kind, rows in tables.items()
        }
        return follow(self.site, None, made["solves"], made["corrections"], self.kept, self.at_us)

    def solve(self, n, off_deg=0.0):
        """Solve field n of the list in hand, a minute after the last one, and look."""
        self.only_solve(n, off_deg)
        return self.look()

    def only_solve(self, n, off_deg=0.0):
        places = self.kept.places
        if self.corrections:
            at = next(one.place for one in self.look().fields if one.n == n)
            ha, dec, side = at.hour_angle_deg, at.declination_deg, float(at.side)
        else:
            k = (n - 1) % places.size  # the closing return is the first one
            ha, dec = (float(np.degrees(angle[k])) for angle in places.equatorial_rad())
            side = float(places.side[k])
        self.at_us += MINUTE_US
        row = self.mount.solve(self.at_us, ha, dec, side, off_deg)
        texts = {"session": "", "sweep": "", "run": ""}
        self.solves.append({**texts, **row, "row_id": len(self.solves) + 1})

    def turn(self, action, knob):
        """Do a turn as advised and record it."""
        self.at_us += 2 * MINUTE_US
        kind = action.notice.values["knob"]
        moved = knob.turned(60.0 * action.amount_arcmin)
        if kind == CorrectionKind.AZIMUTH:
            self.mount.mount_az += moved
        else:
            self.mount.mount_alt += moved
        row = {"kind": str(kind), "amount_arcmin": action.amount_arcmin, "turns": action.turns, "note": ""}
        self.corrections.append({**row, "row_id": 1000 + len(self.corrections), "time_us": self.at_us})
        return moved


def test_the_axis_is_found_by_tonights_solves_alone(site):
    evening = Evening(site)
    assert evening.look().step is Next.SOLVE
    for n in range(1, 6):
        now = evening.solve(n)
    off = (np.array(now.axis) - evening.mount.axis) / now.sd
    assert np.max(np.abs(off)) < WITHIN_SDS
    assert max(now.sd) < 30.0  # five fields promise some 5 arcsec; what an unsaid sync may hide comes on top
    assert [one.solved_us is not None for one in now.fields][:6] == [True] * 5 + [False]


def test_its_uncertainty_is_honest_also_where_solves_are_wrong(site):
    """Over many evenings the mean square of error over sd is about 1 (a bound of 1.5 either way)."""
    off = []
    for seed in range(20):
        evening = Evening(site, seed)
        rng = np.random.default_rng(1000 + seed)
        for n in range(1, 7):
            evening.only_solve(n, off_deg=0.5 if rng.random() < 0.1 else 0.0)
        now = evening.look()
        off.append((np.array(now.axis) - evening.mount.axis) / now.sd)
    assert np.max(np.abs(off)) < WITHIN_SDS
    assert np.sqrt(np.mean(np.square(off))) < 1.5


def test_a_wrong_solve_never_moves_the_answer_silently(site):
    evening = Evening(site, seed=3)
    for n in (1, 2, 3, 4):
        before = evening.solve(n)
    now = evening.solve(5, off_deg=0.5)
    assert now.step is Next.SOLVE_AGAIN
    assert 5 in now.next_fields
    moved = np.abs(np.array(now.axis) - before.axis)
    assert np.all(moved < WITHIN_SDS * np.hypot(now.sd, before.sd))
    good = evening.solve(5)
    assert good.step is not Next.SOLVE_AGAIN
    assert TonightCode.WRONG_SOLVES in [one.code for one in good.notices]


def test_of_two_solves_that_disagree_both_are_asked_for_again(site):
    """Three fields don't tell which of them is wrong, and what is not told is not said to be known."""
    evening = Evening(site, seed=3)
    evening.solve(1)
    evening.solve(2)
    evening.solve(3)
    wrong = evening.solve(4, off_deg=0.3)
    if wrong.step is Next.SOLVE_AGAIN:
        assert 1 <= len(wrong.next_fields) <= 2
    off = (np.array(wrong.axis) - evening.mount.axis) / wrong.sd
    assert np.max(np.abs(off)) < WITHIN_SDS


def test_a_turn_with_slack_is_verified_and_led_to_its_end(site):
    evening = Evening(site)
    knobs = {"azimuth": Knob(0.95, 60.0, last_way=1.0), "altitude": Knob(1.05)}
    while (now := evening.look()).step is Next.SOLVE:
        evening.solve(now.next_fields[0])
    assert now.step is Next.TURN
    first = {one.notice.values["knob"]: one for one in now.turns}
    assert first["azimuth"].amount_arcmin < 0.0 < first["altitude"].amount_arcmin
    assert first["azimuth"].turns == pytest.approx(first["azimuth"].amount_arcmin / 40.0, abs=0.01)
    did = {kind: evening.turn(one, knobs[kind]) for kind, one in list(first.items())[:1]}
    half = evening.look()
    assert half.step is Next.TURN
    assert half.notice.code == TonightCode.TURN_OTHER_TOO
    assert [one.notice.values["knob"] for one in half.turns] == [kind for kind in first if kind not in did]
    did |= {kind: evening.turn(one, knobs[kind]) for kind, one in first.items() if kind not in did}
    now = evening.look()
    assert now.step is Next.VERIFY
    assert len(now.fields) == 3
    while (now := evening.look()).step is Next.VERIFY:
        evening.solve(now.next_fields[0])
    for one in now.made:
        assert one.found == pytest.approx(did[one.kind], abs=WITHIN_SDS * one.found_sd)
    lost = [one.values["lost_arcsec"] for one in now.notices if one.code == TonightCode.TURN_DID]
    assert any(value is not None for value in lost)
    for action in now.turns:
        evening.turn(action, knobs[action.notice.values["knob"]])
    while (now := evening.look()).step is Next.VERIFY:
        evening.solve(now.next_fields[0])
    assert now.step is Next.ENOUGH
    az, alt = evening.mount.axis
    assert np.hypot(az * np.cos(np.radians(LATITUDE)), alt) < 120.0


def test_a_large_error_is_turned_early_and_in_two_rounds(site):
    evening = Evening(site, mount_az=5400.0, mount_alt=3000.0)
    while (now := evening.look()).step is Next.SOLVE:
        evening.solve(now.next_fields[0])
    assert now.step is Next.TURN
    assert now.notice.values["two_rounds"]
    assert len(evening.solves) <= 5


def test_the_list_comes_back_as_it_was_kept(site):
    kept = Evening(site).kept
    again = list_of_text(list_text(kept), LATITUDE)
    assert again.places.bearing_deg.tolist() == kept.places.bearing_deg.tolist()
    assert again.returns == kept.returns
    assert list_of_text("something else", LATITUDE) is None


def test_a_mount_that_alters_its_reports_is_told_so(site):
    altered = site.model_copy(update={"mount": site.mount.model_copy(update={"reports": "modelled"})})
    evening = Evening(altered)
    assert evening.look().step is Next.NOT_BY_FIELDS


def test_nothing_is_turned_by_an_error_that_one_wrong_solve_may_have_made(site):
    """Of three fields any one may be wrong, and the other two would not show it."""
    evening = Evening(site, seed=3, mount_az=30.0, mount_alt=20.0)
    evening.only_solve(1)
    evening.only_solve(2, off_deg=0.5)
    now = evening.solve(3)
    assert now.step is not Next.TURN


def altered_by(mount):
    """Make a mount report its places as a model of two stars leaves them: without the axis's error."""
    real = mount.solve

    def solve(time_us, ha, dec, side, off_deg=0.0):
        az, alt = mount.mount_az, mount.mount_alt
        mount.mount_az, mount.mount_alt = az - mount.taken_out[0], alt - mount.taken_out[1]
        row = real(time_us, ha, dec, side, off_deg)
        mount.mount_az, mount.mount_alt = az, alt
        return row

    mount.taken_out, mount.solve = (mount.mount_az, mount.mount_alt), solve


def test_an_axis_that_a_model_may_have_taken_out_turns_no_knob_and_is_called_uncertain(site):
    """The axis is 12' off and the reports show next to nothing of it, on a first night."""
    for seed in range(6):
        evening = Evening(site, seed)
        altered_by(evening.mount)
        while (now := evening.look()).step is Next.SOLVE:
            evening.solve(now.next_fields[0])
        assert now.step not in {Next.TURN, Next.ENOUGH}
        if now.axis is not None:
            assert NightCode.AXIS_RESTS_ON_RAW_REPORTS in [one.code for one in now.notices]
            off = (np.array(now.axis) - evening.mount.axis) / now.sd
            assert np.max(np.abs(off)) < WITHIN_SDS


def test_what_a_turn_did_is_seen_where_a_model_may_hide_the_axis():
    """Two stretches of sd 3" and 4": what may be hidden is in both alike, and their difference has 5"."""
    none = np.zeros(0)
    found = AxisTonight(
        np.array([[10.0, 20.0], [40.0, 60.0]]), np.diag([9.0, 9.0, 16.0, 16.0]), none, none, none, none, none
    )
    wider = found.with_hidden(0.2, 0.0)
    least, most = RAW_AXIS
    hidden = 0.2 * (most**2 - least**2) / (2.0 * np.log(most / least))
    assert wider.sd(0) == pytest.approx(np.full(2, np.sqrt(9.0 + hidden)))
    change, sd = wider.change(0, 1)
    assert change == pytest.approx([30.0, 40.0])
    assert sd == pytest.approx([5.0, 5.0])


def test_an_owner_who_says_that_reports_are_raw_is_believed(site):
    raw = site.model_copy(update={"mount": site.mount.model_copy(update={"reports": "raw"})})
    evening = Evening(raw, seed=1, mount_az=5.0, mount_alt=5.0)
    while (now := evening.look()).step is Next.SOLVE:
        evening.solve(now.next_fields[0])
    assert now.step is Next.ENOUGH


def turned(site, seed, synced):
    """Return an evening of five solves, a turn and two solves after it, and what is said then."""
    evening = Evening(site, seed, mount_az=900.0, mount_alt=-700.0)
    for n in range(1, 6):
        evening.only_solve(n)
    evening.mount.mount_az -= 850.0
    evening.at_us += 2 * MINUTE_US
    row = {"kind": "azimuth", "amount_arcmin": -850.0 / 60.0, "turns": None, "note": ""}
    evening.corrections.append({**row, "row_id": 1000, "time_us": evening.at_us})
    if synced:
        evening.mount.zeros = tuple(np.random.default_rng(seed).normal(0.0, 100.0, 2))
    for one in evening.look().next_fields[:2]:
        evening.only_solve(one)
    return evening, evening.look()


def test_zeros_that_went_on_through_a_turn_save_fields_and_a_sync_after_it_does_no_harm(site):
    """Two fields after a turn: with zeros of before they tell the axis, with new ones they only seem to."""
    off = {True: [], False: []}
    sds = []
    for seed in range(12):
        for synced, into in off.items():
            evening, now = turned(site, seed, synced)
            into.append((np.array(now.axis) - evening.mount.axis) / now.sd)
            if not synced:
                sds.append(max(now.sd))
    for errors in off.values():
        assert np.max(np.abs(errors)) < WITHIN_SDS
        assert np.sqrt(np.mean(np.square(errors))) < 1.6
    assert np.median(sds) < 40.0


def test_a_list_that_is_through_goes_on_where_the_axis_is_not_known_well_enough(site):
    evening = Evening(site, seed=4, mount_az=300.0, mount_alt=-300.0)
    evening.kept = replace(evening.kept, places=evening.kept.places.picked([0, 1, 2]), returns=False)
    for n in (1, 2, 3):
        now = evening.solve(n)
    assert now.step is Next.SOLVE
    assert now.next_fields == (4,)
    assert len(now.fields) == 4
    again = evening.look()
    assert [one.place.azimuth_deg for one in again.fields] == [one.place.azimuth_deg for one in now.fields]
