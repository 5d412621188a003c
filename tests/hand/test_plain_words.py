"""Small words: fractions of a turn, one night and more, and the verdict's head with its clauses."""

import numpy as np
import pytest
from advice_world import AZ, LAST_US, event, history, nights, site, step
from said import said_of

from drift.advice.steps import advise
from drift.notices import AdviceCode
from drift.render.phrases import turns_in_words


@pytest.mark.parametrize(
    ("turns", "said"),
    [
        (0.001, ""),
        (0.01, "about 4°"),
        (0.05, "about 20°"),
        (0.1, "about 35°"),
        (-0.5, "about 180°"),
        (0.999, "about 1 turn"),
        (1.02, "about 1 turn and 5°"),
        (2.25, "about 2 turns and 90°"),
    ],
)
def test_a_turn_is_told_in_whole_turns_and_degrees(turns, said):
    assert turns_in_words(turns) == said


def test_one_night_is_called_one_night():
    one = nights((300.0, 0.0), times=np.array([LAST_US]))
    none = np.zeros((1, 6))
    past = history(axis_now=(300.0, 0.0), time_us=np.array([LAST_US]), change=none, sd=none)
    (turn,) = advise(site(), one, past).actions
    assert "there is one night only, so part of this may yet prove seasonal" in said_of(turn)


def test_the_verdicts_head_and_clauses_make_its_sentence():
    slip = event("mount_az", mount_az=170.0)
    said = advise(site(), nights(), history(events=(slip,), **step(AZ, 170.0, 20))).verdict
    assert said_of(said.notice) == "The mount has moved on its pier"
    clauses = "; ".join(said_of(clause) for clause in said.clauses)
    assert said_of(said) == f"{said_of(said.notice)}: {clauses}."
    quiet = advise(site(), nights(), history(axis_now=(0.0, 30.0))).verdict
    assert (quiet.notice.code, quiet.clauses) == (AdviceCode.NOTHING_MOVED, ())
