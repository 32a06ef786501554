"""`rxmap stops PLAN --out DIR`: where to walk."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def stops(
    plan_path: Annotated[Path, typer.Argument(metavar="PLAN", help="The plan file.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the walk: absent or empty.")],
    count: Annotated[int | None, typer.Option("--count", min=1, max=200, help="How many stops.")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier, unchanged walk.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the summary as JSON.")] = False,
) -> None:
    """Say where to walk: the first visit, or with a stops file the further stops that would change the decision."""
    from rxmap.cli.words import print_walk, telling
    from rxmap.walk import find_stops

    with telling() as tell:
        walk = find_stops(plan_path, out, count=count, replace=replace, progress=tell)
    if as_json:
        print((out / "walk.json").read_text(encoding="utf-8"), end="")
    else:
        print_walk(walk, out)
