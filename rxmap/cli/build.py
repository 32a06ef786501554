"""`rxmap build PLAN --out DIR`: the whole job."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def build(
    plan_path: Annotated[Path, typer.Argument(metavar="PLAN", help="The plan file.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Result folder: absent or empty.")],
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier, unchanged result.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the summary as JSON.")] = False,
) -> None:
    """Do the whole job: surfaces, decision, zones, passes and map, published at once or not at all."""
    from rxmap.beside import DRAWING, Beside

    beside = Beside(DRAWING)  # first of all: it imports what draws while this process imports what computes
    from rxmap.cli.words import print_result, telling
    from rxmap.pipeline import build as run

    with telling() as tell:
        result = run(plan_path, out, replace=replace, progress=tell, beside=beside)
    if as_json:
        print((out / "summary.json").read_text(encoding="utf-8"), end="")
    else:
        print_result(result, out)
