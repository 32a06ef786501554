"""`rxmap review PLAN --result DIR --out DIR2`: after the pass, did it pay."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def review(
    plan_path: Annotated[Path, typer.Argument(metavar="PLAN", help="The plan file, with its [review].")],
    result: Annotated[Path, typer.Option("--result", metavar="DIR", help="Result folder of that plan, unchanged.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR2", help="Review folder: absent or empty.")],
    season: Annotated[
        Path | None, typer.Option("--season", metavar="FOLDER", help="Folder of earlier reviews of this field.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier, unchanged review.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the review as JSON.")] = False,
) -> None:
    """Compare what was applied, seen and harvested with what was planned: did it pay."""
    from rxmap.cli.words import print_cautions, telling
    from rxmap.review.run import review as run
    from rxmap.review.words import NOT_EVIDENCE, answers, lead
    from rxmap.show.text import safe

    with telling() as tell:
        found, whole = run(plan_path, result, out, season=season, replace=replace, progress=tell)
    if as_json:
        print((out / "review.json").read_text(encoding="utf-8"), end="")
        return
    print(f"{safe(found.inputs.field.name)}: {lead(found)}")
    for one in answers(found):
        print(f"  {one.about}: {one.question} {one.verdict}. {one.text}")
    print(f"  {NOT_EVIDENCE}")
    for product in whole.products:
        print(f"  {safe(product.name)}, this season: {product.line}")
    print_cautions([*found.cautions, *whole.cautions])
    print(f"open {out / 'review.html'}")
