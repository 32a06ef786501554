"""The run over many fields: find them, leave out what is done, hand the rest out, and draw the overview."""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from pathlib import Path
from typing import Any

from rxmap.batch.folder import FIELDS, LOGS, NOISE, claimed, write_log, write_overview
from rxmap.batch.gather import Finished, orders, read_finished
from rxmap.batch.pool import run_here
from rxmap.batch.tasks import Found, Task, find_tasks, is_done
from rxmap.batch.work import Outcome, attempt
from rxmap.errors import OutputError
from rxmap.show.overview_rows import NotDone, Overview, by_worth
from rxmap.show.text import counted
from rxmap.write.publish import held

Progress = Callable[[str], None]
Engine = Iterator[tuple[Task, Outcome]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What a run over many fields came to.

    Parameters
    ----------
    overview : Overview
        Fields with a result, and those without.
    record : mapping
        The same as it stands in ``batch.json``.
    counts : Counter of str
        Fields by what became of them: done, kept, refused, not proved, fault.
    peak_mb : float [MB]
        Most memory that a worker held; 0 where nothing was built or the system does not tell.
    lost : OutputError or None
        Why the run ended before all fields were tried.
    """

    overview: Overview
    record: dict[str, Any] = dataclass_field(repr=False)
    counts: Counter[str]
    peak_mb: float
    lost: OutputError | None


def run_batch(
    folder: str | Path,
    out: str | Path,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> Run:
    """Build every plan below a folder that is not built yet, and draw the overview of all.

    Called from a script, it has to stand under ``if __name__ == "__main__"``: workers are fresh processes.

    Parameters
    ----------
    folder : str or Path
        Every ``*.toml`` below it is a plan.
    out : str or Path
        Absent, empty, or left by an earlier run: what is done and unchanged there is kept.
    workers : int, optional
        Processes on this machine; by default one for each processor.
    scheduler : str, optional
        Address of a Dask scheduler, whose workers do it instead.
    progress : callable, optional
        Called with one line after each field.

    Raises
    ------
    InputError
        If there is no plan, or no scheduler answers.
    OutputError
        If the folder cannot be written; a field's own faults are in the result.
    KeyboardInterrupt
        After Ctrl-C; says how many fields are done.
    """
    folder, out = Path(folder), Path(out)
    found = find_tasks(folder, out)
    with held(out), claimed(out):
        desk = _Desk(found, out, progress or (lambda _: None))
        try:
            desk.keep_what_is_done()
            desk.take(_engine(desk.open, out, workers=workers, scheduler=scheduler))
        except KeyboardInterrupt:
            done = sum(outcome.whole for outcome in desk.outcomes.values())
            raise KeyboardInterrupt(
                f"{done} of {counted(len(found.tasks), 'field')} are done; run again for the rest"
            ) from None
        return desk.closed()


def _engine(tasks: Sequence[Task], out: Path, *, workers: int | None, scheduler: str | None) -> Engine:
    if not tasks:
        return iter(())
    if scheduler is not None:
        from rxmap.batch.cluster import run_on_cluster  # here: for those who have one

        return run_on_cluster(tasks, out / FIELDS, scheduler=scheduler)
    return run_here(tasks, out / FIELDS, workers=workers or os.cpu_count() or 1, noise=out / LOGS / NOISE)


class _Desk:
    """Where outcomes come in: each is logged, read and counted at once, while others are in work."""

    def __init__(self, found: Found, out: Path, progress: Progress) -> None:
        self._found, self._out, self._progress = found, out, progress
        self.open = list(found.tasks)
        self.outcomes: dict[str, Outcome] = {}
        self._finished: list[Finished] = []
        self._lost: OutputError | None = None

    def keep_what_is_done(self) -> None:
        """Leave out fields whose result is of this version and of the inputs that are there now."""
        total = len(self.open)
        for number, task in enumerate(self._found.tasks, start=1):
            self._progress(f"looking what is done: {number:,} of {total:,}")
            if is_done(task, self._out / FIELDS / task.slug) and self._read(task).whole:
                self.open.remove(task)
                self.outcomes[task.slug] = Outcome(state="kept")

    def take(self, engine: Engine) -> None:
        """Take in what the workers send, until all is done or the cluster is lost."""
        started = time.monotonic()
        self._progress(self._where(0, 0.0))
        try:
            for number, (task, outcome) in enumerate(engine, start=1):
                if outcome.whole:
                    read = self._read(task)
                    outcome = outcome if read.whole else read
                write_log(self._out, task, outcome)
                self.outcomes[task.slug] = outcome
                self._progress(self._where(number, time.monotonic() - started))
        except OutputError as error:
            self._lost = error

    def _read(self, task: Task) -> Outcome:
        """Take in what a result says; one that cannot be read is that field's fault and nobody else's."""
        result = self._out / FIELDS / task.slug
        return attempt(lambda tell: self._finished.append(read_finished(task, result)))

    def _where(self, number: int, seconds: float) -> str:
        done = sum(outcome.whole for outcome in self.outcomes.values())
        left = len(self.open) - number
        time_left = f"; about {_duration(left * seconds / number)} left" if left and number else ""
        return f"{done:,} done, {len(self.outcomes) - done:,} refused, {left:,} left{time_left}"

    def closed(self) -> Run:
        """Draw the overview of all that is there now."""
        noise = self._out / LOGS / NOISE
        if noise.exists() and not noise.stat().st_size:
            noise.unlink()
        finished = sorted(self._finished, key=lambda one: one.line.slug)
        overview = Overview(
            fields=tuple(by_worth(one.line for one in finished)),
            not_done=tuple(self._not_done()),
            orders=tuple(orders(use for one in finished for use in one.uses)),
            seasons=tuple(season for one in finished for season in one.seasons),
            notes=tuple(self._notes()),
        )
        counts = Counter(outcome.state for outcome in self.outcomes.values())
        counts["refused"] += len(self._found.faults)
        return Run(
            overview=overview,
            record=write_overview(self._out, overview),
            counts=Counter({state: number for state, number in counts.items() if number}),
            peak_mb=max((outcome.peak_mb for outcome in self.outcomes.values()), default=0.0),
            lost=self._lost,
        )

    def _not_done(self) -> Iterator[NotDone]:
        for task in self._found.tasks:
            outcome = self.outcomes.get(task.slug)
            if outcome is None:
                yield NotDone(plan=task.name, slug=task.slug, state="left", lines=("not tried yet: run again.",))
            elif not outcome.whole:
                yield NotDone(plan=task.name, slug=task.slug, state=outcome.state, lines=outcome.lines)
        for name, line in self._found.faults:
            yield NotDone(plan=name, slug="", state="refused", lines=(line,))

    def _notes(self) -> Iterator[str]:
        if self._found.links:
            links = self._found.links
            more = f" and {len(links) - 3} more" if len(links) > 3 else ""
            yield f"Links to folders are not followed: {', '.join(links[:3])}{more}."
        slugs = {task.slug for task in self._found.tasks}
        stale = sorted(path.name for path in (self._out / FIELDS).iterdir() if path.name not in slugs and path.is_dir())
        stale = [name for name in stale if not name.startswith(".")]
        if stale:
            more = f" and {len(stale) - 3} more" if len(stale) > 3 else ""
            yield f"Results without a plan any more, not counted: {', '.join(stale[:3])}{more}."


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
