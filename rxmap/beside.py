"""Work on a second core: one more process of this Python, started early, so that its imports cost no time.

Not `multiprocessing`: its processes run the user's script again, and outlive a killed parent. This one
reads its tasks from a pipe and ends with it.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from typing import Any, BinaryIO, ParamSpec, TypeVar

Given = ParamSpec("Given")
Found = TypeVar("Found")

DRAWING = ("rxmap.show.printing",)  # what a build prints with


class Here(Executor):
    """An executor that does each task at once, in this thread: where every core has work already.

    Examples
    --------
    >>> with Here() as here:
    ...     here.submit(sum, [1, 2]).result()
    3
    """

    def submit(self, task: Callable[Given, Found], /, *args: Given.args, **kwargs: Given.kwargs) -> Future[Found]:
        """Do a task; its result or its exception is in what comes back."""
        done: Future[Found] = Future()
        try:
            done.set_result(task(*args, **kwargs))
        except Exception as error:
            done.set_exception(error)
        return done


class Beside(Executor):
    """An executor with one process beside this one, for functions of modules and arguments that can be pickled.

    Where the machine gives no process, or it dies, the task is done in this one: later, but the same.

    Parameters
    ----------
    modules : sequence of str
        What the process imports while it waits for its first task.

    Examples
    --------
    >>> with Beside(["math"]) as beside:
    ...     beside.submit(sum, [1, 2]).result()
    3
    """

    def __init__(self, modules: Sequence[str] = ()) -> None:
        # -P: nothing is imported from the folder that the user happens to stand in
        command = [sys.executable, "-P", "-m", "rxmap.beside", *modules]
        self._process: subprocess.Popen[bytes] | None = None
        with contextlib.suppress(OSError):
            self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self._talk = ThreadPoolExecutor(1)  # one thread writes and waits, so that this one does not
        self._given_up = False

    def submit(self, task: Callable[Given, Found], /, *args: Given.args, **kwargs: Given.kwargs) -> Future[Found]:
        """Hand a task over; tasks are done one after the other."""
        return self._talk.submit(self._asked, task, args, kwargs)

    def _asked(self, task: Callable[..., Found], args: Any, kwargs: Any) -> Found:
        process = self._process
        if process is None or process.stdin is None or process.stdout is None:
            return task(*args, **kwargs)
        try:
            _send(process.stdin, (task, args, kwargs))
            value, error = pickle.load(process.stdout)
        except (OSError, EOFError, pickle.UnpicklingError):
            if self._given_up:
                raise
            self._end()
            return task(*args, **kwargs)
        if error is not None:
            raise error
        return value  # type: ignore[no-any-return]

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the process: after the open tasks, or if not `wait` at once."""
        self._given_up = not wait
        self._talk.shutdown(wait=wait, cancel_futures=cancel_futures)
        self._end()

    def __exit__(self, kind: type[BaseException] | None, error: object, trace: object) -> None:
        """Wait for open tasks after good work; drop them after an error."""
        self.shutdown(wait=kind is None, cancel_futures=True)

    def _end(self) -> None:
        """End the process: it holds nothing but modules, and to leave by itself takes it a third of a second."""
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):  # half a task may be left in it
                    pipe.close()


def _send(pipe: BinaryIO | Any, told: object) -> None:
    pickle.dump(told, pipe, protocol=pickle.HIGHEST_PROTOCOL)
    pipe.flush()


def _serve(asked: BinaryIO, answers: BinaryIO) -> None:
    """Do tasks until the pipe ends: with the parent, whatever ended that."""
    while True:
        try:
            task, args, kwargs = pickle.load(asked)
        except EOFError:
            return
        answer: tuple[Any, Exception | None]
        try:
            answer = task(*args, **kwargs), None
        except Exception as error:
            answer = None, error
        _send(answers, answer)


def main() -> None:
    """Serve the process that started this one."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches both; the parent decides
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what a task prints is no answer
    for name in sys.argv[1:]:
        with contextlib.suppress(Exception):  # the task that needs it says so
            importlib.import_module(name)
    with contextlib.suppress(BrokenPipeError):
        _serve(sys.stdin.buffer, answers)


if __name__ == "__main__":
    main()
