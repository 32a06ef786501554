"""Print what a surface takes beside the kriging libraries: same stops, same parameters, mean and variance, one run.

Run it as ``python tests/benchmarks/bench_surface.py``; with ``--quick`` the largest case is left out. It prints times
and asserts none; that all candidates say the same it does assert. Aims: 20 times as fast as the fastest kriging peer
at 500 stops and 160,000 cells, 10 times at 200, 6 times at 80; 150 MB at 500 stops and 640,000 cells.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

SIDE, SILL, RANGE, NUGGET = 800.0, 0.8, 200.0, 0.2
LONG = 3.0  # seconds, beyond which a candidate runs once
PAUSE = 0.3  # seconds before each run: BLAS threads of the one before it spin for a while, on a processor of this one
Answer = tuple[np.ndarray, np.ndarray]


def axis(cells: int) -> np.ndarray:
    count = round(cells**0.5)
    return (np.arange(count) + 0.5) * SIDE / count


def ours(stops: np.ndarray, values: np.ndarray, line: np.ndarray) -> Answer:
    from rxmap.surface import Kriging

    places = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    return Kriging(stops, values, "exponential", RANGE, SILL, NUGGET).predict(places)


def pykrige(backend: str) -> Callable[..., Answer]:
    def run(stops: np.ndarray, values: np.ndarray, line: np.ndarray) -> Answer:
        from pykrige.ok import OrdinaryKriging

        law = {"psill": SILL, "range": RANGE, "nugget": NUGGET}
        model = OrdinaryKriging(*stops.T, values, variogram_model="exponential", variogram_parameters=law)
        mean, variance = model.execute("grid", line, line, backend=backend)
        return np.ravel(mean), np.ravel(variance) - NUGGET  # of a new observation: the nugget comes off

    return run


def gstools(stops: np.ndarray, values: np.ndarray, line: np.ndarray) -> Answer:
    import gstools

    model = gstools.Exponential(dim=2, var=SILL, len_scale=RANGE / 3.0, nugget=NUGGET)
    kriging = gstools.krige.Ordinary(model, stops.T, values, exact=False)
    mean, variance = kriging.structured([line, line])
    return np.ravel(mean.T), np.ravel(variance.T) - NUGGET


def sklearn(stops: np.ndarray, values: np.ndarray, line: np.ndarray) -> Answer:
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import ConstantKernel, Matern

    # A constant with a variance of a million is an unknown mean
    kernel = ConstantKernel(SILL) * Matern(RANGE / 3.0, nu=0.5) + ConstantKernel(1e6)
    model = GaussianProcessRegressor(kernel, alpha=NUGGET, optimizer=None).fit(stops, values)
    places = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    parts = [model.predict(part, return_std=True) for part in np.array_split(places, max(len(places) // 20_000, 1))]
    return np.concatenate([mean for mean, _ in parts]), np.concatenate([sd for _, sd in parts]) ** 2


PEERS: dict[str, Callable[..., Answer]] = {
    "PyKrige C": pykrige("C"),
    "PyKrige vectorized": pykrige("vectorized"),
    "PyKrige loop": pykrige("loop"),
    "GSTools": gstools,
    "scikit-learn": sklearn,
}


def compare(count: int, cells: int, repeats: int) -> None:
    """One case: each candidate once to warm, then all in turn."""
    random = np.random.default_rng(1)
    stops, values, line = random.uniform(0.0, SIDE, (count, 2)), random.standard_normal(count), axis(cells)
    told = ours(stops, values, line)
    taken: dict[str, list[float]] = {}
    for turn in range(repeats + 1):
        for name, work in {"rxmap": ours, **PEERS}.items():
            if name in taken and taken[name][0] > LONG:
                continue
            time.sleep(PAUSE)
            started, spent = time.perf_counter(), time.process_time()
            answer = work(stops, values, line)
            wall, cpu = time.perf_counter() - started, time.process_time() - spent
            off = max(float(np.abs(one - two).max()) for one, two in zip(answer, told, strict=True))
            assert off < 1e-6, f"{name} says something else, by {off:.1e}"  # scikit-learn's big constant: 1e-7
            if turn or wall > LONG:
                taken.setdefault(name, []).append(wall)
                taken.setdefault(f"{name} cpu", []).append(cpu)
    base = statistics.median(taken["rxmap"])
    for name in ("rxmap", *PEERS):
        middle, cpu = statistics.median(taken[name]), statistics.median(taken[f"{name} cpu"])
        line_ = f"{count:>6}{cells:>9}  {name:<20}{1e3 * middle:>9.0f}{1e3 * min(taken[name]):>9.0f}{1e3 * cpu:>9.0f}"
        print(f"{line_}{middle / base:>9.1f}{min(taken[name]) / min(taken['rxmap']):>9.1f}", flush=True)


def peak_memory() -> float:
    """Peak of a fresh process that predicts 640,000 cells from 500 stops [MB]."""
    test = Path(__file__).parents[1] / "surface" / "test_tiles.py"
    program = test.read_text(encoding="utf-8").split('PROGRAM = """')[1].split('"""')[0]
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    return float(run.stdout) / 1024.0


def sample_field() -> None:
    """Times of the larkspur sample with a third target, the first one again: surfaces, simulations, deciding again."""
    from rxmap import pipeline
    from rxmap.decide.compare import draw_surfaces
    from rxmap.decide.what_if import ASSUMPTIONS

    plan, inputs = pipeline.check(Path(__file__).parents[2] / "sample_layers" / "larkspur" / "plan.toml")
    first = plan.target[0]
    again = [replace(one, target="again") for one in inputs.observations if one.target == first.name]
    plan = plan.model_copy(update={"target": (*plan.target, first.model_copy(update={"name": "again"}))})
    inputs = replace(inputs, observations=(*inputs.observations, *again))
    taken: dict[str, list[tuple[float, float]]] = {}

    def timed(name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        def run(*given: Any, **named: Any) -> Any:
            started, spent = time.perf_counter(), time.process_time()
            result = work(*given, **named)
            taken.setdefault(name, []).append((time.perf_counter() - started, time.process_time() - spent))
            return result

        return run

    again_name = f"deciding again, {len(ASSUMPTIONS)} times"
    steps = {"fit_targets": "fits and surfaces", "draw_surfaces": "simulations", "what_if": again_name}
    kept = {"fit_targets": pipeline.fit_targets, "draw_surfaces": draw_surfaces, "what_if": pipeline.what_if}
    for name, told in steps.items():
        setattr(pipeline, name, timed(told, kept[name]))
    for _ in range(4):
        pipeline.solve(plan, inputs)
    print("larkspur with three targets, aims 600 ms, 1000 ms more, 250 ms each time:")
    for told, values in taken.items():
        middle, cpu = (1e3 * statistics.median(each) for each in zip(*values[1:], strict=True))
        print(f"  {told:<28}{middle:>6.0f} ms, least {1e3 * min(values)[0]:.0f}, of a processor {cpu:.0f}")


def main() -> None:
    threads = os.environ.get("OPENBLAS_NUM_THREADS", "not set")
    print(f"{os.cpu_count()} processors, OPENBLAS_NUM_THREADS {threads}")
    print(f"{'stops':>6}{'cells':>9}  {'':<20}{'median ms':>9}{'least':>9}{'cpu ms':>9}{'x ours':>9}{'by least':>9}")
    cases = [(80, 71_289, 7), (80, 160_000, 7), (200, 160_000, 5), (500, 160_000, 3)]
    for case in cases[: 3 if "--quick" in sys.argv else 4]:
        compare(*case)
    sample_field()
    if sys.platform == "linux":
        print(f"peak memory at 500 stops and 640,000 cells: {peak_memory():.0f} MB")


if __name__ == "__main__":
    main()
