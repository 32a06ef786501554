"""The page itself: one file that opens with no network and explains itself.

Text from files takes two ways only: escaped into HTML by `markup.tag`, or through one JSON block
that the script reads and sets as text. It never passes a template engine, which would run it.
"""

from __future__ import annotations

import json

import folium
from branca.element import Figure, MacroElement
from folium.template import Template

from rxmap import __version__
from rxmap.records import Result
from rxmap.show import assets, layers, story, text
from rxmap.show.evidence import evidence_section
from rxmap.show.markup import Markup, bullets, join, policy, tag
from rxmap.show.tables import all_tables
from rxmap.show.weather import block

# In JSON these can only stand inside strings, where the escape means the same.
_ESCAPES = {sign: f"\\u{ord(sign):04x}" for sign in "<>&\u2028\u2029"}


class FieldMap(folium.Map):  # type: ignore[misc]  # folium ships no types
    """A folium map that loads nothing: no tiles, no links, and a name that is the same every time."""

    default_js: list[tuple[str, str]] = []  # noqa: RUF012 - the names and types that folium looks up
    default_css: list[tuple[str, str]] = []  # noqa: RUF012

    # folium's own header forbids zooming with two fingers and stretches the page; only the map itself is kept.
    _template = Template("""
        {% macro html(this, kwargs) %}<div id="{{ this.get_name() }}" class="map"></div>{% endmacro %}
        {% macro script(this, kwargs) %}
            const {{ this.get_name() }} = L.map({{ this.get_name()|tojson }},
                {center: {{ this.location|tojson }}, ...{{ this.options|tojavascript }}});
        {% endmacro %}
    """)

    def __init__(self, latitude: float, longitude: float) -> None:
        super().__init__(
            location=(latitude, longitude),
            tiles=None,
            zoom_start=15,
            zoom_snap=0.25,
            scroll_wheel_zoom=False,  # a page that is scrolled must not zoom the map on its way
            attribution_control=False,  # credited in the footer
        )
        self._id = "field"


class Layers(MacroElement):  # type: ignore[misc]
    """Start the script that draws what the JSON block holds."""

    _template = Template("""
        {% macro script(this, kwargs) %}
            showField({{ this._parent.get_name() }}, JSON.parse(document.getElementById("map-data").textContent));
        {% endmacro %}
    """)

    def __init__(self) -> None:
        super().__init__()
        self._name, self._id = "Layers", "field"


class Page(Figure):  # type: ignore[misc]
    """The figure that folium renders into, with a page of our own round it."""

    _template = Template("""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{{ this.policy }}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="icon" href="data:,">
{{ this.heading }}
<style>{{ this.leaflet_style }}</style>
<style>{{ this.style }}</style>
<script>{{ this.leaflet_script }}</script>
</head>
<body>
{{ this.before }}
<section class="look" aria-label="Map">
<div class="stage">{{ this.html.render() }}<p id="sentence" aria-live="polite"></p><p id="more"></p>
<div id="panel" aria-live="polite"></div></div>
<div class="side">
<form id="choices"></form>
<div id="legend" role="group" aria-label="Legend"></div>
</div>
</section>
{{ this.after }}
<script type="application/json" id="map-data">{{ this.data }}</script>
<script>{{ this.code }}</script>
</body>
</html>
""")

    def __init__(self, result: Result) -> None:
        super().__init__()
        self.heading = tag("title", f"{text.safe(result.field.name)} - field map")
        self.leaflet_style, self.style = assets.leaflet_style(), assets.own("map.css")
        # the map's place opens only where scripts run, whatever else keeps them from running
        self.leaflet_script = f"{assets.leaflet_script()}\ndocument.documentElement.classList.add('live');"
        self.before, self.after = _before(result), _after(result)
        self.data = _json(layers.map_data(result))
        self.code = self.policy = ""

    def render(self, **kwargs: object) -> str:
        """Render the map's parts first: the policy names the hash of the script they make."""
        for child in self._children.values():
            child.render(**kwargs)
        self.code = f"{assets.own('map.js')}\n{self.script.render().strip()}"
        self.policy = policy(self.leaflet_script, self.code)
        return str(self._template.render(this=self, kwargs=kwargs))


def map_page(result: Result) -> str:
    """Draw everything that was decided as one HTML page.

    Parameters
    ----------
    result : Result
        What a build decided.

    Returns
    -------
    str
        The whole page: no link, no request, the same bytes for the same result; at most 2 MB
        beside imagery.
    """
    centre = result.field.boundary.centroid
    page = Page(result)
    field_map = FieldMap(round(centre.y, 6), round(centre.x, 6))
    field_map.add_child(Layers())
    page.add_child(field_map)
    return page.render()


def _json(data: layers.Data) -> str:
    block = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign, escape in _ESCAPES.items():
        block = block.replace(sign, escape)
    return block


def _before(result: Result) -> Markup:
    """Everything above the map: the answer in words."""
    days = sorted({row.date for row in result.observations if row.date and row.used})
    seen = [str(days[0]) if len(days) == 1 else f"{days[0]} to {days[-1]}"] if days else []
    facts = [
        text.safe(result.crop),
        text.area(result.field.area_ha, result.units),
        *(f"stops of {day}" for day in seen),
    ]
    first, *others = story.what_to_do(result)
    cards = [tag("section", tag("h2", name), bullets(lines)) for name, lines in story.cards(result)]
    return join(
        [
            tag("a", "Skip to the tables", class_="skip", href="#tables"),
            tag(
                "header",
                tag("p", " | ".join(facts), class_="facts"),
                tag("h1", text.safe(result.field.name)),
                tag("p", first, class_="lead"),
                *(tag("p", line, class_="lead more") for line in others),
                *_to_cautions(result),
            ),
            tag("div", *cards, class_="cards"),
        ]
    )


def _to_cautions(result: Result) -> list[str]:
    if not result.cautions:
        return []
    many = len(result.cautions)
    link = tag("a", f"Read the {'caution' if many == 1 else text.counted(many, 'caution')}", href="#cautions")
    return [tag("p", link, " before you act.", class_="to-cautions")]


def _after(result: Result) -> Markup:
    """Everything below the map: tables, cautions, safety."""
    no_map = "The map needs JavaScript. Everything it shows also stands in the tables below."
    told = [tag("li", f"{text.safe(each.text)} ", tag("code", text.safe(each.code))) for each in result.cautions]
    cautions = tag("ul", *told) if told else tag("p", "None.")
    return join(
        [
            tag("p", no_map, class_="no-map"),
            evidence_section(result),
            *block(result),
            tag("section", tag("h2", "Tables"), all_tables(result), id="tables", tabindex="-1"),
            tag("section", tag("h2", "Cautions"), cautions, id="cautions", class_="warn"),
            tag("section", tag("h2", "Before anybody sprays"), bullets(story.SAFETY), id="safety", class_="warn"),
            tag("footer", _footer()),
        ]
    )


def _footer() -> str:
    return (
        f"Made by rxmap {__version__}. The zone file, not this page, goes to the machine. North is up; drawn in Web "
        "Mercator, areas taken on the WGS84 ellipsoid. Map drawing: Leaflet, BSD 2-Clause licence."
    )
