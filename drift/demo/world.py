"""The invented observatory as a whole: its history, its logs and their truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from drift.demo.course import Course, invent_course, local_day
from drift.demo.evenings import evenings
from drift.demo.notebook import log_corrections, log_levels, log_typed, log_weather
from drift.demo.pointing import log_pointing
from drift.demo.runs import log_runs
from drift.demo.scenario import Scenario
from drift.demo.sweeps import log_sweeps
from drift.demo.truth import Truth, night_truth, pointing_truth, step_truths
from drift.readings import COLUMNS, Readings, as_readings

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class World:
    """An invented history with everything that was logged of it.

    `tables` are as in `drift.readings`; `truth` is what an answer is judged
    by; `course` gives the truth at any moment.
    """

    scenario: Scenario
    course: Course = field(repr=False)
    tables: dict[str, pd.DataFrame] = field(repr=False)
    truth: Truth = field(repr=False)

    def readings(self) -> Readings:
        """Return the logs as tables, as an import of all files would give them."""
        return as_readings(self.tables)

    def write(self, folder: str | Path) -> tuple[Path, ...]:
        """Write the logs as CSV files, with pier.toml and truth.json; return their paths."""
        from drift.demo.write import write_world

        return write_world(self, Path(folder))


def _numbered(tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Give every row a number of its own and put the columns in their order."""
    first, numbered = 1, {}
    for kind, columns in COLUMNS.items():
        table = tables[kind].copy()
        table["row_id"] = np.arange(first, first + len(table), dtype=np.int64)
        first += len(table)
        numbered[kind] = table[list(columns)]
    return numbered


def make(scenario: Scenario) -> World:
    """Make the history and the logs of a scenario; the same scenario gives the same world.

    Raises
    ------
    ValueError
        When the scenario can't be: years outside the kept Earth rotation, or
        a horizon that leaves no sky.
    """
    course = invent_course(scenario)
    nights = evenings(course)
    solves, sweeps, runs = log_pointing(course, nights), log_sweeps(course, nights), log_runs(course, nights)
    tables = _numbered(
        {
            "solves": solves.table,
            "sweeps": sweeps.table,
            "runs": runs.table,
            "alignments": log_typed(course, nights),
            "levels": log_levels(course),
            "weather": log_weather(course),
            "corrections": log_corrections(course),
        }
    )
    times = {kind: table["time_us"].to_numpy(np.int64) for kind, table in tables.items() if kind != "weather"}
    typed_night = np.array([e.day for e in nights if "typed" in e.kinds], dtype=np.int64)
    truth = Truth(
        nights={
            "pointing": pointing_truth(course, solves),
            "sweep": night_truth(course, times["sweeps"], sweeps.night),
            "run": night_truth(course, times["runs"], runs.night),
            "typed": night_truth(course, times["alignments"], typed_night),
            "level": night_truth(course, times["levels"], local_day(scenario, times["levels"])),
        },
        events=step_truths(course),
        constants=scenario.constants,
        wrong_solves=solves.wrong,
        solve_zero=solves.zero,
        wrong_sweep_solves=sweeps.wrong,
    )
    return World(scenario, course, tables, truth)
