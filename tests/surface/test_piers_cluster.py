"""Work on several piers by a real Dask cluster on this machine; its workers are killed, and its scheduler."""

import os
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import pytest
from record_world import PATIENCE_S

from drift.codes import TaskFailure
from drift.errors import ClusterError
from drift.piers import running
from drift.piers.listing import Listed
from drift.piers.running import Task, run_on_cluster, run_there

distributed = pytest.importorskip(
    "distributed", reason="distributed is not installed: pip install drift[cluster]"
)
HERE = Path(__file__).parent
#: What the cluster's library warns of is not ours to mend.
pytestmark = pytest.mark.filterwarnings("ignore")


def piers(*names):
    return [Listed(name, Path(name) / "pier.toml") for name in names]


@contextmanager
def cluster(folder, workers=2):
    """Start a scheduler and workers as programs of their own; yield its address and all processes."""
    home = str(Path(running.__file__).parents[2])
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([home, str(HERE)])}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": environment, "cwd": folder}
    where = folder / "scheduler.json"
    common = ["--scheduler-file", str(where)]
    scheduler = subprocess.Popen(
        [
            *(sys.executable, "-m", "distributed.cli.dask_scheduler", *common, "--host", "127.0.0.1"),
            *("--port", "0", "--no-dashboard"),
        ],
        **quiet,
    )
    # without a nanny no killed worker comes back, so that it is the others who take over
    work = [sys.executable, "-m", "distributed.cli.dask_worker", *common, "--nthreads", "1", "--no-nanny"]
    started = [subprocess.Popen([*work, "--no-dashboard"], **quiet) for _ in range(workers)]
    try:
        with distributed.Client(
            scheduler_file=str(where), timeout=PATIENCE_S, set_as_default=False
        ) as client:
            client.wait_for_workers(workers, timeout=PATIENCE_S)
            address = client.scheduler.address
        yield address, scheduler, started
    finally:
        for one in (*started, scheduler):
            one.kill()
            one.wait()


def test_a_cluster_does_the_same_and_a_killed_worker_is_made_up_for(tmp_path):
    marks = tmp_path / "marks"
    marks.mkdir()
    with cluster(tmp_path, 3) as (address, _, workers):
        done = run_on_cluster(address, Task("piers_tasks:say"), piers("b", "a"))
        assert [(one.result, one.failure) for one in done] == [("b done", None), ("a done", None)]

        # what is said of one pier alone goes to that pier alone
        each = {"a": {"word": "alone"}}
        done = run_on_cluster(address, Task("piers_tasks:say", {"word": "both"}, each), piers("b", "a"))
        assert [one.result for one in done] == ["b both", "a alone"]

        def kill_one():
            until = time.monotonic() + PATIENCE_S
            while not list(marks.iterdir()) and time.monotonic() < until:
                time.sleep(0.05)
            workers[0].kill()
            for mark in marks.iterdir():  # what is left of it, and of the others: their first tries stay long
                os.kill(int(mark.read_text()), signal.SIGKILL)

        killer = threading.Thread(target=kill_one)
        killer.start()
        told = []
        task = Task("piers_tasks:stay_once", {"marks": str(marks), "seconds": 5.0})
        done = run_on_cluster(address, task, piers("c", "d", "e", "f"), told.append)
        killer.join()
        assert [one.result for one in done] == ["c", "d", "e", "f"]
        assert sorted(one.pier.name for one in told) == ["c", "d", "e", "f"]


def test_where_the_scheduler_goes_each_pier_left_says_so(tmp_path):
    with cluster(tmp_path, 1) as (address, scheduler, _):

        def end_scheduler():
            time.sleep(3.0)
            scheduler.kill()

        ender = threading.Thread(target=end_scheduler)
        ender.start()
        task = Task("piers_tasks:sleep", {"seconds": 60.0})
        done = run_on_cluster(address, task, piers("a", "b"))
        ender.join()
    assert {one.failure for one in done} == {TaskFailure.CLUSTER_GONE}


def test_no_scheduler_there_is_one_paragraph(monkeypatch):
    monkeypatch.setattr(running, "_SCHEDULER_S", 0.5)
    with pytest.raises(ClusterError, match="no scheduler of a Dask cluster answers at 'tcp://127.0.0.1:9'"):
        run_on_cluster("tcp://127.0.0.1:9", Task("piers_tasks:say"), piers("a"))


def test_a_worker_with_other_versions_is_refused():
    done = run_there(("0.0.0", "numpy 1.0"), Task("piers_tasks:say"), *piers("a"))
    assert done.failure is TaskFailure.OTHER_PROGRAM and "numpy" in done.trouble


def test_without_the_library_it_says_how_to_get_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ClusterError, match=r"pip install drift\[cluster\]"):
        run_on_cluster("tcp://127.0.0.1:9", Task("piers_tasks:say"), piers("a"))
