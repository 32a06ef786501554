"""Wide tables: what each cell means, and what is refused rather than guessed."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from rxmap.plan import Plan
from rxmap.read.inputs import read_inputs

MakePlan = Callable[..., Plan]

COLUMNS = 'columns = { "reed aphid" = "aphids", "lake rust" = "rust" }'
HEAD = "stop,lon,lat,aphids,n,rust"
PLACES = {"S1": "10.1012,50.1011", "S2": "10.1051,50.1012", "S3": "10.1062,50.1031"}


def wide(*cells: str, head: str = HEAD) -> str:
    """Three stops, and what was found at each."""
    rows = [f"{stop},{place},{one}" for (stop, place), one in zip(PLACES.items(), cells, strict=True)]
    return "\n".join([head, *rows])


@pytest.fixture
def found(make_plan: MakePlan) -> Callable[..., list[tuple[object, ...]]]:
    def read(text: str, **keys: str) -> list[tuple[object, ...]]:
        plan = make_plan({"w.csv": text}, stops='"w.csv"', **{"scouting": COLUMNS, **keys})
        return [(one.target, one.stop, one.n, one.value, one.place) for one in read_inputs(plan).observations]

    return read


def test_a_blank_cell_is_not_looked_at_and_a_zero_is(found: Callable[..., list[tuple[object, ...]]]) -> None:
    assert found(wide("4,10,", "0,10,0", ",10,2.5")) == [
        ("reed aphid", "S1", 10, 4.0, "w.csv: row 2"),
        ("lake rust", "S2", 10, 0.0, "w.csv: row 3"),
        ("reed aphid", "S2", 10, 0.0, "w.csv: row 3"),
        ("lake rust", "S3", 10, 2.5, "w.csv: row 4"),
    ]


def test_a_sample_size_of_its_own_comes_before_the_common_one(
    found: Callable[..., list[tuple[object, ...]]],
) -> None:
    text = wide("4,10,,", "0,10,0,4", "9,10,2.5,5", head=HEAD + ",rust_n")
    assert sorted((stop, n) for target, stop, n, _, _ in found(text) if target == "lake rust") == [("S2", 4), ("S3", 5)]


def test_columns_may_have_the_names_of_the_long_form(found: Callable[..., list[tuple[object, ...]]]) -> None:
    columns = 'columns = { "reed aphid" = "Count", "lake rust" = "severity_pct" }'
    rows = found(wide("4,10,1", "0,10,0", "9,10,2.5", head="stop,lon,lat,count,n,severity_pct"), scouting=columns)
    assert len(rows) == 6


def test_a_wide_and_a_long_file_go_together(make_plan: MakePlan) -> None:
    long = "stop,lon,lat,target,severity_pct\nS1,10.1012,50.1011,lake rust,3\n"
    plan = make_plan(
        {"w.csv": wide("4,10,", "0,10,0", "1,10,2"), "l.csv": long}, stops='["w.csv", "l.csv"]', scouting=COLUMNS
    )
    assert len(read_inputs(plan).observations) == 6


REFUSED = {
    "no such column": (wide("4,10,", "0,10,0", "1,10,2", head=HEAD.replace("aphids", "aphid")),
                       "w.csv: column 'aphids' is missing. Is it 'aphid'? Then rename that."),
    "a row without a word": (wide("4,10,", ",10,", "1,10,2"), "w.csv: row 3: blank in every column"),
    "a size and no measure": (wide("4,10,,", "0,10,0,5", ",,,5", head=HEAD + ",rust_n"),
                              "w.csv: row 4, column rust: is blank"),
    "not a number": (wide("4,10,", "few,10,0", "1,10,2"), "w.csv: row 3, column aphids: found 'few'"),
    "no sample size": (wide("4,,", "0,10,0", "1,10,2"), "w.csv: row 2, column n: is blank"),
    "no sample size of its own": (wide("4,10,1,", "0,10,0,10", "1,10,2,10", head=HEAD + ",aphids_n"),
                                  "w.csv: row 2, column aphids_n: is blank"),
    "no column of sample sizes": (wide("4,1,", "0,1,0", "1,1,2", head=HEAD.replace(",n", ",m")), "column 'n' is"),
    "a measure of nobody": (wide("4,10,,1", "0,10,0,1", "1,10,2,1", head=HEAD + ",rating"), "'rating': of which"),
    "a column twice": (wide("4,10,,1", "0,10,0,1", "1,10,2,1", head=HEAD + ",Rust"), "column 'rust' stands twice"),
    "a near miss": (wide("4,10,,1", "0,10,0,1", "1,10,2,1", head=HEAD + ",ratng"), "'ratng' is close to 'rating'"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "part"), REFUSED.values(), ids=REFUSED)
def test_what_a_wide_table_leaves_open_is_refused(refusal: Callable[..., str], text: str, part: str) -> None:
    assert part in refusal({"w.csv": text}, stops='"w.csv"', scouting=COLUMNS)


def test_a_fault_of_a_row_is_told_once(refusal: Callable[..., str]) -> None:
    message = refusal(
        {"w.csv": wide("4,10,1", "0,10,0", "1,10,2").replace("50.1012", "x")}, stops='"w.csv"', scouting=COLUMNS
    )
    assert message.count("row 3, column lat") == 1


def test_a_header_may_hold_the_other_delimiter(found: Callable[..., list[tuple[object, ...]]]) -> None:
    text = wide("4,10,,a", "0,10,0,b", "1,10,2,c", head=HEAD + ",aphids; young ones")
    assert len(found(text)) == 5


def test_columns_that_no_file_needs_are_refused(refusal: Callable[..., str]) -> None:
    assert "plan.toml: scouting.columns: every file has a column 'target'" in refusal(scouting=COLUMNS)
