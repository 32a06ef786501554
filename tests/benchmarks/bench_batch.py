"""How many fields one machine does in a night: two workers against one, memory, and the time for 10,000.

Run as ``python tests/benchmarks/bench_batch.py [FIELDS]``, on a machine that does nothing else. The fields are copies
of the template (12 ha, 30 stops) with one of four thresholds, so that some stay at home. It asserts nothing.
"""

from __future__ import annotations

import resource
import shutil
import sys
import tempfile
import time
from pathlib import Path

from rxmap.batch import run_batch

TEMPLATE = Path(__file__).parents[2] / "rxmap" / "template"
FIELDS = 200
GOAL_SPEED_UP, GOAL_MB, GOAL_HOURS, MANY = 1.8, 400, 2.0, 10_000


def plant(folder: Path, count: int) -> None:
    """Write fields that differ in name and threshold."""
    for number in range(count):
        place = folder / f"field-{number:05d}"
        shutil.copytree(TEMPLATE, place)
        plan = place / "plan.toml"
        text = plan.read_text(encoding="utf-8").replace('"Example field"', f'"Field {number}"')
        plan.write_text(text.replace("threshold = 8 ", f"threshold = {(4, 8, 12, 30)[number % 4]} "), encoding="utf-8")


def core_time() -> float:
    """Seconds of a core that processes which have ended took."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main(count: int) -> None:
    """Print what was measured beside what was asked for."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        plant(folder / "fields", count)
        took, cores = {}, {}
        for workers in (1, 2):
            started, before = time.perf_counter(), core_time()
            run = run_batch(folder / "fields", folder / f"out-{workers}", workers=workers)
            took[workers], cores[workers] = time.perf_counter() - started, core_time() - before
            decisions = ", ".join(f"{kind} {number}" for kind, number in sorted(run.overview.decisions().items()))
            print(f"{workers} worker(s): {count} fields in {took[workers]:.1f} s; ", end="")
            print(f"{cores[workers] / count:.2f} s of a core each, start included; ", end="")
            print(f"at most {run.peak_mb:.0f} MB in a worker (goal {GOAL_MB}); {dict(run.counts)}; {decisions}")
        started = time.perf_counter()
        run_batch(folder / "fields", folder / "out-2", workers=2)
        again = time.perf_counter() - started
    print(f"again, all done: {again:.1f} s, {1000 * again / count:.0f} ms each")
    print(f"two workers against one: {took[1] / took[2]:.2f} (goal {GOAL_SPEED_UP})")
    print(f"{MANY:,} fields by core time alone: {MANY * cores[1] / count / 2 / 3600:.2f} h on two cores")
    print(f"{MANY:,} fields on two cores: {MANY * took[2] / count / 3600:.2f} h (goal {GOAL_HOURS})")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else FIELDS)
