"""Engines: jobs -> outcomes as they arrive, from processes of this machine or from a Dask cluster."""

from __future__ import annotations

import collections
import contextlib
import multiprocessing
import multiprocessing.connection
import os
import signal
import threading
import time
from collections.abc import Generator, Iterable, Iterator, Sequence
from typing import Any

from bladeangle.base.errors import UsageError
from bladeangle.base.files import THREAD_VARIABLES, safe_name
from bladeangle.batch.jobs import Job
from bladeangle.batch.work import Outcome, Settings, work
from bladeangle.inventory import Failure

#: How long a cluster may be silent beyond the time limit before its jobs are given up.
PATIENCE_S = 60.0


@contextlib.contextmanager
def uninterrupted() -> Iterator[None]:
    """Ctrl-C waits until the end of the block; processes and threads started in it never see it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def _one_thread() -> Iterator[None]:
    """An environment in which new processes use one thread each: they run side by side already."""
    before = {name: os.environ.get(name) for name in THREAD_VARIABLES}
    os.environ.update(dict.fromkeys(THREAD_VARIABLES, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _end_with_parent() -> None:
    """End this process as soon as its parent has ended in whatever way."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    multiprocessing.connection.wait([parent.sentinel])
    os._exit(1)


def _serve(link: multiprocessing.connection.Connection, settings: Settings) -> None:
    """What a worker process runs: jobs in, outcomes out, until the other end of the pipe closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    with contextlib.suppress(EOFError, BrokenPipeError, ConnectionResetError):
        while True:
            link.send(work(link.recv(), settings))


class _Worker:
    """A worker process and the job that it has."""

    def __init__(self, settings: Settings) -> None:
        # Not forked: a fork of a process that has used OpenCV hangs. Not a ProcessPoolExecutor: when one of its
        # processes dies, nobody knows whose job that was and all jobs are lost.
        context = multiprocessing.get_context("spawn")
        self.link, theirs = context.Pipe()
        self.process = context.Process(target=_serve, args=(theirs, settings), daemon=True)
        with uninterrupted(), _one_thread():
            self.process.start()
        theirs.close()
        self.job: Job | None = None
        self.since = 0.0

    def give(self, job: Job) -> None:
        self.job, self.since = job, time.monotonic()
        with contextlib.suppress(BrokenPipeError):  # it has died; that shows when the outcome is asked for
            self.link.send(job)

    def outcome(self) -> Outcome | None:
        """The outcome that has arrived, None when the process has died."""
        try:
            outcome: Outcome = self.link.recv()
        except (EOFError, OSError):
            return None
        self.job = None
        return outcome

    def stop(self, *, now: bool) -> None:
        self.link.close()
        if not now:
            self.process.join(5)
        self.process.kill()
        self.process.join()


def run_processes(jobs: Sequence[Job], settings: Settings, workers: int) -> Generator[Outcome]:  # noqa: C901 (one loop over the states of workers)
    """Outcomes as they arrive, from worker processes of this machine.

    A worker that dies takes its one job with it; that is tried once more when nothing else runs, since memory that does
    not suffice for all is the likeliest reason, and then given up.
    """
    todo, again = collections.deque(jobs), collections.deque[Job]()
    tried: set[Job] = set()
    pool: list[_Worker] = []
    finished = False
    try:
        while True:
            idle = [w for w in pool if w.job is None]
            while todo and (idle or len(pool) < workers):
                if not idle:
                    pool.append(_Worker(settings))
                    idle = pool[-1:]
                idle.pop().give(todo.popleft())
            busy = {w.link: w for w in pool if w.job is not None}
            if not busy:
                if not again:
                    break
                todo.append(again.popleft())
                continue
            for link in multiprocessing.connection.wait(list(busy)):
                worker = busy[link]  # type: ignore[index]
                job, lasted_s = worker.job, time.monotonic() - worker.since
                outcome = worker.outcome()
                if outcome is None:
                    assert job is not None
                    pool.remove(worker)
                    worker.stop(now=False)
                    if lasted_s < settings.limit_s and job not in tried:
                        tried.add(job)
                        again.append(job)
                        continue
                    outcome = Outcome(job, failure=_death(job, worker.process.exitcode, lasted_s, settings.limit_s))
                elif todo:  # before the outcome is kept, so that the process does not wait for the disk
                    worker.give(todo.popleft())
                yield outcome
        finished = True
    except KeyboardInterrupt:
        # What has arrived by now is kept.
        for worker in pool:
            if worker.job is not None and worker.link.poll() and (outcome := worker.outcome()) is not None:
                yield outcome
        raise
    finally:
        for worker in pool:
            worker.link.close()  # so that all of them end at the same time
        for worker in pool:
            worker.stop(now=not finished)


def _death(job: Job, exit_code: int | None, lasted_s: float, limit_s: float) -> Failure:
    if lasted_s >= limit_s:
        return Failure(
            job.rotor, None, 1, f"It took longer than {limit_s:g} s.", "Use fewer photographs or a longer --time-limit."
        )
    how = f"by signal {-exit_code}" if exit_code is not None and exit_code < 0 else f"with exit code {exit_code}"
    return Failure(job.rotor, None, 1, f"The process that measured it died twice, {how}.", "Look at its photographs.")


def work_apart(job: Job, settings: Settings) -> Outcome:
    """The outcome of one job from a process of its own, whose death leaves this process, a cluster's worker, alive.

    joblib waits forever for a task whose Dask worker has died, and Dask blames all tasks that the worker had.
    """
    # Dask marks its workers as processes that may not have children; ours ends with its job, or with its worker.
    multiprocessing.current_process().daemon = False
    (outcome,) = run_processes([job], settings, workers=1)
    return outcome


def run_dask(jobs: Sequence[Job], settings: Settings, workers: int, address: str | None = None) -> Generator[Outcome]:  # noqa: C901 (one loop over the states of workers)
    """Outcomes as they arrive, by joblib from a Dask cluster: the one at `address`, else a local one.

    Every machine of the cluster must see the photographs under the same paths and have bladeangle installed. Each rotor
    gets a process of its own, which costs about a second. When a machine is lost, the jobs that were under way are
    tried once more after a while, each alone.

    Raises
    ------
    UsageError : Dask or joblib is not installed, or the cluster does not answer.
    """
    if not jobs:
        return
    try:
        import joblib
        from dask.distributed import Client, LocalCluster
    except ImportError as error:
        raise UsageError("Dask or joblib is not installed.", "pip install 'bladeangle[dask]'") from error

    def run(some: Iterable[Job], given: list[Job]) -> Generator[Outcome]:
        def calls() -> Iterator[Any]:
            for job in list(some):
                given.append(job)
                yield joblib.delayed(work_apart)(job, settings)

        # Two trials within the limit, and then nothing has come back for so long that a machine must be lost.
        longest_s = 2 * settings.limit_s + PATIENCE_S
        parallel = joblib.Parallel(return_as="generator_unordered", pre_dispatch="2*n_jobs", timeout=longest_s)
        yield from parallel(calls())

    with contextlib.ExitStack() as stack:
        with uninterrupted(), _one_thread():
            if address is None:
                local = LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None)
                stack.enter_context(local)
            try:
                stack.enter_context(Client(local if address is None else address, timeout=20))
            except OSError as error:
                raise UsageError(
                    f"The cluster at {safe_name(str(address))} does not answer.", "Start it, or correct the address."
                ) from error
        stack.enter_context(joblib.parallel_config(backend="dask"))
        left = dict.fromkeys(jobs)
        while left:
            given: list[Job] = []
            try:
                for outcome in run(left, given):
                    del left[outcome.job]
                    yield outcome
            except Exception:  # noqa: BLE001 - errors of jobs are outcomes: a part of the cluster has died
                pass
            for job in [job for job in given if job in left] or list(left):
                del left[job]
                try:
                    yield from run([job], [])
                except Exception as error:  # noqa: BLE001
                    what = f"The cluster could not measure it: {type(error).__name__}."
                    yield Outcome(job, failure=Failure(job.rotor, None, 1, what, "Look at the cluster's own log."))
