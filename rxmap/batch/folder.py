"""The folder of a run over many fields: whose it is, its logs, and the overview in it.

::

    DIR/
      index.html  fields.csv  fields.geojson    the overview
      batch.json                                every figure of it, and that the folder is ours
      fields/<field>/                           result folders
      logs/<field>.txt                          how each run went; workers.txt what libraries print
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import os
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import rxmap
from rxmap.batch.tasks import Task
from rxmap.batch.work import Outcome
from rxmap.errors import InputError, OutputError, printable, shown
from rxmap.show.overview import overview_page
from rxmap.show.overview_rows import FieldLine, Overview, ranks
from rxmap.write.files import json_text, read_json, rounded, write_bytes
from rxmap.write.geojson import Feature, write_geojson
from rxmap.write.mix_sheet import neutral

RECORD, FIELDS, LOGS = "batch.json", "fields", "logs"
PAGE, TABLE, LAYER = "index.html", "fields.csv", "fields.geojson"
NOISE = "workers.txt"


@contextlib.contextmanager
def claimed(out: Path) -> Iterator[None]:
    """Take a folder for a run: absent, empty, or left by an earlier run and not edited since.

    Raises
    ------
    OutputError
        If anything in it could be lost.
    """
    was = [path for path in (out, out / RECORD) if path.exists()]
    _claim(out)
    try:
        yield
    except InputError:  # no scheduler, say: then there is no run, and nothing is to be left of it
        if out / RECORD not in was:
            shutil.rmtree(out) if out not in was else _emptied(out)
        raise


def _emptied(out: Path) -> None:
    for name in (FIELDS, LOGS):
        shutil.rmtree(out / name)
    (out / RECORD).unlink()


def _claim(out: Path) -> None:
    if out.is_symlink() or (out.exists() and not out.is_dir()):
        raise OutputError(f"{out}: is a {'link' if out.is_symlink() else 'file'}. Name a folder.")
    if out.exists() and any(out.iterdir()):
        _refuse_unless_ours(out)
    else:
        write_json(out / RECORD, {"rxmap": rxmap.__version__, "files": {}})
    for name in (FIELDS, LOGS):
        (out / name).mkdir(exist_ok=True)


def _refuse_unless_ours(out: Path) -> None:
    try:
        record = read_json(out / RECORD)
        files = {str(name): list(hashes) for name, hashes in record["files"].items() if record["rxmap"]}
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        found = ", ".join(shown(name) for name in sorted(os.listdir(out))[:3])
        raise OutputError(
            f"{out}: holds {found}, which rxmap batch did not write. Choose another or an empty folder."
        ) from None
    for name in (PAGE, TABLE, LAYER):
        path = out / name
        if path.exists() and (not path.is_file() or _digest(path.read_bytes()) not in files.get(name, [])):
            raise OutputError(f"{path}: not as rxmap left it. Move it away; the next run writes it again.")


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def write_log(out: Path, task: Task, outcome: Outcome) -> None:
    """Say how the last run of a field went: when each step began, and why it is not done."""
    ended = f"{outcome.state} after {outcome.seconds:.2f} s; the worker held at most {outcome.peak_mb:.0f} MB so far"
    lines = [task.name, *outcome.log, *outcome.lines, ended]
    text = "".join(f"{printable(part)}\n" for line in lines for part in line.split("\n"))
    write_bytes(out / LOGS / f"{task.slug}.txt", text.encode("utf-8"))


def write_overview(out: Path, overview: Overview) -> dict[str, Any]:
    """Write the overview, each file whole or not at all; a kill between two of them does no harm.

    The record names the hashes that a file may have: while files change those before and after,
    in the end those after.

    Returns
    -------
    dict
        What stands in the record.
    """
    document = record(overview)
    stage = out / f".{RECORD}.stage"
    contents = {PAGE: overview_page(overview).encode("utf-8"), TABLE: _table(overview.fields)}
    write_geojson(stage, [Feature(line.outline, _figures(line, rank)) for line, rank in _ranked(overview)])
    contents[LAYER] = stage.read_bytes()
    stage.unlink()
    before = {name: _digest((out / name).read_bytes()) for name in contents if (out / name).exists()}
    after = {name: _digest(content) for name, content in contents.items()}
    both = {name: sorted({before.get(name, digest), digest}) for name, digest in after.items()}
    write_json(out / RECORD, {**document, "files": both})
    for name, content in contents.items():
        write_bytes(out / name, content)
    document["files"] = {name: [digest] for name, digest in after.items()}
    write_json(out / RECORD, document)
    return document


def record(overview: Overview) -> dict[str, Any]:
    """Every figure of the overview under the names that readers rely on."""
    return {
        "rxmap": rxmap.__version__,
        "files": {},
        "totals": {
            "done": len(overview.fields),
            "not_done": len(overview.not_done),
            "decisions": dict(sorted(overview.decisions().items())),
            "area_ha": rounded(sum(line.area_ha for line in overview.fields), 4),
            "treated_ha": rounded(sum(line.treated_ha for line in overview.fields), 4),
            "money": {
                code: {name: rounded(value, 2) for name, value in overview.money(code).items()}
                for code in overview.currencies
            },
        },
        "fields": [
            {**_figures(line, rank), "cautions": list(line.cautions), "passes": [asdict(one) for one in line.passes]}
            for line, rank in _ranked(overview)
        ],
        "not_done": [{**asdict(one), "lines": list(one.lines)} for one in overview.not_done],
        "orders": [_decimals(asdict(one)) for one in overview.orders],
        "seasons": [_decimals(asdict(one)) for one in overview.seasons],
        "notes": list(overview.notes),
    }


def _ranked(overview: Overview) -> Iterable[tuple[FieldLine, int | None]]:
    return zip(overview.fields, ranks(overview.fields), strict=True)


def _figures(line: FieldLine, rank: int | None) -> dict[str, Any]:
    """One field as table, layer and record say it."""
    return {
        "trip": rank,
        "field": printable(line.name),
        "plan": line.plan,
        "result": f"{FIELDS}/{line.slug}",
        "crop": printable(line.crop),
        "area_ha": rounded(line.area_ha, 4),
        "treated_ha": rounded(line.treated_ha, 4),
        "share": rounded(line.share, 4),
        "decision": line.decision,
        "currency": line.currency,
        "worth_per_ha": _money(line.worth),
        "gain_over_none": _money(line.over_none),
        "gain_over_all": _money(line.over_all),
        "map": _money(line.map),
        "all": _money(line.all),
        "none": _money(line.none),
        "cautions": ", ".join(line.cautions),
        "reason": printable("; ".join(f"{one.name}: {one.reason}" for one in line.passes)),
        "next_look": printable("; ".join(f"{one.name}: {one.next_look}" for one in line.passes if one.next_look)),
    }


def _money(value: float | None) -> float | None:
    return None if value is None else rounded(value, 2)


def _decimals(row: dict[str, Any]) -> dict[str, Any]:
    return {name: rounded(value, 4) if isinstance(value, float) else value for name, value in row.items()}


def _table(lines: Iterable[FieldLine]) -> bytes:
    """Fields as comma-separated text (RFC 4180); no cell is one that a spreadsheet would compute."""
    rows = [_figures(line, rank) for line, rank in zip(lines, ranks(list(lines)), strict=True)]
    columns = list(rows[0]) if rows else ["field"]
    out = io.StringIO(newline="")
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(columns)
    for row in rows:
        table.writerow(
            [neutral(cell) if isinstance(cell, str) else "" if cell is None else cell for cell in row.values()]
        )
    return out.getvalue().encode("utf-8")


def write_json(path: Path, document: Any) -> None:
    """Write the record."""
    write_bytes(path, (json_text(document, indent=1) + "\n").encode("utf-8"))
