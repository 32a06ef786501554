"""Workers on this machine: fresh processes, each with a pipe of its own.

A pool of our own rather than that of `concurrent.futures`: that one gives up every field in work when
a single worker dies, and cannot say which field killed it.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Any

from rxmap.batch.tasks import Task
from rxmap.batch.work import ONE_THREAD, Outcome, Tell, attempt, memory_mb
from rxmap.beside import Here

MOST_TRIES = 2  # of a field that loses its worker: once may be chance
MOST_STILLBORN = 3  # workers in a row that end before they are ready: then none ever will be
MOST_MEMORY = 600.0  # [MB] a worker that holds more after a field is replaced; judgement: half more than a small field
GRACE = 5.0  # [s] to tidy up after being told to end

_SPAWN = multiprocessing.get_context("spawn")  # fork would copy threads and locks of the libraries


def run_here(tasks: Sequence[Task], place: Path, *, workers: int, noise: Path) -> Iterator[tuple[Task, Outcome]]:
    """Build fields in processes of this machine, and give each as it is done.

    Parameters
    ----------
    tasks : sequence of Task
        What to do.
    place : Path
        Folder of the result folders.
    workers : int
        How many processes.
    noise : Path
        File that takes what libraries print.

    Raises
    ------
    RuntimeError
        If no worker gets ready.
    """
    team = _Team(tasks, place, workers=workers, noise=noise)
    try:
        yield from team.outcomes()
    finally:
        team.dismiss()


@dataclass(slots=True)
class _Worker:
    process: SpawnProcess
    pipe: Connection
    ready: bool = False
    task: Task | None = None
    steps: list[str] = field(default_factory=list)


class _Team:
    """The workers, what each is at, and what waits."""

    def __init__(self, tasks: Sequence[Task], place: Path, *, workers: int, noise: Path) -> None:
        self._waiting, self._lost = deque(tasks), Counter[str]()
        self._place, self._most, self._noise = place, workers, noise
        self._workers: list[_Worker] = []
        self._stillborn = 0

    def outcomes(self) -> Iterator[tuple[Task, Outcome]]:
        while self._waiting or self._busy():
            self._keep_busy()
            for pipe in wait([worker.pipe for worker in self._workers]):
                worker = next(one for one in self._workers if one.pipe is pipe)
                try:
                    said = worker.pipe.recv()
                except (EOFError, OSError):  # its end of the pipe closed with it
                    yield from self._bury(worker)
                else:
                    yield from self._heard(worker, said)

    def dismiss(self) -> None:
        for worker in self._workers:
            worker.process.terminate()  # a stage in work is removed on the way out
        for worker in self._workers:
            worker.process.join(GRACE)
            worker.process.kill()
            worker.process.join()
            worker.pipe.close()
        self._workers.clear()

    def _busy(self) -> int:
        return sum(worker.task is not None for worker in self._workers)

    def _keep_busy(self) -> None:
        for worker in self._workers:
            if worker.ready and worker.task is None and self._waiting:
                worker.task = self._waiting.popleft()
                worker.steps.clear()
                with contextlib.suppress(OSError):  # it died: its pipe says so next
                    worker.pipe.send(worker.task)
        starting = sum(not worker.ready for worker in self._workers)
        while len(self._workers) < self._most and starting < len(self._waiting):
            self._workers.append(_hired(self._place, self._noise))
            starting += 1

    def _heard(self, worker: _Worker, said: Any) -> Iterator[tuple[Task, Outcome]]:
        if isinstance(said, str):
            worker.steps.append(said)
            return
        worker.ready, self._stillborn = True, 0
        if worker.task is not None:
            outcome, holds_mb = said
            yield worker.task, outcome
            worker.task = None
            if holds_mb > MOST_MEMORY:
                self._let_go(worker)

    def _bury(self, worker: _Worker) -> Iterator[tuple[Task, Outcome]]:
        """Take away a worker that died; its field is done again, once."""
        self._let_go(worker)
        task, ended = worker.task, worker.process.exitcode
        if not worker.ready:
            self._stillborn += 1
            if self._stillborn == MOST_STILLBORN:
                raise RuntimeError(f"the workers end before they are ready; {self._noise} may say why")
        if task is None:
            return
        self._lost[task.slug] += 1
        if self._lost[task.slug] < MOST_TRIES:
            self._waiting.appendleft(task)
            return
        how = f"signal {-ended}" if ended and ended < 0 else f"exit code {ended}"
        line = f"its worker died {MOST_TRIES} times ({how}). Is there enough memory? Build it alone to see."
        yield task, Outcome(state="fault", lines=(line,), log=(*worker.steps, f"ended by {how}"))

    def _let_go(self, worker: _Worker) -> None:
        self._workers.remove(worker)
        worker.pipe.close()  # an idle worker ends with it
        worker.process.join()


def _hired(place: Path, noise: Path) -> _Worker:
    ours, theirs = _SPAWN.Pipe()
    process = _SPAWN.Process(target=_serve, args=(theirs, place, noise), name="rxmap-worker")
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(ONE_THREAD)
    try:
        with _undisturbed():
            process.start()
    finally:
        for name, value in before.items():
            os.environ.pop(name) if value is None else os.environ.update({name: value})
    theirs.close()  # the worker's copy is the only one now: it ends with the worker
    return _Worker(process, ours)


@contextlib.contextmanager
def _undisturbed() -> Iterator[None]:
    """Start a process that Ctrl-C does not reach: it is for us to say when a worker ends."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _serve(pipe: Connection, place: Path, noise: Path) -> None:
    """Live as a worker: build what comes through the pipe until it closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    with noise.open("ab", buffering=0) as file:
        for stream in (1, 2):
            os.dup2(file.fileno(), stream)
    _warm_up()
    pipe.send(("ready", 0.0))
    while True:
        try:
            task = pipe.recv()
        except EOFError:
            return
        pipe.send((attempt(partial(_build, task, place), pipe.send), memory_mb("VmRSS")))


def _build(task: Task, place: Path, tell: Tell) -> None:
    from rxmap.pipeline import build  # here: in a worker only, after its surroundings are set

    # every core has a field already: a process for each field's papers would cost more than it saves
    build(task.plan, place / task.slug, replace=True, progress=tell, beside=Here())


def _warm_up() -> None:
    import rxmap.pipeline  # noqa: F401 - paid once for all fields of a worker


def _end_with_parent() -> None:
    """End at once when whoever hands out the work is gone, even killed: nobody would hear of the rest."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
