"""What a reader must know where the evidence for a surface is thin or speaks against it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from rxmap.errors import Caution
from rxmap.records import TargetResult
from rxmap.records_evidence import Evidence, LeftOutCheck

MUCH_BEYOND = 0.25  # of the field; policy, the share of `unseen_ground`
CHANCE = 3.0  # standard errors of a share of n stops: fewer than 1 true model in 500 falls so far short


def evidence_cautions(targets: Sequence[TargetResult], field_ha: float) -> list[Caution]:
    """Say of which targets the evidence is thin or bad.

    Parameters
    ----------
    targets : sequence of TargetResult
    field_ha : float [ha]
    """
    return [
        Caution(code, f"{target.name}: {text}")
        for target in targets
        if target.evidence is not None
        for code, text in _of_target(target, target.evidence, field_ha)
    ]


def _of_target(target: TargetResult, evidence: Evidence, field_ha: float) -> Iterator[tuple[str, str]]:
    share = evidence.not_sampled_ha / field_ha
    if evidence.range_m is not None and evidence.reach_m == evidence.range_m and share > MUCH_BEYOND:
        yield (
            "beyond_range",
            f"{100 * share:.0f} % of the field is farther than {evidence.reach_m:.0f} m from every stop, as far as "
            "places have to do with each other. There the map falls back on the level of the field: it is no find.",
        )
    if evidence.left_out is not None:
        yield from _of_check(evidence.left_out)
    elif target.verdict == "map":
        yield (
            "thin_evidence",
            f"{evidence.places} places carry this map. They are too few to check it against each other: take it as a "
            "first impression, and look again before it decides much.",
        )


def _of_check(check: LeftOutCheck) -> Iterator[tuple[str, str]]:
    if check.skill_blocks is not None and check.skill_blocks <= 0.0:
        yield (
            "near_stops_only",
            f"Told from stops about {check.block_gap_m:.0f} m off or farther, places come out no better than by the "
            "mean of the stops. The map holds close to its stops only.",
        )
    count = len(check.stops)
    if check.coverage < 0.9 - CHANCE * math.sqrt(0.9 * 0.1 / count):
        yield (
            "too_sure",
            f"At {100 * check.coverage:.0f} % of {count} places what was found lies inside the 90 % interval told by "
            "the others: the map is surer of itself than it should be.",
        )
