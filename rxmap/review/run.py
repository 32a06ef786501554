"""The review as the job goes: read, answer, add up the season, write, publish."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

from rxmap.errors import InputError
from rxmap.plan import Plan, read_plan
from rxmap.read.review import read_review
from rxmap.records import InputFile
from rxmap.review.answers import answered
from rxmap.review.document import review_document, season_document
from rxmap.review.found import Review
from rxmap.review.page import review_page
from rxmap.review.season import DOCUMENT, Season, earlier_reviews, season_of
from rxmap.write.files import write_bytes, write_json
from rxmap.write.manifest import MANIFEST, differences, write_manifest
from rxmap.write.publish import refuse_unless_free, staged

Progress = Callable[[str], None]


def review(
    plan_path: str | Path,
    result: str | Path,
    out: str | Path,
    *,
    season: str | Path | None = None,
    replace: bool = False,
    progress: Progress | None = None,
) -> tuple[Review, Season]:
    """Ask after a pass whether it paid, and publish the answers.

    Parameters
    ----------
    plan_path : str or Path
        The plan, with its `[review]` and today's prices.
    result : str or Path
        Result folder of that plan, as it was published.
    out : str or Path
        Review folder: absent, empty, or with `replace` an unchanged one of ours.
    season : str or Path, optional
        Folder that holds earlier reviews of this field, to add up.
    replace : bool
        Whether an earlier review may be replaced.
    progress : callable, optional
        Called with one line before each step.

    Raises
    ------
    InputError
        If the plan, the result or a file has faults; nothing is written.
    OutputError
        If the folder cannot be written.
    """
    tell = progress or (lambda _: None)
    tell("reading the result and what was seen after it")
    plan, folder, place = read_plan(plan_path), Path(result), Path(out)
    refuse_changed(folder)
    inputs = read_review(plan, folder)
    files = [plan.folder / file.name for file in inputs.files] + [folder / MANIFEST]
    refuse_unless_free(place, replace=replace, inputs=files)
    earlier = earlier_reviews(Path(season) if season else None, inputs.field.name, without=place)
    tell("comparing check strips with what lies beside them")
    found = answered(plan, inputs)
    whole = season_of(found, earlier)
    tell("writing the answers")
    with staged(place, replace=replace, inputs=files) as stage:
        _write(stage, found, whole, plan, (*inputs.files, reviewed_result(folder)))
    return found, whole


def refuse_changed(folder: Path) -> None:
    """Refuse a result folder that is not as it was published: it is no evidence of what was planned.

    Raises
    ------
    InputError
        With what differs.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: no such result folder. Name the folder that rxmap build wrote.")
    changed = differences(folder)
    if changed:
        more = f" and {len(changed) - 1} more" if len(changed) > 1 else ""
        raise InputError(f"{folder}: not as rxmap left it: {changed[0]}{more}. Build it again from its plan.")
    if not (folder / "summary.json").is_file():
        raise InputError(f"{folder}: no result of rxmap build. Name the folder that it wrote.")


def reviewed_result(folder: Path) -> InputFile:
    """Name the result that was reviewed, by its manifest, which has the hash of every file of it."""
    data = (folder / MANIFEST).read_bytes()
    return InputFile(name=f"{MANIFEST} of the result", bytes=len(data), sha256=hashlib.sha256(data).hexdigest())


def _write(stage: Path, found: Review, season: Season, plan: Plan, files: tuple[InputFile, ...]) -> None:
    from rxmap.review.paper import review_pdf  # here: matplotlib is slow to import, and a refused review needs none

    write_json(stage / DOCUMENT, review_document(found))
    write_json(stage / "season.json", season_document(season))
    write_bytes(stage / "review.html", review_page(found, season).encode("utf-8"))
    write_bytes(stage / "review.pdf", review_pdf(found, season))
    write_manifest(
        stage,
        inputs=files,
        seed=plan.output.seed,
        plan=plan.model_dump(mode="json", by_alias=True, exclude_defaults=True),
    )
