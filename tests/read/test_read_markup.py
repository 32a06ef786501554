"""KML and GPX: shapes and columns of well-formed files, and XML that attacks its reader."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import mapping

from rxmap.errors import InputError
from rxmap.plan import Plan
from rxmap.read.door import Source
from rxmap.read.inputs import read_field, read_inputs
from rxmap.read.markup import number_or_text
from rxmap.read.vector import Layer, read_layer

MakePlan = Callable[..., Plan]

RING = "10.1,50.1,312 10.107,50.1,312 10.107,50.1036,312\n\t10.1,50.1036,312 10.1,50.1,312"
POND = "10.103,50.101 10.104,50.101 10.104,50.102 10.103,50.101"


def ring(coordinates: str) -> str:
    return f"<LinearRing><coordinates>\n  {coordinates}\n</coordinates></LinearRing>"


def polygon(outer: str, *inner: str) -> str:
    holes = "".join(f"<innerBoundaryIs>{ring(one)}</innerBoundaryIs>" for one in inner)
    return f"<Polygon><outerBoundaryIs>{ring(outer)}</outerBoundaryIs>{holes}</Polygon>"


def shape(kind: str, coordinates: str) -> str:
    return f"<{kind}><coordinates>{coordinates}</coordinates></{kind}>"


def kml(*shapes: str, head: str = '<?xml version="1.0" encoding="UTF-8"?>', name: str = "") -> str:
    marks = "".join(f"<Placemark>{name}{one}</Placemark>" for one in shapes)
    return f'{head}\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder>{marks}</Folder></Document></kml>'


def layer(text: str | bytes) -> Layer:
    data = text.encode() if isinstance(text, str) else text
    return read_layer(Source(name="k.kml", data=data, side_cars={}, files=()))


def shapes(text: str | bytes) -> list[dict[str, Any]]:
    return [json.loads(json.dumps(mapping(feature.geometry))) for feature in layer(text).features]


# --- KML ---


def test_every_plain_shape_of_kml_is_read_without_its_height() -> None:
    # OGC 07-147r2, 16.10: lon,lat[,alt] tuples between white space
    found = shapes(
        kml(polygon(RING, POND), shape("LineString", "1,2,3 4,5,6"), shape("LinearRing", POND), shape("Point", "1,2"))
    )
    assert [one["type"] for one in found] == ["Polygon", "LineString", "LineString", "Point"]
    assert [len(one) for one in found[0]["coordinates"]] == [5, 4]
    assert found[1]["coordinates"] == [[1, 2], [4, 5]]


def test_a_collection_of_one_kind_is_one_shape_of_several_parts() -> None:
    inner = f"<MultiGeometry>{shape('Point', '3,4')}{shape('Point', '5,6')}</MultiGeometry>"
    (found,) = shapes(kml(f"<MultiGeometry>{shape('Point', '1,2')}{inner}</MultiGeometry>"))
    assert found == {"type": "MultiPoint", "coordinates": [[1, 2], [3, 4], [5, 6]]}
    (found,) = shapes(kml(f"<MultiGeometry>{polygon(RING)}</MultiGeometry>"))
    assert found["type"] == "Polygon"


def test_the_name_of_a_placemark_is_kept_as_text() -> None:
    (feature,) = layer(kml(shape("Point", "1,2"), name="<name> <![CDATA[<b>Pond</b>]]> </name>")).features
    assert feature.properties == {"name": "<b>Pond</b>"}


VARIANTS = {
    "no namespace": kml(polygon(RING)).replace(' xmlns="http://www.opengis.net/kml/2.2"', ""),
    "prefix": kml(polygon(RING)).replace("<", "<k:").replace("<k:/", "</k:").replace("<k:?", "<?")
    .replace("xmlns=", "xmlns:k="),
    "byte-order mark": "\ufeff" + kml(polygon(RING)),
    "comment first": kml(polygon(RING)).replace("\n<kml", "\n<!-- drawn by hand -->\n<kml"),
    "latin-1": kml(polygon(RING), head='<?xml version="1.0" encoding="latin-1"?>', name="<name>\u00e4</name>").encode(
        "latin-1"
    ),
}  # fmt: skip


@pytest.mark.parametrize("text", VARIANTS.values(), ids=VARIANTS)
def test_forms_of_one_document_are_one_layer(text: str | bytes) -> None:
    assert shapes(text) == shapes(kml(polygon(RING)))


KML_REFUSED = {
    "no placemark": (kml(), "holds no feature"),
    "placemark without a shape": (kml(polygon(RING), ""), "feature 2 has no geometry"),
    "space within a tuple": (kml(shape("LineString", "10.1, 50.1 10.2, 50.2")), "feature 1 has the position"),
    "two points in one": (kml(shape("Point", "1,2 3,4")), "feature 1 has the position"),
    "not a number": (kml(shape("Point", "nan,50.1")), "['nan', 50.1]"),
    "one number": (kml(shape("LineString", "10.1 50.1")), "feature 1 has the position '[10.1]'"),
    "unclosed ring": (kml(polygon("1,1 2,1 2,2 1,2")), "does not end there"),
    "short ring": (kml(polygon("1,1 2,1 1,1")), "3 positions"),
    "hole alone": (kml(polygon(RING).replace("outer", "inner")), "'Polygon of 0 outlines'"),
    "two outlines": (kml(polygon(RING).replace("<outer", f"<outerBoundaryIs>{ring(POND)}</outerBoundaryIs><outer", 1)),
                     "'Polygon of 2 outlines'"),
    "kinds mixed": (kml(f"<MultiGeometry>{polygon(RING)}{shape('Point', '1,2')}</MultiGeometry>"), "of several kinds"),
    "a track": (kml("<gx:Track xmlns:gx='g'><gx:coord>1 2 3</gx:coord></gx:Track>"), "geometry type 'Track'"),
    "a model": (kml("<Model><Location/></Model>"), "geometry type 'Model'"),
    "a link": (kml(polygon(RING)).replace("<Folder>", "<NetworkLink><href>http://127.0.0.1/</href></NetworkLink><Folder>"),
               "links to another file"),
    "latitude first": (kml(shape("Point", "50.1,110.1"), shape("Point", "50.1,10.1")), "latitude look swapped"),
    "cut off": (kml(polygon(RING))[:-30], "not XML: "),
    "another root": ('<html><!-- <kml > --><p/></html>', "its root is 'html', not 'kml'"),
    "unknown encoding": (kml(polygon(RING), head='<?xml version="1.0" encoding="no-such"?>'), "not XML: "),
    "nested for ever": (kml("<MultiGeometry>" * 50_000 + "</MultiGeometry>" * 50_000), "nested too deeply"),
    "a million tags": (kml("<a/>" * 1_000_001), "a million tags"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "part"), KML_REFUSED.values(), ids=KML_REFUSED)
def test_what_is_no_clear_kml_is_refused(refusal: Callable[..., str], text: str, part: str) -> None:
    message = refusal({"field.kml": text}, boundary="field.kml")
    assert part in message
    assert message.startswith("field.kml: ")


def test_overlays_and_styles_are_left_aside(make_plan: MakePlan) -> None:
    others = "<Style><PolyStyle/></Style><GroundOverlay><LatLonBox><north>9</north></LatLonBox></GroundOverlay><Folder>"
    files = {"a.kml": kml(polygon(RING)), "b.kml": kml(polygon(RING)).replace("<Folder>", others)}
    assert read_field(make_plan(files, boundary="a.kml")) == read_field(make_plan(boundary="b.kml"))


def test_points_and_lines_of_kml_are_keep_outs(make_plan: MakePlan) -> None:
    text = kml(shape("Point", "10.098,50.1018"), shape("LineString", "10.1075,50.09 10.1075,50.11"))
    plan = make_plan({"k.kml": text}, rest='[[keep_out]]\nfile = "k.kml"\nsetback = "3 m"\nreason = "ditch"')
    (source,) = read_inputs(plan).keep_outs
    assert {part.geom_type for part in source.ground.geoms} == {"Point", "LineString"}


def test_stops_are_not_read_from_kml(refusal: Callable[..., str]) -> None:
    assert "stops are not read from KML" in refusal({"s.kml": kml(shape("Point", "10.1,50.1"))}, stops='"s.kml"')


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_coordinate_is_the_number_that_was_written(value: float) -> None:
    assert number_or_text(repr(value)) == value


@given(st.text(max_size=12))
def test_what_is_no_plain_number_stays_text(text: str) -> None:
    found = number_or_text(text)
    assert found == text or float(text) == found


# --- GPX ---

TARGET = "<target>reed aphid</target><n>10</n><count>4</count>"


def gpx(*waypoints: str, version: str = "1.1", rest: str = "") -> str:
    return f'<gpx version="{version}" creator="c" xmlns="http://www.topografix.com/GPX/1/1">{"".join(waypoints)}{rest}</gpx>'


def waypoint(extensions: str = TARGET, own: str = "<time>2026-07-10T08:00:00Z</time><name>S1</name>") -> str:
    return (
        f'<wpt lat="50.1011" lon="10.1012"><ele>3</ele>{own}<sym>Pin</sym><extensions>{extensions}</extensions></wpt>'
    )


RUST = waypoint("<target>lake rust</target><severity_pct>2.5</severity_pct>")


@pytest.fixture
def visits(make_plan: MakePlan) -> Callable[..., list[tuple[Any, ...]]]:
    def read(*waypoints: str) -> list[tuple[Any, ...]]:
        plan = make_plan({"w.gpx": gpx(*waypoints, RUST)}, stops='"w.gpx"')
        found = [one for one in read_inputs(plan).observations if one.target == "reed aphid"]
        return [(one.stop, str(one.date), one.n, one.value, one.extra) for one in found]

    return read


def test_extensions_are_columns_in_any_namespace_and_depth(visits: Callable[..., list[tuple[Any, ...]]]) -> None:
    nested = (
        '<a:visit xmlns:a="http://a.example"><a:target>reed aphid</a:target><b:n xmlns:b="http://b.example">10</b:n>'
        "</a:visit><count>4</count><colour>red</colour><colour>green</colour>"
    )
    assert visits(waypoint(nested)) == [("S1", "2026-07-10", 10, 4.0, (("colour", "red; green"),))]


@pytest.mark.parametrize("time", ["2026-07-10T23:59:59-05:00", "2026-07-10T00:00:01.5+13:00", "2026-07-10T12:00:00"])
def test_the_date_is_the_day_as_written(visits: Callable[..., list[tuple[Any, ...]]], time: str) -> None:
    assert visits(waypoint(own=f"<time>{time}</time><name>S1</name>"))[0][1] == "2026-07-10"


def test_name_and_date_may_stand_in_the_extensions(visits: Callable[..., list[tuple[Any, ...]]]) -> None:
    found = visits(waypoint(TARGET + "<stop>S1</stop><date>2026-07-10</date>", own=""))
    assert found == [("S1", "2026-07-10", 10, 4.0, ())]


GPX_REFUSED = {
    "column twice": (gpx(waypoint(TARGET + "<count>5</count>")), "w.gpx: waypoint 1, column count: stands twice"),
    "two dates": (gpx(RUST, waypoint(TARGET + "<date>2026-07-11</date>")), "waypoint 2, column date: stands twice"),
    "two targets": (gpx(waypoint(TARGET + TARGET)), "column target: stands twice. Write one waypoint for each target"),
    "no waypoint": (gpx(rest="<trk><trkseg/></trk>"), "holds no waypoint"),
    "no ratings": (gpx(waypoint("")), "column 'target' is missing"),
    "no name": (gpx(RUST, waypoint(own="")), "w.gpx: waypoint 2, column stop: is blank"),
    "no latitude": (gpx(waypoint().replace('lat="50.1011"', "")), "feature 1 has the position '[10.1012, '']'"),
    "a day that is none": (gpx(waypoint(own="<time>2026-13-01T00:00:00Z</time><name>S1</name>")), "no such day"),
    "a time in words": (gpx(waypoint(own="<time>10 July</time><name>S1</name>")), "not an ISO date"),
    "two places of one name": (gpx(RUST, waypoint().replace("50.1011", "50.1031")), "'S1' is 222 m from where"),
    "version 1.0": (gpx(waypoint(), version="1.0"), "GPX of version '1.0'"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "part"), GPX_REFUSED.values(), ids=GPX_REFUSED)
def test_what_is_no_clear_gpx_is_refused(refusal: Callable[..., str], text: str, part: str) -> None:
    message = refusal({"w.gpx": text}, stops='"w.gpx"')
    assert part in message
    assert message.startswith("w.gpx: ")


def test_tracks_are_not_lost_in_silence_where_ground_is_asked_for(refusal: Callable[..., str]) -> None:
    text = gpx(waypoint(), rest="<trk><trkseg/></trk>")
    assert "GPX is read for stops alone" in refusal({"w.gpx": text}, boundary="w.gpx")


# --- attacks (CWE-611 external entity, CWE-776 recursive entity references) ---


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        server.setblocking(False)
        yield server


LAUGHS = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 12))
DOCTYPES = {
    "external entity": '<!DOCTYPE kml [<!ENTITY x SYSTEM "{url}">]>',
    "local file": '<!DOCTYPE kml [<!ENTITY x SYSTEM "{file}">]>',
    "parameter entity": '<!DOCTYPE kml [<!ENTITY % x SYSTEM "{url}"> %x;]>',
    "external subset": '<!DOCTYPE kml SYSTEM "{url}">',
    "nested entities": f'<!DOCTYPE kml [<!ENTITY l0 "lol">{LAUGHS}<!ENTITY x "&l11;">]>',
    "one huge entity": '<!DOCTYPE kml [<!ENTITY x "' + "a" * 100_000 + '">]>',
    "harmless": "<!DOCTYPE kml>",
}


@pytest.mark.parametrize("doctype", DOCTYPES.values(), ids=DOCTYPES)
@pytest.mark.parametrize("form", ["kml", "gpx"])
def test_a_document_type_is_refused_and_nothing_is_asked_for(
    refusal: Callable[..., str], listener: socket.socket, tmp_path: Path, doctype: str, form: str
) -> None:
    (tmp_path / "secret.txt").write_text("secret")
    url = f"http://127.0.0.1:{listener.getsockname()[1]}/x.dtd"
    head = doctype.replace("{url}", url).replace("{file}", (tmp_path / "secret.txt").as_uri())
    entity = "&x;" if "ENTITY x" in doctype else ""
    text = (
        kml(polygon(RING), head=head, name=f"<name>{entity}</name>")
        if form == "kml"
        else head + gpx(waypoint() + entity)
    )
    keys = {"boundary": "a.kml"} if form == "kml" else {"stops": '"a.gpx"'}
    message = refusal({f"a.{form}": text}, **keys)
    assert message.startswith(f"a.{form}: ")
    assert "document type" in message or "XML or HTML" in message  # where the root stands too deep to be told
    assert "secret" not in message.replace("secret.txt", "")
    with pytest.raises(BlockingIOError):
        listener.accept()


@pytest.mark.parametrize("text", [kml(polygon(RING, POND)), gpx(waypoint(), RUST)], ids=["kml", "gpx"])
def test_damaged_documents_are_read_or_refused_and_never_end_otherwise(text: str) -> None:
    rng = np.random.default_rng(7)
    told = set()
    for damage in np.repeat([1, 2, 8, 64], 20):
        data = np.frombuffer(text.encode(), np.uint8).copy()
        data[rng.integers(0, len(data), damage)] = rng.integers(0, 256, damage)
        try:
            told.add(str(len(layer(data.tobytes()).features)))
        except InputError as error:
            told.update(error.lines())
    assert len(told) > 2  # some damage does no harm, the rest is told
    assert all(line.startswith("k.kml: ") or line.isdigit() for line in told)
