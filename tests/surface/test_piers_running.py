"""One task for several piers on this machine: what fails costs its pier a retry and nothing else."""

import os
import signal
import threading
import time
from pathlib import Path

import pytest

from drift.codes import TaskFailure
from drift.piers import running
from drift.piers.listing import Listed
from drift.piers.running import Task, run_here

#: How long to wait for a child to begin, on a machine that is busy [s].
PATIENCE_S = 120.0


@pytest.fixture(autouse=True)
def found_by_children(monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))
    monkeypatch.setattr(running, "_PAUSES_S", (0.0, 0.01))


def piers(*names):
    return [Listed(name, Path(name) / "pier.toml") for name in names]


def test_each_pier_has_its_result_in_the_order_of_the_list_and_is_told_once():
    told = []
    done = run_here(Task("piers_tasks:say", {"word": "well"}), piers("c", "a", "b"), 2, told.append)
    assert [one.result for one in done] == ["c well", "a well", "b well"]
    assert sorted(one.pier.name for one in told) == ["a", "b", "c"]
    assert all(one.failure is None and one.tries == 1 for one in done)
    assert run_here(Task("piers_tasks:say"), [], 2) == []


def test_a_killed_worker_costs_its_pier_a_retry_and_nothing_else(tmp_path):
    names = ("a", "b", "c")

    def kill_each():
        for name in names:
            until = time.monotonic() + PATIENCE_S
            while not ((mark := tmp_path / name).exists() and mark.read_text()):
                if time.monotonic() > until:
                    return
                time.sleep(0.02)
            os.kill(int(mark.read_text()), signal.SIGKILL)

    killer = threading.Thread(target=kill_each)
    killer.start()
    done = run_here(Task("piers_tasks:stay_once", {"marks": str(tmp_path)}), piers(*names), 2)
    killer.join()
    assert [(one.result, one.tries, one.failure) for one in done] == [(name, 2, None) for name in names]


def test_a_pier_whose_worker_dies_each_time_fails_alone():
    done = run_here(Task("piers_tasks:die", {"which": "b"}, tries=2), piers("a", "b", "c"), 2)
    assert [one.result for one in done] == ["a", None, "c"]
    assert (done[1].failure, done[1].tries) == (TaskFailure.BROKE_DOWN, 2)


@pytest.mark.parametrize(
    ("how", "result", "failure", "tries"),
    [
        ("may pass", "a", None, 2),
        ("refused", None, TaskFailure.REFUSED, 1),
        ("unforeseen", None, TaskFailure.UNFORESEEN, 1),
    ],
)
def test_only_what_may_pass_is_tried_again(tmp_path, how, result, failure, tries):
    (done,) = run_here(Task("piers_tasks:fail", {"how": how, "marks": str(tmp_path)}), piers("a"), 1)
    assert (done.result, done.failure, done.tries) == (result, failure, tries)
    assert len((tmp_path / "a").read_text()) == tries
    assert bool(done.trouble) == (failure is not None)


def test_where_no_child_can_be_started_each_pier_says_so(monkeypatch):
    def refused(*asked, **more):
        raise OSError("no more processes")

    monkeypatch.setattr(running.Worker, "start", refused)
    done = run_here(Task("piers_tasks:say"), piers("a", "b"), 2)
    assert [(one.failure, one.tries) for one in done] == [(TaskFailure.BROKE_DOWN, 3)] * 2


def test_what_takes_too_long_is_stopped():
    (done,) = run_here(Task("piers_tasks:sleep", {"seconds": 600.0}, tries=1, limit_s=3.0), piers("a"), 1)
    assert done.failure is TaskFailure.TOO_LONG


def test_a_stop_from_outside_ends_all_children():
    def stop(done):
        raise KeyboardInterrupt

    begun = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        run_here(Task("piers_tasks:sleep", {"seconds": 2.0}), piers("a", "b", "c", "d"), 1, stop)
    assert time.monotonic() - begun < PATIENCE_S
    assert not [one for one in threading.enumerate() if one.name.startswith("ThreadPool")]


def test_a_child_makes_place_for_a_new_one_after_a_while(monkeypatch):
    monkeypatch.setattr(running, "_TASKS_OF_A_CHILD", 2)
    done = run_here(Task("piers_tasks:process"), piers("a", "b", "c", "d", "e"), 1)
    assert len({one.result for one in done}) == 3  # two, two and one
