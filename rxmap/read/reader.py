"""Our end of the process that parses rasters: start it, ask it, and turn whatever becomes of it into one line."""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, cast

import rxmap
from rxmap.errors import InputError
from rxmap.read.door import reason
from rxmap.read.wire import MOST_SECONDS, Form, Numbers, receive, send

PROGRAM = ("-m", "rxmap.read.pixels")
SILENCE = 45.0  # [s] without an answer or a sign of life, our limit; a part of 64 MB takes one at most
STEERING = ("PROJ_", "GDAL_", "OGR_", "CPL_", "SHAPE_")  # variables that would steer the libraries
OFFLINE = {"PROJ_NETWORK": "OFF", "GDAL_CONFIG_FILE": os.devnull}  # else a file in the home folder is read

Answer = tuple[dict[str, Any], list[Numbers]]


class PixelReader:
    """Reads rasters in a process of its own, one for all of them; a context that ends it.

    It starts at the first question, or ahead of it by `start`, and again after it was lost.

    Examples
    --------
    >>> with PixelReader() as reader:
    ...     reader.describe(Path(__file__), "image.tif", bands=[1])
    Traceback (most recent call last):
    ...
    rxmap.errors.InputError: image.tif: not a readable GeoTIFF (...). Export the image again.
    """

    def __init__(self) -> None:
        self._running: _Running | None = None

    def __enter__(self) -> PixelReader:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def describe(self, path: Path, name: str, *, level: int | None = None, bands: Sequence[int]) -> Form:
        """Say how a raster is laid out, or an overview of it.

        Parameters
        ----------
        path : Path
            The file, absolute; it has passed the door.
        name : str
            As the plan gives it, for messages.
        level : int, optional
            Number of the overview.
        bands : sequence of int
            Those that will be read, counted from 1.

        Raises
        ------
        InputError
            If it is no readable GeoTIFF, has no place, lacks a band or holds no measurement.
        """
        words, _ = self._ask("describe", path, name, level=level, bands=list(bands))
        return Form(**words["form"])

    def averages(self, path: Path, name: str, *, level: int, band: int, middle: tuple[float, float]) -> bool:
        """Whether an overview holds means, judged around its column and row `middle`."""
        words, _ = self._ask("averages", path, name, level=level, band=band, middle=middle)
        return bool(words["averages"])

    def sums(self, path: Path, name: str, *, level: int | None, **what: Any) -> tuple[Numbers, Numbers]:
        """Sum up and count the valid pixels of `bands` in `window`, by blocks of `block` pixels along a side."""
        _, (sums, counts) = self._ask("sums", path, name, level=level, **what)
        return sums, counts

    def start(self) -> None:
        """Start the process, unless it runs; what hinders it is told with the first question."""
        with contextlib.suppress(OSError):
            self._started()

    def _started(self) -> _Running:
        if self._running is None:
            self._running = _Running()
        return self._running

    def close(self) -> None:
        """End the process, whatever it does."""
        running, self._running = self._running, None
        if running is not None:
            running.end()

    def _ask(self, does: str, path: Path, name: str, **given: Any) -> Answer:
        try:
            words, arrays = self._started().answer({"does": does, "path": str(path), "name": name, **given})
        except _LostError as lost:
            self.close()
            raise InputError(f"{name}: {lost}") from None
        except OSError as error:
            raise InputError(f"{name}: no process can be started to read it in ({reason(error)}). Try again.") from None
        except BaseException:  # Ctrl-C: the answer is still to come, and would be taken for that of the next question
            self.close()
            raise
        if "faults" in words:
            raise InputError(words["faults"])
        return words, arrays


class _LostError(Exception):
    """The process gave no answer; the message says how it ended, and what to do."""


class _Running:
    """The process, and a thread that waits for what it says, so that we need not wait for ever."""

    def __init__(self) -> None:
        ways = [*filter(None, sys.path), str(Path(rxmap.__file__).parents[1])]
        kept = {key: value for key, value in os.environ.items() if not key.startswith(STEERING)}
        process = subprocess.Popen(
            [sys.executable, "-P", *PROGRAM],  # -P: nothing is imported from the folder in which we were called
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**kept, **OFFLINE, "PYTHONPATH": os.pathsep.join(ways)},
        )
        self._process = process
        self._questions, self._said = cast(BinaryIO, process.stdin), cast(BinaryIO, process.stdout)
        self._answers: queue.SimpleQueue[Answer | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        answer: Answer | None
        while True:
            try:
                answer = receive(self._said)
            except (ValueError, MemoryError):  # it says what no process of ours says
                answer = None
            self._answers.put(answer)
            if answer is None:
                return

    def answer(self, question: dict[str, Any]) -> Answer:
        with contextlib.suppress(BrokenPipeError):  # then it has ended, which the thread tells
            send(self._questions, question)
        while True:
            try:
                found = self._answers.get(timeout=SILENCE)
            except queue.Empty:
                raise _LostError(
                    f"reading it came to a standstill for {SILENCE:g} s. Is its disk within reach? Export it again."
                ) from None
            if found is None:
                raise _LostError(self._how())
            if "alive" not in found[0]:
                return found

    def _how(self) -> str:
        """Say how the process ended."""
        try:
            code = self._process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            return "reading it gave no answer that makes sense. It is damaged: export it again."
        if code == -getattr(signal, "SIGXCPU", 0):
            return f"reading it takes more than {MOST_SECONDS} s of the processor. Cut it to the field."
        how = f"signal {signal.Signals(-code).name}" if code < 0 else f"code {code}"
        return f"reading it ended the process that parses images ({how}). It is damaged: export it again."

    def end(self) -> None:
        self._process.kill()
        self._process.wait()
        self._thread.join()
        for stream in (self._questions, self._said):
            with contextlib.suppress(OSError):  # half a question may be left in it
                stream.close()
