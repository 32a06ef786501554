"""Workers of a Dask cluster: inputs travel with the task, the result comes back, no disk is shared."""

from __future__ import annotations

import contextlib
import logging
from collections import deque
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import rxmap
from rxmap.batch.sending import build_sent, packed_inputs, published
from rxmap.batch.tasks import Task
from rxmap.batch.work import Outcome, attempt
from rxmap.errors import InputError, OutputError

AHEAD = 2  # fields with each worker: one in work, one that waits; more would only fill the scheduler's memory
PATIENCE = 30  # [s] for the scheduler to answer and the first worker to come
GLANCE = 1.0  # [s] between looks whether the scheduler is still there


def run_on_cluster(tasks: Sequence[Task], place: Path, *, scheduler: str) -> Iterator[tuple[Task, Outcome]]:
    """Build fields on the workers of a scheduler, and give each as it is published here.

    Parameters
    ----------
    tasks : sequence of Task
        What to do.
    place : Path
        Folder of the result folders, on this machine.
    scheduler : str
        Its address, such as ``tcp://10.0.0.1:8786``.

    Raises
    ------
    InputError
        If dask is not installed, or no scheduler with a worker answers.
    OutputError
        If the scheduler is lost on the way.
    """
    with _connected(scheduler) as client:
        yield from _Flight(client, tasks, place, scheduler).outcomes()


@contextlib.contextmanager
def _connected(scheduler: str) -> Iterator[Any]:
    try:
        import distributed  # here: an extra
    except ImportError:
        raise InputError("--scheduler: dask is not installed. Install it with pip install 'rxmap[cluster]'.") from None
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what is lost is said in our words
    try:
        client = distributed.Client(scheduler, timeout=PATIENCE, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        what = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputError(f"--scheduler {scheduler}: does not answer ({what}). Check the address.") from None
    try:
        client.wait_for_workers(1, timeout=PATIENCE)
        yield client
    except TimeoutError:
        raise InputError(f"--scheduler {scheduler}: has no worker. Start one with dask worker {scheduler}.") from None
    finally:
        with contextlib.suppress(Exception):  # a scheduler that is gone cannot be taken leave of
            client.close(timeout=GLANCE)


def _packed(task: Task) -> tuple[Outcome, bytes]:
    parcel = bytearray()
    outcome = attempt(lambda tell: parcel.extend(packed_inputs(task.plan)))
    return outcome, bytes(parcel)


class _Flight:
    """Fields under way, a few for each worker."""

    def __init__(self, client: Any, tasks: Sequence[Task], place: Path, scheduler: str) -> None:
        self._client, self._place, self._scheduler = client, place, scheduler
        self._waiting = deque(tasks)
        self._flying: dict[Any, tuple[Task, bytes]] = {}

    def outcomes(self) -> Iterator[tuple[Task, Outcome]]:
        while self._waiting or self._flying:
            yield from self._send()
            for future in self._landed():
                task, sent = self._flying.pop(future)
                yield task, self._outcome(future, task, sent)

    def _send(self) -> Iterator[tuple[Task, Outcome]]:
        """Send as many as the workers can take; what cannot be packed is refused at once."""
        room = AHEAD * max(1, len(self._asked(self._client.nthreads))) - len(self._flying)
        while self._waiting and room > 0:
            task = self._waiting.popleft()
            outcome, parcel = _packed(task)
            if not outcome.whole:
                yield task, outcome
                continue
            future = self._asked(self._launch, parcel, task)
            self._flying[future] = (task, parcel)
            room -= 1

    def _launch(self, parcel: bytes, task: Task) -> Any:
        names = {"key": [f"rxmap-{task.slug}-{id(parcel)}"], "pure": False}
        (future,) = self._client.map(build_sent, [parcel], [task.plan.name], [rxmap.__version__], **names)
        return future

    def _landed(self) -> list[Any]:
        """Wait until some field is back."""
        from distributed import wait

        while self._flying:
            if self._client.status != "running":
                raise self._gone()
            with contextlib.suppress(TimeoutError), self._client.as_current():
                ended = self._asked(wait, list(self._flying), timeout=GLANCE, return_when="FIRST_COMPLETED")
                return sorted(ended.done, key=lambda future: str(future.key))
        return []

    def _outcome(self, future: Any, task: Task, sent: bytes) -> Outcome:
        if future.status == "cancelled":
            raise self._gone()
        if future.status != "finished":
            error = future.exception()
            line = f"the cluster could not do it: {type(error).__name__}: {error}. Build it here to see."
            return Outcome(state="fault", lines=(" ".join(line.split()),))
        outcome, content = self._asked(future.result)
        return published(content, self._place / task.slug, sent, outcome)

    def _asked(self, ask: Any, *what: Any, **how: Any) -> Any:
        """Ask the scheduler something; it may be gone."""
        from distributed import CancelledError

        try:
            return ask(*what, **how)
        except TimeoutError:
            raise
        except (OSError, CancelledError):
            raise self._gone() from None

    def _gone(self) -> OutputError:
        return OutputError(
            f"--scheduler {self._scheduler}: lost on the way. What is done is kept; start it again, then run again."
        )
