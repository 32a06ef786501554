"""Print what a whole build of each sample field takes, cold, as a user would run it.

Run it as ``python tests/benchmarks/bench_build.py``. It prints and asserts nothing: times depend on the
machine. Aims on two quiet cores: larkspur and burnet 4 s and 500 MB, ``rxmap --help`` 0.4 s.
"""

from __future__ import annotations

import contextlib
import re
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
    print(f"{'command':<28}{'median s':>10}{'least s':>10}{'MB in all':>10}")
    taken = [seconds("--help") for _ in range(REPEATS)]
    print(f"{'rxmap --help':<28}{statistics.median(taken):>10.2f}{min(taken):>10.2f}")
    with tempfile.TemporaryDirectory() as folder:
        for plan in sorted(SAMPLES.glob("*/plan.toml")):
            taken = [seconds("build", str(plan), "--out", f"{folder}/{plan.parent.name}{n}") for n in range(REPEATS)]
            held = together("build", str(plan), "--out", f"{folder}/{plan.parent.name}")
            times = f"{statistics.median(taken):>10.2f}{min(taken):>10.2f}"
            print(f"{'rxmap build ' + plan.parent.name:<28}{times}{held:>10.0f}")
    print(f"most memory of one process: {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.0f} MB")


def together(*words: str) -> float:
    """Most memory that a run and the processes beside it held at one time, shared pages shared out [MB]; Linux only."""
    most, process = 0.0, subprocess.Popen([sys.executable, "-m", "rxmap", *words], stdout=subprocess.DEVNULL)
    while process.poll() is None:
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
        with contextlib.suppress(OSError):  # a process may end between two looks at it
            pids = [str(process.pid), *children.read_text().split()]
            texts = [Path(f"/proc/{pid}/smaps_rollup").read_text() for pid in pids]
            most = max(most, sum(int(re.search(r"Pss:\s+(\d+)", text)[1]) for text in texts) / 1024.0)  # type: ignore[index]
        time.sleep(0.05)
    return most


if __name__ == "__main__":
    main()
