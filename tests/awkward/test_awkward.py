"""Every kind of awkward input ends as docs/reliability.md says: refused in plain lines, or gone on with."""

from __future__ import annotations

import random
import re
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from cases import CASES, CLASSES, WHOLE_COMMANDS, clean_form
from setting import Case, Folder

from rxmap import pipeline
from rxmap.cautions import input_cautions
from rxmap.errors import MOST_FAULTS_SHOWN, InputError
from rxmap.plan import Plan
from rxmap.read import inputs as reading
from rxmap.read.reader import PixelReader
from rxmap.records import Inputs

SECONDS = 60.0  # our limit: nobody waits longer for a refusal


def ends(case: Case, path: Path, seed: int = 1) -> str:
    """Run one case and say what is wrong with how it ended; nothing where it ended as it should."""
    folder = Folder(path, random.Random(f"{seed} {case.name}"))
    place = case.spoil(folder)
    before = tree(path)
    started = time.monotonic()
    try:
        plan, inputs = pipeline.check(folder.plan_path)
    except InputError as error:
        wrong = _refused(case, error, str(place or ""))
    else:
        wrong = _went_on(case, plan, inputs)
    if time.monotonic() - started > SECONDS:
        wrong = f"took more than {SECONDS} s"
    return wrong or ("" if tree(path) == before else "the inputs were changed")


def _refused(case: Case, error: InputError, place: str) -> str:
    lines = error.lines()
    text = "\n".join(lines)
    if case.outcome != "refused":
        return f"was refused: {text}"
    missing = [words for words in (*case.told, place) if words not in text]
    if missing:
        return f"is not told {missing}: {text}"
    if len(lines) > MOST_FAULTS_SHOWN + 1 or not all(lines):
        return f"is told in {len(lines)} lines"
    if not all(line.isprintable() for line in lines):
        return f"is told what no terminal shows: {lines}"
    nameless = [line for line in lines if ": " not in line and not line.startswith("and ")]
    return f"names no file: {nameless}" if nameless else ""


def _went_on(case: Case, plan: Plan, inputs: Inputs) -> str:
    if case.outcome == "refused":
        return "was not refused"
    codes = [caution.code for caution in input_cautions(plan, inputs)]
    if not any(code.startswith(case.caution) for code in codes) and case.caution:
        return f"went on with no caution but {codes}"
    if case.solved is not None:
        return "" if case.solved(pipeline.solve(plan, inputs)) else "was decided, but not as it should"
    if case.proof is not None:
        return "" if case.proof(plan, inputs) else "went on, but not as it should"
    return "" if case.caution or essence(inputs) == essence(clean_form()) else "differs from the clean form"


def essence(inputs: Inputs) -> tuple[object, ...]:
    """What decides a result: ground and observations, not where in a file they stood."""
    rows = [
        (o.stop, o.target, round(o.lon, 7), round(o.lat, 7), o.date, o.n, o.value, o.positives, o.edge, o.used)
        for o in inputs.observations
    ]
    return inputs.field.boundary.wkt, round(inputs.field.area_ha, 9), rows


def tree(path: Path) -> dict[str, object]:
    """Names, sizes and times of all files: nothing may be written or left by a check."""
    return {
        str(one.relative_to(path)): (one.lstat().st_size, one.lstat().st_mtime_ns)
        for one in sorted(path.rglob("*"))
        if not one.is_dir()
    }


class Kept(PixelReader):
    """One process for the rasters of all cases; whole commands start their own."""

    def __exit__(self, *_: object) -> None:
        pass


@pytest.fixture(scope="module", autouse=True)
def one_parser() -> Iterator[None]:
    kept = Kept()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading, "PixelReader", lambda: kept)
        yield
    kept.close()


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.number}-{case.name}")
def test_an_awkward_input_ends_as_promised(case: Case, tmp_path: Path) -> None:
    assert not ends(case, tmp_path)


@pytest.mark.long
@pytest.mark.parametrize("seed", [2, 3, 4])
def test_it_does_so_whichever_row_is_spoilt(seed: int, tmp_path: Path) -> None:
    wrong = {}
    for number, case in enumerate(CASES):
        (tmp_path / str(number)).mkdir()
        if found := ends(case, tmp_path / str(number), seed):
            wrong[case.name] = found
    assert not wrong


def test_there_are_many_cases_of_every_class() -> None:
    assert len({case.name for case in CASES}) == len(CASES) >= 150
    assert {case.number for case in CASES} | WHOLE_COMMANDS == set(CLASSES)


def test_the_page_lists_every_class_with_its_number_of_cases() -> None:
    page = (Path(__file__).parents[2] / "docs" / "reliability.md").read_text(encoding="utf-8")
    rows = [row.strip("| ").split(" | ") for row in page.splitlines() if re.match(r"\| \d+ \|", row)]
    found = {int(row[0]): (row[1], row[3]) for row in rows}
    counted = Counter(case.number for case in CASES)
    assert {number: name for number, (name, _) in found.items()} == CLASSES
    assert {number: int(cases) for number, (_, cases) in found.items() if cases.isdigit()} == counted
