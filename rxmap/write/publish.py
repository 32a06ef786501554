"""A folder that appears whole or not at all.

Everything is written into a stage beside the place where the folder shall be, on the same file
system, and moved there by one call of the system. A kill at any moment leaves the old folder or
the new one; what a dead run left beside it is swept by the next run into the same place.

What is promised where:

- Linux: all of it. An old folder and its successor change places in one step (``renameat2``).
- Where the system or the file system has no such step, the old folder is moved aside first. A kill
  between the two moves leaves it under its side name, and the next run puts it back.
- Without ``fcntl`` (Windows) there is no lock and no sweep: two runs into one folder must not overlap.

The promise holds on a local disk that keeps what it confirmed (fsync), not on a network share.

References
----------
POSIX.1-2017, rename; Linux man-pages, renameat2(2), flock(2), fsync(2): sync the folder, not only the file.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import hashlib
import os
import secrets
import shutil
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import FrameType

from rxmap.errors import OutputError, RxmapError, shown
from rxmap.write.files import walk
from rxmap.write.manifest import MANIFEST, differences

try:
    import fcntl
except ImportError:  # Windows
    HAS_LOCKS = False
else:
    HAS_LOCKS = True

MOST_SHOWN = 3  # differences of a folder named in a refusal
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2  # linux/fcntl.h, linux/fs.h

WORDS = {
    errno.ENOSPC: "the disk is full. Free some space",
    errno.EDQUOT: "the quota of the disk is used up. Free some space",
    errno.EFBIG: "a file would be larger than the system allows. Raise the limit",
    errno.EROFS: "the disk is read-only. Choose another folder",
    errno.EACCES: "no permission to write there. Choose another folder",
    errno.EPERM: "no permission to write there. Choose another folder",
    errno.EMFILE: "too many files are open. Raise the limit of open files",
    errno.ENOTDIR: "a file stands where a folder is needed. Choose another folder",
    errno.ENAMETOOLONG: "the name is too long. Choose a shorter one",
}


@contextlib.contextmanager
def staged(out: Path, replace: bool, *, inputs: Sequence[Path] = ()) -> Iterator[Path]:
    """Give a stage to write into, and publish it as `out` if the body ends without an error.

    Parameters
    ----------
    out : Path
        The folder to be. Absent or empty it is written; with a result of ours in it only with `replace`.
    replace : bool
        Whether an unchanged result of ours may give way.
    inputs : sequence of Path
        Files that were read; a folder that holds one of them is never replaced.

    Yields
    ------
    Path
        An empty folder. Fill it and write its manifest last.

    Raises
    ------
    OutputError
        If `out` may not be written, another run is writing it, or the disk refuses. Nothing is left then.

    Examples
    --------
    >>> import tempfile
    >>> from rxmap.write.manifest import write_manifest
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     out = Path(folder) / "result"
    ...     with staged(out, replace=False) as stage:
    ...         write_manifest(stage, inputs=[], seed=1, plan={})
    ...     [path.name for path in out.iterdir()]
    ['manifest.json']
    """
    with _in_words(out), _terminated_as_interrupted():
        place = _place(out)
        with _parents(place.parent), _locked(place, out), _stage_of(place) as stage:
            _recover(place)
            _refuse_unless_free(place, out, replace=replace, inputs=inputs)
            yield stage
            _sync_tree(stage)
            _refuse_unless_free(place, out, replace=replace, inputs=inputs)  # the work may have taken minutes
            _publish(stage, place)


@contextlib.contextmanager
def held(out: Path) -> Iterator[None]:
    """Keep a folder for one run that fills it over hours; a second run is refused meanwhile.

    Parameters
    ----------
    out : Path
        The folder, whether it is there or not.

    Raises
    ------
    OutputError
        If another run holds it, or the disk refuses.
    """
    with _in_words(out), _terminated_as_interrupted():
        place = _place(out)
        with _parents(place.parent), _locked(place, out):
            yield


@contextlib.contextmanager
def _in_words(out: Path) -> Iterator[None]:
    """Turn what the system says into one line that says what to do."""
    try:
        yield
    except RxmapError:
        raise
    except OSError as exc:
        words = WORDS.get(exc.errno or 0, f"the system says: {exc.strerror or exc}. Choose another folder")
        raise OutputError(f"{out}: {words}; nothing was written.") from exc


@contextlib.contextmanager
def _terminated_as_interrupted() -> Iterator[None]:
    """Let SIGTERM unwind the stack as Ctrl-C does, so that the stage is removed."""
    if threading.current_thread() is not threading.main_thread():
        yield  # signals belong to the main thread
        return

    def end(number: int, _: FrameType | None) -> None:
        raise SystemExit(128 + number)  # the shell's own convention

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before or signal.SIG_DFL)  # None: set by who is not Python


def _place(out: Path) -> Path:
    """Resolve the folders above `out`, not `out` itself: a link there is refused, not followed."""
    if out.name in ("", ".", ".."):
        raise OutputError(f"{out}: not a folder of its own. Give the result a name, such as {out / 'result'}.")
    return out.parent.resolve() / out.name


@contextlib.contextmanager
def _parents(parent: Path) -> Iterator[None]:
    """Make the folders above, and take away on failure those that were made."""
    made: list[Path] = []
    try:
        for folder in (*reversed(parent.parents), parent):
            if not folder.exists():
                with contextlib.suppress(FileExistsError):  # another run was quicker: then it is not ours to remove
                    folder.mkdir()
                    made.append(folder)
        yield
    except BaseException:
        for folder in reversed(made):
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def _beside(place: Path, role: str) -> Path:
    """Name beside `place` for a role; a hash, because the name itself may already be as long as names can be."""
    key = hashlib.sha256(os.fsencode(place.name)).hexdigest()[:16]
    return place.parent / f".rxmap-{key}.{role}"


@contextlib.contextmanager
def _locked(place: Path, out: Path) -> Iterator[None]:
    """Hold the lock of a place; the kernel frees it even after a kill."""
    if not HAS_LOCKS:
        yield
        return
    path = _beside(place, "lock")
    handle = _lock(path)
    if handle is None:
        raise OutputError(f"{out}: another run is writing it (lock {path.name}). Wait for its end, then run again.")
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            path.unlink()
        os.close(handle)


def _lock(path: Path) -> int | None:
    """Lock a file; None while somebody else holds it."""
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            # the former holder may have unlinked the file that we opened: then our lock keeps nobody out
            if _is_still(path, handle):
                return handle
        except BlockingIOError:
            os.close(handle)
            return None
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)


def _is_still(path: Path, handle: int) -> bool:
    try:
        return os.path.samestat(os.stat(path), os.fstat(handle))
    except FileNotFoundError:
        return False


@contextlib.contextmanager
def _stage_of(place: Path) -> Iterator[Path]:
    """Sweep the stages of dead runs, make our own, and remove whatever lies there in the end."""
    pattern = _beside(place, "stage-*").name
    if HAS_LOCKS:  # we hold the lock, so nobody who lives owns a stage here
        for debris in place.parent.glob(pattern):
            shutil.rmtree(debris, ignore_errors=True)  # what cannot go today shall not stop a run
    stage = _beside(place, f"stage-{os.getpid()}-{secrets.token_hex(4)}")
    try:
        stage.mkdir()
        yield stage
    finally:
        with _undisturbed():
            shutil.rmtree(stage, ignore_errors=True)  # after an exchange the old result lies here


@contextlib.contextmanager
def _undisturbed() -> Iterator[None]:
    """Let a second Ctrl-C wait until the tidying up after the first is done."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def refuse_unless_free(out: Path, *, replace: bool, inputs: Sequence[Path] = ()) -> None:
    """Refuse a place before any work is done; `staged` asks again when it has the lock.

    Raises
    ------
    OutputError
        If `out` may not be written.
    """
    with _in_words(out):
        _refuse_unless_free(_place(out), out, replace=replace, inputs=inputs)


def _refuse_unless_free(place: Path, out: Path, *, replace: bool, inputs: Sequence[Path]) -> None:
    """Refuse every place where something could be lost that is not an unchanged result of ours."""
    if place.is_symlink():
        raise OutputError(f"{out}: is a link. Name the folder itself.")
    if not place.exists():
        return
    if not place.is_dir():
        raise OutputError(f"{out}: is a file. Choose another folder.")
    found = sorted(os.listdir(place))
    if not found:
        return
    if any(path.resolve().is_relative_to(place) for path in inputs):
        raise OutputError(f"{out}: holds an input of this plan. Choose another folder.")
    if MANIFEST not in found:
        raise OutputError(f"{out}: holds {_some(found)}, which rxmap did not write. Choose another or an empty folder.")
    changed = differences(place)
    if changed:
        raise OutputError(f"{out}: not as rxmap left it: {_some(changed)}. Move it away or choose another folder.")
    if not replace:
        raise OutputError(f"{out}: holds a result already. Say --replace to replace it, or choose another folder.")


def _some(things: Sequence[str]) -> str:
    more = len(things) - MOST_SHOWN
    named = ", ".join(thing if "'" in thing else shown(thing) for thing in things[:MOST_SHOWN])
    return f"{named} and {more} more" if more > 0 else named


def _sync_tree(folder: Path) -> None:
    """Ask the disk to keep every file and folder: some libraries close a file without."""
    for root, _, files in walk(folder):
        for name in files:
            _sync(Path(root) / name)
        _sync(Path(root))


def _sync(path: Path) -> None:
    if os.name == "nt":  # neither folders nor files opened for reading can be synced there
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _publish(stage: Path, place: Path) -> None:
    """Put the stage in its place; what lay there lies where the stage was."""
    existed = place.exists()
    if existed:
        _swap(stage, place)
    else:
        os.rename(stage, place)
    try:
        _sync(place.parent)
    except OSError:
        if existed:
            _swap(stage, place)
        else:
            os.rename(place, stage)
        raise


def _swap(stage: Path, place: Path) -> None:
    """Let two folders change places: in one step, else in three, where `_recover` mends a kill between."""
    if _exchange(stage, place):
        return
    aside = _beside(place, "old")
    os.rename(place, aside)
    try:
        os.rename(stage, place)
        os.rename(aside, stage)
    except OSError:
        if place.exists():
            os.rename(place, stage)
        os.rename(aside, place)
        raise


def _exchange(stage: Path, place: Path) -> bool:
    """Ask the system for the one step; False where it is not to be had."""
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None) if sys.platform == "linux" else None
    if rename is None:
        return False
    if rename(_AT_FDCWD, os.fsencode(stage), _AT_FDCWD, os.fsencode(place), _RENAME_EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in (errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP):  # old kernel, or a file system without the step
        return False
    raise OSError(number, os.strerror(number), str(place))


def _recover(place: Path) -> None:
    """Mend what a run killed between the steps of `_swap` left."""
    aside = _beside(place, "old")
    if aside.exists() and not place.exists():
        os.rename(aside, place)
    elif aside.exists():
        shutil.rmtree(aside)
