"""`rxmap batch FOLDER --out DIR`: every plan below a folder, on this machine or on a cluster."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rxmap.cli import INTERRUPTED

if TYPE_CHECKING:
    from rxmap.batch import Run

FAULT, REFUSED, NOT_PROVED = 1, 2, 3


def batch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Every *.toml below it is a plan.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Absent, empty, or left by an earlier run.")],
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, max=256, help="Processes on this machine; else one per core.")
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option("--scheduler", metavar="ADDRESS", help="Dask scheduler whose workers do it instead.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the overview's figures as JSON.")] = False,
) -> int:
    """Build every plan below FOLDER that is not built yet, and one overview: map, table, order list."""
    from rxmap.batch import run_batch
    from rxmap.cli.words import telling
    from rxmap.errors import InputError

    if workers and scheduler:
        raise InputError("--workers is for this machine, --scheduler for a cluster. Say one of them.")
    try:
        with telling() as tell:
            run = run_batch(folder, out, workers=workers, scheduler=scheduler, progress=tell)
    except KeyboardInterrupt as stopped:  # here: the option parser would keep the exit code alone
        print(f"rxmap: interrupted; {str(stopped) or 'nothing was built'}", file=sys.stderr)
        raise SystemExit(INTERRUPTED) from None
    if as_json:
        print((out / "batch.json").read_text(encoding="utf-8"), end="")
    else:
        _print(run, out)
    return _ended(run)


def _print(run: Run, out: Path) -> None:
    from rxmap.show.text import area, counted, money, number, safe

    overview = run.overview
    became = ", ".join(f"{count:,} {state}" for state, count in sorted(run.counts.items()))
    print(f"{counted(sum(run.counts.values()), 'field')}: {became}")
    if overview.fields:
        decisions = ", ".join(f"{kind} {count:,}" for kind, count in sorted(overview.decisions().items()))
        treated = area(sum(line.treated_ha for line in overview.fields), overview.units)
        print(f"decisions: {decisions}; {treated} to treat")
    for code in overview.currencies:
        sums = overview.money(code)
        over_none, over_all = (money(sums["decided"] - sums[name], code) for name in ("none", "all"))
        print(f"expected gain: {over_none} over treating nothing, {over_all} over treating every field whole")
    for one in overview.orders:
        packs = f" = {counted(one.packs, 'pack')} of {safe(one.pack)}" if one.packs is not None else ""
        print(f"order: {safe(one.product)} {number(one.total, 4)} {one.unit}{packs}")
    for note in overview.notes:
        print(safe(note))
    if run.peak_mb:
        print(f"memory: at most {run.peak_mb:.0f} MB in a worker")
    print("the label is the law; local rules and licensed people decide; each field's page has its cautions")
    print(f"open {out / 'index.html'}")


def _ended(run: Run) -> int:
    """Say on standard error what is not done and why; the exit code is that of the worst."""
    from rxmap.show.text import safe

    for one in run.overview.not_done:
        for line in one.lines:
            print(f"rxmap: {safe(one.plan)}: {safe(line)}", file=sys.stderr)
    if run.lost is not None:
        print(f"rxmap: {run.lost}", file=sys.stderr)
    if run.counts["fault"]:
        return FAULT
    if run.counts["not proved"]:
        return NOT_PROVED
    return REFUSED if run.overview.not_done else 0
