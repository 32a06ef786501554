"""What becomes of one field: the words between whoever does the work and whoever hands it out."""

from __future__ import annotations

import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from rxmap.errors import CheckError, RxmapError, printable

State = Literal["done", "kept", "refused", "not proved", "fault"]
Tell = Callable[[str], None]

# Set before numpy loads: with threads of its own in every worker the fields would wait for each other.
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one field.

    Parameters
    ----------
    state : str
        ``done``; ``kept`` from an earlier run; ``refused`` for what the user can mend; ``not proved``, a result
        refused by its own checks; ``fault`` of the program.
    lines : tuple of str
        Why it is not done, one line each.
    log : tuple of str
        Steps with the seconds at which they began.
    seconds : float [s]
        How long it took.
    peak_mb : float [MB]
        Most memory that the worker has held so far; 0 where the system does not tell.
    """

    state: State
    lines: tuple[str, ...] = ()
    log: tuple[str, ...] = ()
    seconds: float = 0.0
    peak_mb: float = 0.0

    @property
    def whole(self) -> bool:
        """Whether there is a result."""
        return self.state in ("done", "kept")


def attempt(job: Callable[[Tell], object], tell: Tell | None = None) -> Outcome:
    """Do a job and say what became of it, whatever that is.

    Parameters
    ----------
    job : callable
        Gets a function that it calls with one line before each step.
    tell : callable, optional
        Hears the same lines at once.

    Examples
    --------
    >>> attempt(lambda tell: tell("reading")).state
    'done'
    """
    started, log = time.perf_counter(), list[str]()

    def note(step: str) -> None:
        log.append(f"{time.perf_counter() - started:8.2f} s  {step}")
        if tell is not None:
            tell(log[-1])

    try:
        job(note)
        outcome = Outcome(state="done")
    except CheckError as error:
        outcome = Outcome(state="not proved", lines=tuple(error.lines()))
    except RxmapError as error:
        outcome = Outcome(state="refused", lines=tuple(error.lines()))
    except Exception as error:
        log.append(traceback.format_exc())
        said = printable(" ".join(f"{type(error).__name__}: {error}".split()))
        outcome = Outcome(state="fault", lines=(f"a fault of the program, not of your files: {said}. Report it.",))
    return replace(outcome, log=tuple(log), seconds=time.perf_counter() - started, peak_mb=memory_mb("VmHWM"))


def memory_mb(what: Literal["VmHWM", "VmRSS"]) -> float:
    """Memory of this process [MB], the most so far or now; 0 where the system does not tell.

    References
    ----------
    Linux man-pages, proc_pid_status(5). Elsewhere getrusage(2), which knows the most alone.
    """
    status = Path("/proc/self/status")
    if status.exists():
        rows = dict(line.split(":", 1) for line in status.read_text(encoding="ascii", errors="replace").splitlines())
        return int(rows[what].split()[0]) / 1024 if what in rows else 0.0
    try:
        import resource  # here: Windows has none
    except ImportError:
        return 0.0
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / 1024**2 if sys.platform == "darwin" else most / 1024  # bytes there, kilobytes elsewhere
