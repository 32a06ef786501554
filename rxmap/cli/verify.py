"""`rxmap verify DIR`: re-read a result folder as a stranger would and prove its invariants."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def verify(folder: Annotated[Path, typer.Argument(metavar="DIR", help="A result folder.")]) -> None:
    """Re-read a result folder as a stranger would and prove what must always hold."""
    from rxmap.errors import CheckError, OutputError
    from rxmap.verify import verify as prove

    if not folder.is_dir():
        raise OutputError(f"{folder}: no such result folder.")
    report = prove(folder)
    if not report.ok:
        raise CheckError(report.findings)
    for line in report.checked:
        print(f"holds: {line}")
