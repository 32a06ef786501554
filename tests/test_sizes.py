from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).parent.parent
MOST_BODY, MOST_MODULE = 60, 500  # lines; a function that fits a screen reads at one sight


def bodies() -> list[tuple[int, str]]:
    """Lines of every function's body without its docstring, longest first."""
    found = []
    for path in sorted((ROOT / "rxmap").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                body = node.body[1:] if ast.get_docstring(node) is not None else node.body
                lines = body[-1].end_lineno - body[0].lineno + 1 if body else 0
                found.append((lines, f"{path.relative_to(ROOT).as_posix()}:{node.lineno} {node.name}"))
    return sorted(found, reverse=True)


def test_functions_fit_a_screen():
    longest = bodies()[:10]
    print("\n".join(f"{lines:4d} {place}" for lines, place in longest))
    assert longest[0][0] <= MOST_BODY, longest[0]


def test_modules_can_be_read_at_one_sitting():
    lengths = {path.name: len(path.read_text(encoding="utf-8").splitlines()) for path in (ROOT / "rxmap").rglob("*.py")}
    longest = max(lengths, key=lengths.get)
    assert lengths[longest] <= MOST_MODULE, f"{longest}: {lengths[longest]} lines"
