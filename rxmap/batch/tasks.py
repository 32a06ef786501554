"""Which fields there are to do: plans below a folder, where each result goes, and what is done already."""

from __future__ import annotations

import hashlib
import os
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import rxmap
from rxmap.errors import InputError, printable
from rxmap.plan import Plan, read_plan
from rxmap.read.door import SIDE_CARS, _beside, _check_closed, checked_path
from rxmap.records import LONGEST_SLUG, slugs
from rxmap.write.files import read_json
from rxmap.write.manifest import MANIFEST, differences

PLAN = "plan"  # a plan of this name is called after its folder
DIGITS = 8  # of a hash, where a name alone is not enough
_HASHED = re.compile(rf"-[0-9a-f]{{{DIGITS}}}$")


@dataclass(frozen=True, slots=True)
class Task:
    """One field to do.

    Parameters
    ----------
    plan : Path
        Its plan file.
    name : str
        Path of the plan below the folder, for people.
    slug : str
        Name of its result folder; the same in every run as long as the plan stays where it is.
    """

    plan: Path
    name: str
    slug: str


@dataclass(frozen=True, slots=True)
class Found:
    """What lies below a folder.

    Parameters
    ----------
    tasks : tuple of Task
        Every plan, in the order of the names.
    faults : tuple of (str, str)
        Folders that cannot be read: name, and one line.
    links : tuple of str
        Folders that are links, which are not followed.
    """

    tasks: tuple[Task, ...]
    faults: tuple[tuple[str, str], ...]
    links: tuple[str, ...]


def find_tasks(folder: Path, out: Path) -> Found:
    """Find every plan (``*.toml``) below a folder; hidden files, links to folders and `out` are left out.

    Raises
    ------
    InputError
        If there is no such folder, or no plan in it.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder. Name the folder that holds the plans.")
    plans: list[Path] = []
    faults: list[tuple[str, str]] = []
    links: list[str] = []

    def name(path: Path) -> str:
        return printable(path.relative_to(folder).as_posix())

    def unreadable(error: OSError) -> None:
        where = name(Path(error.filename))
        faults.append((where, f"{where}: the folder cannot be read ({error.strerror}). Check who may read it."))

    place = out.resolve()
    for root, folders, files in os.walk(folder, onerror=unreadable):
        here = Path(root)
        seen = [here / one for one in sorted(folders) if not one.startswith(".")]
        links += [name(path) for path in seen if path.is_symlink()]
        folders[:] = [path.name for path in seen if not path.is_symlink() and path.resolve() != place]
        plans += [here / one for one in sorted(files) if one.lower().endswith(".toml") and not one.startswith(".")]
    if not plans and not faults:
        raise InputError(f"{folder}: no plan (a file .toml) below it. `rxmap new DIR` writes one to start from.")
    names = [path.relative_to(folder).as_posix() for path in plans]
    tasks = [
        Task(path, printable(one), slug) for path, one, slug in zip(plans, names, result_names(names), strict=True)
    ]
    return Found(tuple(sorted(tasks, key=lambda task: task.name)), tuple(faults), tuple(links))


def result_names(names: list[str]) -> list[str]:
    """Names of result folders for plans, all different, whatever other plans come and go where it can be.

    Parameters
    ----------
    names : list of str
        Paths of plans below the folder, with ``/``.

    Examples
    --------
    >>> result_names(["north/creek/plan.toml", "south/late.toml", "plan.toml"])
    ['north-creek', 'south-late', 'plan']
    >>> result_names(["a/b/plan.toml", "a-b/plan.toml"])
    ['a-b-8b4d5bb7', 'a-b-ca5b8555']
    """
    texts = [_words(name) for name in names]
    bases = [slugs([text], PLAN)[0] for text in texts]
    often = Counter(bases)
    return [
        base if often[base] == 1 and len(text) <= LONGEST_SLUG and not _HASHED.search(base) else _hashed(base, name)
        for base, text, name in zip(bases, texts, names, strict=True)
    ]


def _words(name: str) -> str:
    path = PurePosixPath(name)
    return "-".join([*path.parent.parts, *([] if path.stem == PLAN and path.parent.parts else [path.stem])])


def _hashed(base: str, name: str) -> str:
    digest = hashlib.sha256(os.fsencode(name)).hexdigest()[:DIGITS]
    return f"{base[: LONGEST_SLUG - DIGITS - 1].rstrip('-')}-{digest}"


def input_paths(plan: Plan) -> dict[str, Path]:
    """Files that a build of a plan reads, by the names that the manifest gives them; nothing is read.

    Raises
    ------
    InputError
        If a name is no path below the plan's folder, or there is no such file.
    """
    named = [plan.field.boundary, *plan.scouting.stops]
    named += [section.file for section in (plan.imagery, plan.weather) if section]
    named += [*(one.file for one in plan.keep_out), *(one.file for one in plan.override)]
    named += [one.file for one in plan.covariate]
    paths = {plan.path.name: plan.path}
    for name in named:
        main = checked_path(plan.folder, name)
        _check_closed(main, name)
        beside = (_beside(main, suffix, name) for suffix in SIDE_CARS.get(main.suffix.lower(), ()))
        start = name.removesuffix(main.name)
        paths.update({start + path.name: path for path in (main, *beside) if path is not None})
    return paths


def is_done(task: Task, result: Path) -> bool:
    """Whether a result folder is whole, of this version, and of the very inputs that are there now."""
    if not (result / MANIFEST).is_file():
        return False
    try:
        manifest = read_json(result / MANIFEST)
        if manifest["rxmap"] != rxmap.__version__:
            return False
        made_from = {one["name"]: one["sha256"] for one in manifest["inputs"]}
        paths = input_paths(read_plan(task.plan))
        if made_from.keys() != paths.keys():
            return False
        return all(_digest(paths[name]) == digest for name, digest in made_from.items()) and not differences(result)
    except (InputError, OSError, ValueError, LookupError, TypeError, AttributeError):
        return False  # whatever it is, the build meets it and says it


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
