"""Imports go one way: from the words of failure to the command line."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "rxmap"

# A layer may import those before it; modules of one rank may import each other.
RANKS = (
    ("errors", "units", "beside"),
    ("plan", "plan_faults", "plan_rules", "grid", "records", "records_evidence", "records_weather"),
    ("read",),
    ("surface",),
    ("decide",),
    ("zones",),
    ("passes",),
    ("write",),
    ("show",),
    ("scout", "review"),
    ("verify",),
    ("cautions", "pipeline", "walk", "batch", "serve"),
    ("cli", "__main__"),
)
RANK = {name: rank for rank, names in enumerate(RANKS) for name in names}
BLIND = ("surface", "decide", "zones", "passes", "write", "show")  # compute on records, never on files
MODULES = sorted(PACKAGE.rglob("*.py"))


def layer(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imported(path: Path, *, top_level: bool = False) -> Iterator[tuple[int, str]]:
    """Modules that a file imports, those inside functions too, with their lines."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in tree.body if top_level else ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} line {node.lineno}: write the whole name of what is imported"
            # `from rxmap import grid` names a module behind the import
            names = [node.module or ""] if node.module != "rxmap" else [f"rxmap.{a.name}" for a in node.names]
            yield from ((node.lineno, name) for name in names)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_imports_go_up_the_table_only(path):
    here = layer(path)
    if here == "__init__":
        return
    for line, name in imported(path):
        package, _, rest = name.partition(".")
        if package != "rxmap" or not rest or rest.startswith("__version__"):
            continue
        there = rest.split(".")[0]
        assert RANK[there] <= RANK[here], f"{path.name} line {line}: {here} imports {there}"
        if RANK[there] == RANK[here] and here in ("errors", "units"):
            assert (here, there) != ("errors", "units"), f"{path.name} line {line}: errors stand alone"
        assert here not in BLIND or there != "read", f"{path.name} line {line}: {here} imports read"
        if here == "verify":
            assert there in ("verify", "errors", "units"), f"{path.name} line {line}: verify shares no code"


@pytest.mark.parametrize("path", sorted((PACKAGE / "cli").glob("*.py")), ids=lambda path: path.stem)
def test_the_command_line_starts_fast(path):
    # words.py is imported inside the commands
    if path.stem == "words":
        return
    allowed = {"typer", *sys.stdlib_module_names}
    for line, name in imported(path, top_level=True):
        known = name.split(".")[0] in allowed or name.startswith(("rxmap.cli", "rxmap.__version__"))
        assert known, f"{path.name} line {line}: import {name} inside the command"


def test_every_module_has_a_layer():
    assert {layer(path) for path in MODULES} - {"__init__"} <= RANK.keys()
