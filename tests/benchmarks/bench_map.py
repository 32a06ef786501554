"""Time and size of the map page on an invented field. Run as a script: ``python tests/benchmarks/bench_map.py``."""

from __future__ import annotations

import importlib.util
import sys
import time
from pathlib import Path
from types import ModuleType

from rxmap.show.page import map_page

TESTS = Path(__file__).parents[1]


def module(path: str) -> ModuleType:
    """Load a module of the tests, which are no package."""
    spec = importlib.util.spec_from_file_location(Path(path).stem, TESTS / path)
    loaded = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = loaded
    spec.loader.exec_module(loaded)
    return loaded


def main() -> None:
    """Print one line for each field."""
    small, large = module("conftest.py").make_result(), module("show/test_page.py").large
    map_page(small)  # imports and the reading of Leaflet are not the page's
    print("field                          cells  best of 3 CPU s     kB")
    for name, result in (("small", small), ("large, smooth", large(small, 0.0)), ("large, noisy", large(small, 4.0))):
        times = []
        for _ in range(3):
            start = time.process_time()
            page = map_page(result)
            times.append(time.process_time() - start)
        print(f"{name:28} {result.grid.inside.sum():7,} {min(times):16.2f} {len(page.encode()) / 1000:6,.0f}")


if __name__ == "__main__":
    main()
