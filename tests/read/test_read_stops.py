"""Scouting rows: what each class of mistake is told, and that no stop vanishes."""

from __future__ import annotations

import datetime as dt
import json
import random
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rxmap.errors import InputError
from rxmap.plan import Plan
from rxmap.read import cells
from rxmap.read.columns import near_miss
from rxmap.read.inputs import read_inputs
from rxmap.records import Observation

HEADER = "stop,lon,lat,date,target,n,count,positives,severity_pct,rating,edge,note"
GOOD = "S1,10.1012,50.1011,2026-07-10,reed aphid,10,4,,,,,"
RUST = "S1,10.1012,50.1011,2026-07-10,lake rust,5,,,2.5,,,"

Refusal = Callable[..., str]
MakePlan = Callable[..., Plan]


def table(*rows: str, header: str = HEADER) -> dict[str, str | bytes]:
    return {"stops.csv": "\n".join([header, *rows, ""])}


def row(**cells: str) -> str:
    """One good aphid row with some cells changed."""
    values = dict(zip(HEADER.split(","), GOOD.split(","), strict=True)) | {"stop": "S2"} | cells
    return ",".join(values.values())


def rust(**cells: str) -> str:
    return row(**({"target": "lake rust", "n": "", "count": "", "severity_pct": "2"} | cells))


# class of mistake: (row, part of the message); the row is the third line of the file
ROWS = {
    "blank stop": (row(stop=" "), "column stop: is blank"),
    "blank target": (row(target=""), "column target: is blank"),
    "endless id": (row(stop="S" * 300), "column stop: found 'SSS"),
    "word for a number": (row(count="four"), "column count: found 'four'"),
    "less than": (row(count="<5"), "column count: found '<5'"),
    "spreadsheet error": (row(count="#REF!"), "column count: found '#REF!'"),
    "fraction as text": (row(count="1/2"), "column count: found '1/2'"),
    "exponent": (row(count="1e3"), "column count: found '1e3'"),
    "hexadecimal": (row(count="0x10"), "column count: found '0x10'"),
    "underscore": (row(count="1_0"), "column count: found '1_0'"),
    "plus sign": (row(count="+4"), "column count: found '+4'"),
    "arabic digits": (row(count="\u0664"), "column count: found '\u0664'"),
    "full-width digit": (row(count="\uff14"), "column count: found '\uff14'"),
    "letter for digit": (row(count="1O"), "column count: found '1O'"),
    "not available": (row(count="NA"), "column count: found 'NA'"),
    "nan": (row(count="NaN"), "column count: found 'NaN'"),
    "infinity": (row(count="inf"), "column count: found 'inf'"),
    "blank count": (row(count=""), "column count: is blank, and the target is measured by it. Write 0"),
    "decimal comma in a comma table": (row(count='"4,5"'), "column count: found '4,5'"),
    "negative count": (row(count="-1"), "column count: found '-1': not a whole number of 0 or more"),
    "broken count": (row(count="2.5"), "column count: found '2.5': not a whole number"),
    "thousands mark or decimals": (row(count="1.000"), "could be 1 or 1000"),
    "huge count": (row(count="9223372036854775808"), "column count: found '9223372036854775808'"),
    "count of millions": (row(count="1000001"), "more than 1000000"),
    "no measure for a target not in the plan": (
        row(target="marsh weevil", count=""),
        "column count: is blank, and so is every other measure",
    ),
    "words for a target not in the plan": (row(target="marsh weevil", count="few"), "column count: found 'few'"),
    "blank n": (row(n=""), "column n: is blank"),
    "n of zero": (row(n="0"), "column n: found '0': nothing was looked at"),
    "broken n": (row(n="9.5"), "column n: found '9.5'"),
    "more positives than n": (row(positives="11"), "column positives: found 11 of n = 10"),
    "two measures": (row(severity_pct="3"), "column severity_pct: a second measure beside count"),
    "severity beside count": (rust(count="3"), "column count: a second measure beside severity_pct"),
    "percent above 100": (rust(severity_pct="101"), "column severity_pct: found '101': not a percentage"),
    "negative percent": (rust(severity_pct="-0.1"), "column severity_pct: found '-0.1'"),
    "percent sign": (rust(severity_pct="2%"), "column severity_pct: found '2%'"),
    "blank severity": (rust(severity_pct=""), "column severity_pct: is blank"),
    "day and month unclear": (row(date="03/07/2026"), "column date: found '03/07/2026': not an ISO date"),
    "two-digit year": (row(date="26-07-03"), "column date: found '26-07-03'"),
    "spreadsheet serial": (row(date="46206"), "column date: found '46206'"),
    "compact date": (row(date="20260703"), "column date: found '20260703'"),
    "week date": (row(date="2026-W28-1"), "column date: found '2026-W28-1'"),
    "time stamp": (row(date="2026-07-10T04:00Z"), "column date: found '2026-07-10T04:00Z'"),
    "impossible day": (row(date="2026-02-30"), "column date: found '2026-02-30': no such day"),
    "far year": (row(date="2206-07-10"), "the year is not between"),
    "edge in words": (row(edge="yes"), "column edge: found 'yes'"),
    "misspelt target": (row(target="reed aphyd"), "found 'reed aphyd': close to the plan's 'reed aphid'"),
    "target in capitals": (row(target="Reed Aphid"), "found 'Reed Aphid': close to the plan's 'reed aphid'"),
    "row pasted twice": (GOOD, "stop, target and date as in stops.csv: row 2"),
    "one id at two places": (row(stop="S1", lon="10.1052"), "'S1' is 286 m from where stops.csv: row"),
    "visits without order": (row(stop="S1", date=""), "column date: blank, but stops.csv: row 2 has a date"),
    "swapped": (row(lon="50.1011", lat="10.1012"), "longitude and latitude look swapped"),
    "swapped out of range": (row(lon="45.1", lat="-93.2"), "longitude and latitude look swapped"),
    "sign of longitude": (row(lon="-10.1012"), "the minus sign of the longitude looks lost"),
    "sign of latitude": (row(lat="-50.1011"), "the minus sign of the latitude looks lost"),
    "both signs": (row(lon="-10.1012", lat="-50.1011"), "the minus signs look lost"),
    "projected": (row(lon="578825", lat="5550500"), "metres, or degrees and minutes run together"),
    "receiver notation": (row(lon="1006.07", lat="5006.07"), "metres, or degrees and minutes run together"),
    "degrees and minutes": (row(lon="10\u00b006'04\""), "Write decimal degrees, minus for W and S"),
    "compass letter": (row(lon="10.1012 E"), "Write decimal degrees, minus for W and S"),
    "past 180": (row(lon="190.1"), "longitude counted eastward past 180"),
    "no fix": (row(lon="0", lat="0.0"), "a receiver without a fix"),
    "another continent": (row(lon="-70.5", lat="-33.1"), "km from the field. Check it"),
    "no number for a longitude": (row(lon="NaN"), "column lon: found 'NaN': not a plain number"),
    "blank longitude": (row(lon=""), "column lon: is blank"),
}  # fmt: skip


@pytest.mark.parametrize(("bad", "part"), ROWS.values(), ids=ROWS)
def test_a_faulty_row_is_refused_by_name(refusal: Refusal, bad: str, part: str) -> None:
    message = refusal(table(GOOD, bad, RUST))
    assert part in message
    assert all(line.startswith("stops.csv: row ") for line in message.splitlines())
    assert "row 3" in message


def test_a_slip_of_every_row_is_told_once_and_may_be_the_boundarys(refusal: Refusal) -> None:
    """GOOD and its like lie at 10.1 E, 50.1 N, as the boundary does."""
    swapped = [row(stop=f"S{number}", lon="50.1011", lat="10.1012") for number in range(5)]
    assert refusal(table(*swapped)) == (
        "stops.csv: row 2, column lon: found 50.1011 with lat 10.1012, and all 5 rows alike: longitude and latitude "
        "look swapped, here or in the boundary. Check which of the two is where the field is."
    )


HEADERS = {
    "no header": ("S1,10.1,50.1,a,4", "row 1 is no header"),
    "column absent": ("stop,lon,lat,date,n,count", "column 'target' is missing. Add it"),
    "known by another name": ("stop,longitude,lat,target,n,count", "column 'lon' is missing. Is it 'longitude'?"),
    "column twice": ("stop,lon,lat,target,n,count,Count ", "column 'count' stands twice"),
    "misspelt measure": ("stop,lon,lat,target,n,cuont", "column 'cuont' is close to 'count'"),
    "several faults": ("stop,lon,target,n,ratings", "column 'lat' is missing"),
}


@pytest.mark.parametrize(("header", "part"), HEADERS.values(), ids=HEADERS)
def test_a_faulty_header_is_refused_with_the_columns_name(refusal: Refusal, header: str, part: str) -> None:
    assert part in refusal({"stops.csv": header + "\n" + ",".join("1" for _ in header.split(",")) + "\n"})


def test_a_measure_without_its_column_is_refused_once_for_the_file(refusal: Refusal) -> None:
    rows = ["S1,10.1012,50.1011,reed aphid,2", "S2,10.1014,50.1011,reed aphid,3"]
    message = refusal(table(*rows, header="stop,lon,lat,target,total"))
    assert message.splitlines()[0] == "stops.csv: column 'count' is missing. Is it 'total'? Then rename that."
    assert message.splitlines()[1].startswith("stops.csv: column 'n' is missing.")


@pytest.mark.parametrize("name", ["notes", "id", "county", "market", "Point", "dates", "crop", "observer"])
def test_common_words_may_head_a_column_of_the_users_own(name: str) -> None:
    assert near_miss(name.lower()) is None


def test_letter_case_spaces_and_other_columns_are_tolerated(make_plan: MakePlan) -> None:
    header = " Stop ,LON, lat,Target,N,Count,severity_pct, Observer,weather"
    rows = ["S1,10.1012,50.1011,reed aphid,10,4,,nobody,", "S1,10.1012,50.1011,lake rust,,,3,,dry"]
    found = read_inputs(make_plan(table(*rows, header=header))).observations
    assert [one.extra for one in found] == [(("weather", "dry"),), (("Observer", "nobody"),)]


@pytest.mark.parametrize("stop", ["007", "NA", "None", "1e5", "=1+1", "<b>x</b>", "\u202eabc", "e\u0301", "\U0001f41b"])
def test_an_id_stays_the_text_it_was(make_plan: MakePlan, stop: str) -> None:
    found = read_inputs(make_plan(table(row(stop=stop), RUST))).observations
    assert stop in {one.stop for one in found}


def test_a_whole_number_written_with_a_point_is_one(make_plan: MakePlan) -> None:
    found = read_inputs(make_plan(table(row(n="10.0", count="3.0"), RUST))).observations
    assert [(one.n, one.value) for one in found if one.target == "reed aphid"] == [(10, 3.0)]


def test_incidence_takes_positives_of_n(make_plan: MakePlan) -> None:
    rows = [GOOD, rust(severity_pct="", n="20", positives="3")]
    found = read_inputs(make_plan(table(*rows), measure="incidence")).observations
    assert [(one.n, one.value, one.positives) for one in found if one.target == "lake rust"] == [(20, 3.0, 3)]


# Horsfall and Barratt (1945): class 4 is 6-12 %, class 12 is 100 % (class bounds from memory)
SCALES = [
    ('scale = "horsfall-barratt"', "4", 9.0),
    ('scale = "horsfall-barratt"', "4.0", 9.0),
    ('scale = "horsfall-barratt"', "12", 100.0),
    ("scale = { a = 0.0, b = 12.5 }", "b", 12.5),
    ("scale = { 1 = 0.0, 2 = 1.5 }", "2", 1.5),
    ("", "3.5", 3.5),
]


@pytest.mark.parametrize(("scale", "rating", "value"), SCALES)
def test_a_rating_becomes_the_percent_of_its_class(make_plan: MakePlan, scale: str, rating: str, value: float) -> None:
    inputs = read_inputs(make_plan(table(GOOD, rust(severity_pct="", rating=rating)), measure="rating", target=scale))
    assert [one.value for one in inputs.observations if one.target == "lake rust"] == [value]
    assert ("score_scale: lake rust" in {caution.code for caution in inputs.cautions}) == (not scale)


@pytest.mark.parametrize("rating", ["0", "13", "4.5", "heavy"])
def test_a_class_that_the_scale_does_not_have_is_refused(refusal: Refusal, rating: str) -> None:
    rows = table(GOOD, rust(severity_pct="", rating=rating))
    assert "not a class of the scale. Write one of 1, 2, 3" in refusal(rows, measure="rating", target=SCALES[0][0])


def test_the_classes_of_horsfall_and_barratt_are_symmetric_about_half() -> None:
    # the scale is built so (1945): what is diseased in class k is healthy in class 13 - k, up to its own rounding
    percents = list(cells.HORSFALL_BARRATT.values())
    assert all(abs(low + high - 100) <= 0.5 for low, high in zip(percents, reversed(percents), strict=True))


def test_older_visits_edge_stops_and_unknown_targets_are_kept_as_unused(make_plan: MakePlan) -> None:
    rows = [
        row(stop="S1", date="2026-07-03", count="1"), GOOD, row(stop="S3", edge="1"),
        row(stop="S4", target="marsh weevil"), RUST,
    ]  # fmt: skip
    inputs = read_inputs(make_plan(table(*rows)))
    why = {(one.stop, one.target, str(one.date)): one.why for one in inputs.observations}
    assert why == {
        ("S1", "lake rust", "2026-07-10"): "",
        ("S1", "reed aphid", "2026-07-03"): "older visit",
        ("S1", "reed aphid", "2026-07-10"): "",
        ("S3", "reed aphid", "2026-07-10"): "edge stop",
        ("S4", "marsh weevil", "2026-07-10"): "target not in the plan",
    }
    assert [caution.code for caution in inputs.cautions] == ["targets_not_in_plan"]
    assert all(one.used == (not one.why) for one in inputs.observations)


def test_a_target_of_the_plan_without_any_row_is_refused(refusal: Refusal) -> None:
    assert "target 'lake rust': no row" in refusal(table(GOOD))


def test_a_target_with_edge_stops_alone_is_refused(refusal: Refusal) -> None:
    assert "target 'lake rust': every row is unused (edge stop)" in refusal(table(GOOD, rust(edge="1")))


CAUTIONS = {
    "fractions": (table(GOOD, rust(severity_pct="0.4")), {}, "maybe_fractions: lake rust"),
    "some without date": (table(GOOD, rust(stop="S1", date="")), {}, "no_date"),
    "last year's walk": (table(GOOD, RUST), {"field": "spray_date = 2027-07-12"}, "other_season"),
    "too few decimals": (table(row(lon="10.103", lat="50.101"), rust(lon="10.103", lat="50.101")), {}, "coarse_places"),
}


@pytest.mark.parametrize(("files", "keys", "code"), CAUTIONS.values(), ids=CAUTIONS)
def test_a_doubt_is_a_caution(make_plan: MakePlan, files: dict[str, str], keys: dict[str, str], code: str) -> None:
    assert [caution.code for caution in read_inputs(make_plan(files, **keys)).cautions] == [code]


def test_severities_of_zero_are_no_fractions(make_plan: MakePlan) -> None:
    assert read_inputs(make_plan(table(GOOD, rust(severity_pct="0"), rust(stop="S4", severity_pct="1")))).cautions == ()


def test_many_faults_are_told_at_once_and_bounded(refusal: Refusal) -> None:
    message = refusal(table(*(row(stop=f"S{i}", count="x") for i in range(50))))
    lines = message.splitlines()
    assert len(lines) == 11
    assert lines[0].startswith("stops.csv: row 2, column count")
    assert lines[-1] == "and 40 more"


CELLS = st.one_of(
    st.sampled_from(["", "0", "1", "4.0", "1.000", "-1", "50.1011", "S1", "reed aphid", "2026-07-10", '"', "NaN", "x"]),
    st.text(st.characters(exclude_characters="\0\r\n,", exclude_categories=["Cs"]), max_size=6),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 11), CELLS), max_size=3))
def test_whatever_the_cells_hold_no_row_vanishes(make_plan: MakePlan, changes: list[tuple[int, int, str]]) -> None:
    rows = [line.split(",") for line in (GOOD, RUST, row(), row(stop="S3", target="marsh weevil"))]
    for number, column, cell in changes:
        rows[number][column] = cell
    plan = make_plan(table(*(",".join(line) for line in rows)))
    try:
        assert len(read_inputs(plan).observations) == len(rows)
    except InputError as error:
        told = error.lines()
        assert told
        assert all(line.startswith("stops.csv: ") for line in told)


def without_place(observations: tuple[Observation, ...]) -> tuple[Observation, ...]:
    return tuple(replace(one, place="") for one in observations)


VISITS = st.lists(
    st.tuples(st.integers(0, 6), st.integers(1, 28), st.integers(0, 50), st.sampled_from(["", "0", "1"])),
    min_size=1, max_size=12, unique_by=lambda visit: visit[:2],
)  # fmt: skip


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=20, deadline=None)
@given(visits=VISITS, seed=st.integers(0, 99), mark=st.sampled_from([",.", ";.", ";,", "\t,"]), end=st.booleans())
def test_order_delimiter_marks_and_line_ends_do_not_matter(
    make_plan: MakePlan, visits: list[tuple[int, int, int, str]], seed: int, mark: str, end: bool
) -> None:
    rows = [GOOD, RUST] + [
        row(stop=f"T{stop}", lon=f"10.10{stop}1", date=f"2026-06-{day:02d}", count=str(count), edge=edge)
        for stop, day, count, edge in visits
    ]
    plain = [line.split(",") for line in (HEADER, *rows)]
    order = list(range(len(plain[0])))
    random.Random(seed).shuffle(order)
    body = [[line[i].replace(".", mark[1]) for i in order] for line in plain[1:]]
    random.Random(seed).shuffle(body)
    other = ("\r\n" if end else "\n").join(mark[0].join(line) for line in [[plain[0][i] for i in order], *body])
    one = read_inputs(make_plan(table(*rows))).observations
    two = read_inputs(make_plan({"stops.csv": "\ufeff" + other})).observations
    assert repr(without_place(one)) == repr(without_place(two))
    assert len(one) == len(rows)  # read = used + unused


def test_the_same_rows_as_points_of_geojson_give_the_same_observations(make_plan: MakePlan) -> None:
    features = []
    for line in (GOOD, RUST, row(stop="007", edge="1", note="wet")):
        cells = dict(zip(HEADER.split(","), line.split(","), strict=True))
        place = [float(cells.pop("lon")), float(cells.pop("lat")), 312.5]
        values = {name: int(cell) if name == "n" else cell or None for name, cell in cells.items()}
        features.append({"type": "Feature", "properties": values, "geometry": {"type": "Point", "coordinates": place}})
    layer = json.dumps({"type": "FeatureCollection", "features": features})
    one = read_inputs(make_plan(table(GOOD, RUST, row(stop="007", edge="1", note="wet")))).observations
    two = read_inputs(make_plan({"stops.geojson": layer}, stops='"stops.geojson"')).observations
    assert without_place(one) == without_place(two)
    assert two[0].place == "stops.geojson: feature 3"


def test_several_files_are_one_walk(make_plan: MakePlan, refusal: Refusal) -> None:
    second = table(RUST)["stops.csv"]
    files = {**table(GOOD), "more.csv": second}
    both = read_inputs(make_plan(files, stops='["stops.csv", "more.csv"]'))
    assert [one.target for one in both.observations] == ["lake rust", "reed aphid"]
    again = refusal({**table(GOOD, RUST), "more.csv": second}, stops='["stops.csv", "more.csv"]')
    assert "stop, target and date as in" in again
    assert "more.csv: row 2" in again


@given(st.dates(dt.date(2000, 1, 1), dt.date(2100, 12, 31)))
def test_every_iso_date_comes_back(date: dt.date) -> None:
    assert cells.day(date.isoformat()) == date


@given(st.text(max_size=12))
def test_a_number_is_plain_or_refused(text: str) -> None:
    try:
        value = cells.number(text)
    except ValueError:
        return
    assert text.isascii()
    assert value == float(text)
