"""Print what a whole build of each sample field takes, cold, as a user would run it.

Run it as ``python tests/benchmarks/bench_build.py``. It prints and asserts nothing: times depend on the
machine. Aims on two quiet cores: larkspur and burnet 4 s and 500 MB, ``rxmap --help`` 0.4 s.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SAMPLES = Path(__file__).parents[2] / "sample_layers"
REPEATS = 3


def seconds(*words: str) -> float:
    started = time.perf_counter()
    subprocess.run([sys.executable, "-m", "rxmap", *words], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - started


def main() -> None:
    print(f"{'command':<28}{'median s':>10}{'least s':>10}")
    taken = [seconds("--help") for _ in range(REPEATS)]
    print(f"{'rxmap --help':<28}{statistics.median(taken):>10.2f}{min(taken):>10.2f}")
    with tempfile.TemporaryDirectory() as folder:
        for plan in sorted(SAMPLES.glob("*/plan.toml")):
            taken = [seconds("build", str(plan), "--out", f"{folder}/{plan.parent.name}{n}") for n in range(REPEATS)]
            print(f"{'rxmap build ' + plan.parent.name:<28}{statistics.median(taken):>10.2f}{min(taken):>10.2f}")
    print(f"most memory of one run: {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
