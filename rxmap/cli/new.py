"""`rxmap new DIR`: a commented plan with a small field that builds as it is."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

TEMPLATE = ("plan.toml", "boundary.geojson", "stops.csv")


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make; it must be absent or empty.")],
) -> None:
    """Write DIR/plan.toml, commented, with a small invented field that builds as it is."""
    from importlib.resources import files

    from rxmap.errors import OutputError

    template = files("rxmap") / "template"
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise OutputError(f"{folder} is not an empty folder. Name one that is absent or empty.")
        folder.mkdir(parents=True, exist_ok=True)
        for name in TEMPLATE:
            (folder / name).write_bytes((template / name).read_bytes())
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(f"{folder} cannot be written: {error.strerror}. Choose another place.") from error
    print(f"wrote {folder / 'plan.toml'} with an invented field")
    print(f"next: rxmap check {folder / 'plan.toml'}")
    print(f"then: rxmap build {folder / 'plan.toml'} --out {folder / 'result'}")
