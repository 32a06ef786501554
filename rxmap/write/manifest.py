"""What a result folder is made of and what it was made from.

The manifest lists every file but itself with size and SHA-256, and is written last: a folder
without one is not whole, a folder that differs from its own is not ours any more. It holds no
clock, host, user or absolute path, so equal inputs give an equal manifest.
"""

from __future__ import annotations

import hashlib
import os
import platform
from collections.abc import Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

import rxmap
from rxmap.errors import shown
from rxmap.records import InputFile
from rxmap.write.files import read_json, walk, write_json

MANIFEST = "manifest.json"
COMPUTING = ("fiona", "numpy", "pyogrio", "pyproj", "rasterio", "scikit-learn", "scipy", "shapely")


def write_manifest(folder: Path, *, inputs: Sequence[InputFile], seed: int, plan: Mapping[str, object]) -> None:
    """Describe a finished folder; nothing may be written into it afterwards.

    Parameters
    ----------
    folder : Path
        Holds everything but the manifest.
    inputs : sequence of InputFile
        What was read, under the names that the plan gives.
    seed : int
        Of every random draw.
    plan : mapping
        The plan as understood, defaults filled in.
    """
    write_json(
        folder / MANIFEST,
        {
            "rxmap": rxmap.__version__,
            "libraries": libraries(),
            "seed": seed,
            "inputs": [{"name": one.name, "bytes": one.bytes, "sha256": one.sha256} for one in inputs],
            "plan": plan,
            "files": [_entry(folder, path) for path in _paths(folder) if path != MANIFEST],
        },
    )


def libraries() -> dict[str, str]:
    """Versions of what computes: Python, the packages, and the C libraries inside them."""
    import pyproj
    import shapely

    return {
        "python": platform.python_version(),
        **{name: metadata.version(name) for name in COMPUTING},
        "GEOS": shapely.geos_version_string,
        "PROJ": pyproj.proj_version_str,
    }


def differences(folder: Path) -> list[str]:
    """Say how a folder differs from its own manifest; an empty list means that it is as we left it.

    Parameters
    ----------
    folder : Path
        A folder with or without a manifest.

    Returns
    -------
    list of str
        One difference each, such as ``summary.json was changed``.
    """
    try:
        manifest = read_json(folder / MANIFEST)
        listed = {str(row["path"]): row for row in manifest["files"] if manifest["rxmap"]}
    except (FileNotFoundError, ValueError, LookupError, TypeError, RecursionError):
        return [f"it has no {MANIFEST} that rxmap wrote"]
    there = set(_paths(folder)) - {MANIFEST}
    return [
        *(f"{shown(path)} was added" for path in sorted(there - set(listed))),
        *(f"{shown(path)} is missing" for path in sorted(set(listed) - there)),
        *(f"{shown(path)} was changed" for path in sorted(there & set(listed)) if _entry(folder, path) != listed[path]),
    ]


def _paths(folder: Path) -> list[str]:
    """Paths of everything below a folder that is not a folder with something in it, with ``/``, sorted."""
    found = []
    for root, folders, files in walk(folder):
        # a link to a folder is listed and not walked: what is behind it is not ours
        names = files + [name for name in folders if os.path.islink(os.path.join(root, name))]
        if not names and not folders and Path(root) != folder:
            names = [""]
        found += [(Path(root) / name).relative_to(folder).as_posix() for name in names]
    return sorted(found)


def _entry(folder: Path, path: str) -> dict[str, Any]:
    full = folder / path
    if full.is_symlink() or not full.is_file():
        return {"path": path}  # never equal to a listed file
    content = full.read_bytes()
    return {"path": path, "bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
