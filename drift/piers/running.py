"""One task for each of several piers: on this machine's cores, or on a Dask cluster that is there already."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import as_completed as as_ended
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

from drift._version import __version__
from drift.codes import TaskFailure
from drift.errors import AlreadyRunning, ClusterError, DriftError, RecordError
from drift.piers.listing import Listed
from drift.stamp import LIBRARIES, versions
from drift.workers import Worker, named

#: How often a task is tried where its process dies, or its record can't be had.
TRIES = 3
#: How long to wait before it is tried again [s], by the tries that there were.
_PAUSES_S = (0.0, 1.0, 5.0)
#: Longest time of one try [s]; a pier of ten years takes about a minute.
LIMIT_S = 1_800.0
#: After so many tasks a child makes place for a new one, so that what libraries hold on to goes with it.
_TASKS_OF_A_CHILD = 50
#: Each child has a core of its own: libraries that start threads would only stand in each other's way.
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
_TASK = "drift.piers.running:work"


@dataclass(frozen=True, kw_only=True)
class Done:
    """What became of the task of one pier.

    Attributes
    ----------
    pier
        The pier.
    result
        What the task returned; None where it failed.
    failure
        Why there is no result; None where there is one.
    trouble
        What the error said; "" where there was none.
    tries
        How often it was begun.
    seconds
        How long the last try took [s].
    most_bytes
        The most memory that its process has had by then; None where the system doesn't say.
    """

    pier: Listed
    result: Any = None
    failure: TaskFailure | None = None
    trouble: str = ""
    tries: int = 1
    seconds: float = 0.0
    most_bytes: int | None = None


@dataclass(frozen=True)
class Task:
    """What is done for each pier.

    Attributes
    ----------
    function
        ``module:function``; called with the path of the site file, `name=` and the options.
    options
        Further arguments by name, which can be pickled.
    each
        The same of single piers, by their names.
    tries, limit_s
        How often it is tried, and the longest time of one try [s].
    """

    function: str
    options: Mapping[str, Any] = field(default_factory=dict)
    each: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    tries: int = TRIES
    limit_s: float = LIMIT_S

    def of(self, pier: Listed) -> Task:
        """Return the task of one pier, with its own arguments alone."""
        return replace(self, options={**self.options, **self.each.get(pier.name, {})}, each={})


def cores() -> int:
    """Return how many cores this program may use."""
    with suppress(AttributeError):  # not on every system
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run_here(
    task: Task,
    piers: Sequence[Listed],
    workers: int | None = None,
    told: Callable[[Done], None] | None = None,
) -> list[Done]:
    """Do a task for each pier, side by side on this machine.

    Parameters
    ----------
    task
        The task.
    piers
        The piers; they are begun in this order.
    workers
        How many at a time; None: as many as there are cores.
    told
        Told of each pier when it has ended, in this thread.

    Returns
    -------
    list of Done
        In the order of `piers`.
    """
    if not piers:
        return []
    children = _Children()
    pool = ThreadPoolExecutor(max(1, min(workers or cores(), len(piers))))
    try:
        ahead: dict[Future[Done], int] = {
            pool.submit(children.run, task.of(pier), _absolute(pier)): number
            for number, pier in enumerate(piers)
        }
        return _gathered(((one, one.result()) for one in as_ended(ahead)), ahead, told)
    finally:  # also when it was stopped from the keyboard
        pool.shutdown(wait=False, cancel_futures=True)
        children.stop()
        pool.shutdown()


def _absolute(pier: Listed) -> Listed:
    return replace(pier, site_path=pier.site_path.absolute())


def _gathered(
    ended: Iterator[tuple[Any, Done]], ahead: Mapping[Any, int], told: Callable[[Done], None] | None
) -> list[Done]:
    found: dict[int, Done] = {}
    for future, done in ended:
        found[ahead[future]] = done
        if told is not None:
            told(done)
    return [found[number] for number in sorted(found)]


# ---- Children that take one pier after another.


class _Children:
    """The child processes of this program; several threads share them, and each has one at a time."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._idle: list[tuple[Worker, int]] = []  # and how many tasks it has done
        self._busy: set[Worker] = set()
        self._stopped = False

    def run(self, task: Task, pier: Listed) -> Done:
        """Do a task for a pier in a child, again where that is of use."""
        done = Done(pier=pier, failure=TaskFailure.BROKE_DOWN, tries=0)
        for number in range(1, task.tries + 1):
            time.sleep(_PAUSES_S[min(number, len(_PAUSES_S)) - 1])
            begun = time.monotonic()
            done, again = self._once(task, pier)
            done = replace(done, tries=number, seconds=time.monotonic() - begun)
            if not again or self._stopped:
                break
        return done

    def stop(self) -> None:
        """End all children, whatever they are doing, and start no other."""
        with self._lock:
            self._stopped = True
            idle, self._idle = self._idle, []
            busy = list(self._busy)
        for child in busy:  # the thread that waits for it lets go of it
            child.kill()
        for child, _ in idle:
            child.stop()

    def _once(self, task: Task, pier: Listed) -> tuple[Done, bool]:
        """Try once; return what came of it, and whether it is worth another try."""
        try:
            taken = self._take()
        except OSError as error:  # too many processes, no memory: another may end meanwhile
            return Done(pier=pier, failure=TaskFailure.BROKE_DOWN, trouble=str(error)), True
        if taken is None:
            return Done(pier=pier, failure=TaskFailure.BROKE_DOWN), False
        child, tasks = taken
        late = threading.Event()

        def too_long() -> None:
            late.set()
            child.kill()

        alarm = threading.Timer(task.limit_s, too_long)
        alarm.daemon = True
        alarm.start()
        try:
            ((result, failure, trouble, most_bytes, again),) = child.ask(
                task.function, str(pier.site_path), {"name": pier.name, **task.options}
            )
        except BrokenPipeError:
            self._give_back(child, None)
            broken = TaskFailure.TOO_LONG if late.is_set() else TaskFailure.BROKE_DOWN
            return Done(pier=pier, failure=broken), True
        finally:
            alarm.cancel()
        self._give_back(child, tasks + 1)
        done = Done(pier=pier, result=result, failure=failure, trouble=trouble, most_bytes=most_bytes)
        return done, again

    def _take(self) -> tuple[Worker, int] | None:
        with self._lock:
            if self._stopped:
                return None
            child, tasks = self._idle.pop() if self._idle else (Worker.start(_TASK, also=_ONE_THREAD), 0)
            self._busy.add(child)
        return child, tasks

    def _give_back(self, child: Worker, tasks: int | None) -> None:
        """Keep a child for the next pier, or end it: None, it is broken."""
        with self._lock:
            self._busy.discard(child)
            keep = tasks is not None and tasks < _TASKS_OF_A_CHILD and not self._stopped
            if keep:
                self._idle.append((child, tasks or 0))
        if not keep:
            child.stop()


def work(
    function: str, site_path: str, options: Mapping[str, Any]
) -> Iterator[tuple[Any, TaskFailure | None, str, int | None, bool]]:
    """Do a task in a child.

    Yields
    ------
    tuple
        The result, why there is none, what the error said, the most memory [bytes], and whether it is worth
        another try.
    """
    result, failure, trouble, again = None, None, "", False
    try:
        result = named(function)(site_path, **options)
    except (RecordError, AlreadyRunning, OSError) as error:  # a lock, a disk, a connection: it may pass
        failure, trouble, again = TaskFailure.REFUSED, str(error), True
    except DriftError as error:
        failure, trouble = TaskFailure.REFUSED, str(error)
    except Exception as error:  # that of one pier must not be the end of the others
        failure, trouble = TaskFailure.UNFORESEEN, f"{type(error).__name__}: {error}"
    yield result, failure, trouble, _most_bytes(), again


def _most_bytes() -> int | None:
    try:
        import resource
    except ImportError:  # not on Windows
        return None
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most if sys.platform == "darwin" else most * 1024


# ---- On a Dask cluster.
#
# Each of its workers has children of its own, because the libraries that draw and read are not made for
# threads.  Where a worker of the cluster dies, its scheduler gives the pier to another.


#: How long the scheduler may take to answer [s].
_SCHEDULER_S = 10.0
_of_worker: _Children | None = None
_of_worker_lock = threading.Lock()


def run_on_cluster(
    address: str,
    task: Task,
    piers: Sequence[Listed],
    told: Callable[[Done], None] | None = None,
) -> list[Done]:
    """Do a task for each pier on the workers of a Dask cluster, which see the same files by the same paths.

    Parameters
    ----------
    address
        Of its scheduler, such as ``tcp://192.0.2.20:8786``.
    task, piers, told
        As for `run_here`.

    Raises
    ------
    drift.errors.ClusterError
        If Dask isn't installed, or no scheduler answers there.
    """
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        raise ClusterError(
            "--scheduler needs the library distributed, which is not installed: `pip install drift[cluster]` "
            "brings it.  Without --scheduler the piers are worked on on this machine."
        ) from error
    try:
        client = Client(address, timeout=_SCHEDULER_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(
            f"no scheduler of a Dask cluster answers at {address!r} ({type(error).__name__}: {error}).  Give "
            "its address as it prints it at its start, such as --scheduler tcp://192.0.2.20:8786; without "
            "--scheduler the piers are worked on on this machine."
        ) from error
    with client:
        program = _program()
        ahead = {
            client.submit(run_there, program, task.of(pier), _absolute(pier), pure=False): number
            for number, pier in enumerate(piers)
        }
        ended = (_Ended(one, piers[ahead[one]]) for one in as_completed(ahead, loop=client.loop))
        return _gathered(((one.future, one.done()) for one in ended), ahead, told)


@dataclass(frozen=True)
class _Ended:
    """A task of the cluster that has ended, somehow."""

    future: Any
    pier: Listed

    def done(self) -> Done:
        """Return what came of it; the cluster's own errors are those of this pier alone."""
        from concurrent.futures import CancelledError

        from distributed import KilledWorker

        try:
            done: Done = self.future.result()
            return done
        except KilledWorker:
            return Done(pier=self.pier, failure=TaskFailure.BROKE_DOWN, tries=TRIES)
        except CancelledError:
            return Done(pier=self.pier, failure=TaskFailure.CLUSTER_GONE)
        except Exception as error:
            trouble = f"{type(error).__name__}: {error}"
            return Done(pier=self.pier, failure=TaskFailure.UNFORESEEN, trouble=trouble)


def _program() -> tuple[str, ...]:
    """Return the versions of this program and of the libraries that its numbers depend on."""
    return (__version__, *(f"{name} {version}" for name, version in versions(LIBRARIES).items()))


def run_there(program: tuple[str, ...], task: Task, pier: Listed) -> Done:
    """Do a task on a worker of the cluster, in a child of it.

    Parameters
    ----------
    program
        The versions of the program that asks; another one might come to another result.
    task, pier
        What is done for which pier.
    """
    global _of_worker
    own = _program()
    if program != own:
        different = [one for one in own if one not in program]
        return Done(pier=pier, failure=TaskFailure.OTHER_PROGRAM, trouble=", ".join(different))
    with _of_worker_lock:
        _of_worker = _of_worker or _Children()
    return _of_worker.run(task, pier)
