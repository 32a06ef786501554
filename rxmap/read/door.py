"""The one door for files: every path of a plan is checked here before anything is opened.

Geographic libraries open addresses, archives, inline data and driver prefixes as gladly as files,
and a file may steer them to others. So they never see a path from a plan: the door reads a regular
file, with the side-cars that belong to it, into memory, and hands on bytes that it has hashed. A
zipped layer is unpacked here too, so that nobody behind the door meets an archive.
"""

from __future__ import annotations

import hashlib
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from rxmap.errors import InputError, shown
from rxmap.read import archive
from rxmap.records import InputFile

LARGEST_FILE = 64_000_000  # [byte] our limit: a field's layers are far smaller, and all is held in memory
SIDE_CARS = {".shp": (".shx", ".dbf", ".prj", ".cpg")}

_FOREIGN = re.compile(r"/vsi|<|.*://|[A-Za-z0-9_]+:", re.IGNORECASE | re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A file as it was read: everything behind the door works on these bytes.

    Parameters
    ----------
    name : str
        As the plan gives it; messages use it.
    data : bytes
        The file, or the layer in it if it is an archive.
    side_cars : mapping of str to bytes
        By lower-case suffix, such as ``.prj``.
    files : tuple of InputFile
        The file and its side-cars as they lie in the folder, for the manifest.
    """

    name: str
    data: bytes = field(repr=False)
    side_cars: Mapping[str, bytes] = field(repr=False)
    files: tuple[InputFile, ...]


def open_source(folder: Path, name: str) -> Source:
    """Read a file that a plan names.

    Parameters
    ----------
    folder : Path
        The plan's folder.
    name : str
        Path relative to it.

    Raises
    ------
    InputError
        If the name is anything but a path below the folder, or the file cannot be read or unpacked.
    """
    main = checked_path(folder, name)
    _check_closed(main, name)
    parts = {main.name: _read(main, name)}
    side_cars = {}
    for suffix in SIDE_CARS.get(main.suffix.lower(), ()):
        beside = _beside(main, suffix, name)
        if beside is not None:
            parts[beside.name] = side_cars[suffix] = _read(beside, name)
    start = name.removesuffix(main.name)
    files = tuple(_record(start + part, data) for part, data in parts.items())
    data = parts[main.name]
    if data.startswith(archive.MAGIC):
        data, side_cars = archive.unpack(name, data, LARGEST_FILE)
    return Source(name=name, data=data, side_cars=side_cars, files=files)


def checked_path(folder: Path, name: str) -> Path:
    """Let a file that a plan names through the door, without reading it.

    Raises
    ------
    InputError
        If the name is anything but a path below the folder of a regular file.
    """
    _check_name(name)
    path = folder / name
    if not _is_file(path, name):
        raise InputError(f"{name}: no such file in the plan's folder. Check the name, upper and lower case included.")
    return path


def open_plan(path: Path) -> Source:
    """Read the plan itself again, for its hash; its name is the user's own word, not a plan's."""
    data = _read(path, path.name)
    return Source(name=path.name, data=data, side_cars={}, files=(_record(path.name, data),))


def _record(name: str, data: bytes) -> InputFile:
    return InputFile(name=name, bytes=len(data), sha256=hashlib.sha256(data).hexdigest())


def _check_name(name: str) -> None:
    if _FOREIGN.match(name) or name.startswith(("/", "\\")):
        raise InputError(f"{shown(name)}: not a path relative to the plan. Copy the file beside the plan.")
    if ".." in re.split(r"[/\\]", name):
        raise InputError(f"{shown(name)}: leads out of the plan's folder. Copy the file beside the plan.")


def _is_file(path: Path, name: str) -> bool:
    """Whether a regular file is there; a folder, a pipe or a device is refused, not waited for."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return False
    except (OSError, ValueError) as error:  # a loop of links, a NUL, a name too long
        raise InputError(f"{shown(name)}: cannot be opened ({reason(error)}). Check the name.") from None
    if not stat.S_ISREG(mode):
        raise InputError(f"{name}: not a regular file. Name the file itself.")
    return True


def _check_closed(main: Path, name: str) -> None:
    """Refuse a database whose last changes are still in its log: they would be missing without a word."""
    log = main.with_name(main.name + "-wal")
    if _is_file(log, name) and log.stat().st_size:
        raise InputError(f"{name}: open in another program, or not closed. Close it there, then try again.")


def _beside(main: Path, suffix: str, name: str) -> Path | None:
    candidates = (main.with_suffix(case) for case in (suffix, suffix.upper()))
    return next((path for path in candidates if _is_file(path, name)), None)


def _read(path: Path, name: str) -> bytes:
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
    except OSError as error:
        raise InputError(f"{name}: {path.name} cannot be read ({reason(error)}). Check who may read it.") from None
    if len(data) > LARGEST_FILE:
        raise InputError(f"{name}: {path.name} is larger than {LARGEST_FILE // 10**6} MB. Cut it to the field.")
    return data


def reason(error: OSError | ValueError) -> str:
    """Say what the system says about a file."""
    return str(getattr(error, "strerror", None) or error)
