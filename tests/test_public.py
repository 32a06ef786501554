from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
from types import ModuleType

import pytest

import rxmap

NAMES = sorted(m.name for m in pkgutil.walk_packages(rxmap.__path__, "rxmap.") if not m.name.endswith("__main__"))


def public(module: ModuleType) -> dict[str, object]:
    """Functions and classes that a module defines under a name without an underscore."""
    return {
        name: value
        for name, value in vars(module).items()
        if not name.startswith("_")
        and (inspect.isclass(value) or inspect.isfunction(value))
        and value.__module__ == module.__name__
        and value.__name__ == name  # neither a lambda nor what a factory made
    }


def visible(module: ModuleType) -> set[str]:
    """Names that a package offers: what its own file defines, or what it gathers if it defines nothing."""
    body = ast.parse(inspect.getsource(module)).body
    defined = {node.name for node in body if isinstance(node, ast.FunctionDef | ast.ClassDef)}
    imports = [node for node in body if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("rxmap")]
    gathered = {alias.asname or alias.name for node in imports for alias in node.names}
    return {name for name in defined or gathered if not name.startswith("_")}


@pytest.mark.parametrize("name", NAMES)
def test_everything_public_is_documented(name):
    module = importlib.import_module(name)
    assert (module.__doc__ or "").strip(), f"{name} says nothing about itself"
    for key, value in public(module).items():
        assert inspect.getdoc(value), f"{name}.{key}"
        if inspect.isclass(value):
            own = {k: v for k, v in vars(value).items() if not k.startswith("_")}
            methods = [k for k, v in own.items() if inspect.isfunction(v) or isinstance(v, property)]
            assert all(inspect.getdoc(getattr(value, k)) for k in methods), f"{name}.{key}: {methods}"


@pytest.mark.parametrize("name", [n for n in NAMES if hasattr(importlib.import_module(n), "__path__")])
def test_what_a_package_shows_is_what_it_says(name):
    package = importlib.import_module(name)
    offered = visible(package)
    said = getattr(package, "__all__", None)
    assert said is not None or not offered, f"{name} binds {sorted(offered)} and has no __all__"
    if said is not None:
        assert len(said) == len(set(said))
        assert offered <= set(said)
        assert all(hasattr(package, key) for key in said)
