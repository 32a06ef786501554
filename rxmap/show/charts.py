"""The charts of the report: the field with its pressure and passes, and the money; read in grey as in colour.

Everything that matters is a line, a hatch or a number; colour only helps. The legend is made of the same
looks as the drawing, so that the two cannot differ.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from rxmap.errors import printable
from rxmap.grid import FloatArray, Grid
from rxmap.records import Money, Observation, Part, PassResult, Result, TargetResult
from rxmap.show import tables, text
from rxmap.show.paper import INK, INSIDE, LEADING, MARGIN, SMALL, Paper, wrapped
from rxmap.show.scale import pressure_scale
from rxmap.units import convert

Look = dict[str, Any]
Legend = list[tuple[Look, str]]

MOST_PIXELS = 600  # along a side of the field; paper shows no more at this size
MOST_NUMBERS = 12  # treated parts that carry their number; more would hide the map
ROOM = 0.07  # of the map's height: most of it at its foot, for the bar of lengths and the arrow
MOST_RATES, LONGEST_NAME, LONGEST_ENTRY = 3, 50, 90  # in the legend
LEGEND_GAP = 0.5  # [pt] between entries
SWATCH = 20.0  # [pt] width of a look in the legend
BAR, BAR_NAMES, BAR_FIGURES = 15.0, 120.0, 110.0  # [pt] height of a bar of money; widths of what stands beside it
HALO = 2.2  # [pt] white beside a black hatch, so that it shows on dark ground

KEEP_OUT: Look = {"facecolor": "#e9ecec", "edgecolor": "#5d686d", "hatch": "xxxx", "linewidth": 0.8}
CHECK_STRIP: Look = {"facecolor": "white", "edgecolor": INK, "hatch": "---", "linewidth": 0.8}
TREATED: Look = {"facecolor": "none", "edgecolor": "black", "hatch": "//", "linewidth": 1.4}
THRESHOLD: Look = {"color": "black", "linewidth": 2.0}
BOUNDARY: Look = {"facecolor": "none", "edgecolor": INK, "linewidth": 1.6}
USED: Look = {"marker": "o", "color": INK, "markeredgecolor": "white", "markersize": 4.5}
EDGE: Look = {"marker": "s", "color": "white", "markeredgecolor": INK, "markersize": 4.5, "markeredgewidth": 1.6}
UNUSED: Look = {"marker": "o", "color": "white", "markeredgecolor": INK, "markersize": 4.5}


def draw_map(paper: Paper, axes: Any, result: Result, one: PassResult | None, target: TargetResult) -> Legend:
    """Draw the field, the pressure of a target, and where a pass treats.

    Parameters
    ----------
    paper : Paper
        The sheets; numbers are written by it.
    axes : matplotlib.axes.Axes
        Laid on the last sheet.
    result : Result
        Everything that was decided.
    one : PassResult or None
        The pass, None where none goes out.
    target : TargetResult
        Whose pressure is shown.

    Returns
    -------
    list of (look, text)
        What was drawn, for `draw_legend`.
    """
    ground = result.field.ground
    lay(axes, ground, result.units, paper)
    drawn = _pressure(axes, target, ground)
    if one is not None:
        drawn += _parts(paper, axes, result, one)
    drawn += _keep_outs(axes, result, one)
    axes.add_patch(patch(ground, BOUNDARY, zorder=5))
    drawn.append((BOUNDARY, "field boundary"))
    return drawn + _stops(axes, result, target)


def draw_legend(paper: Paper, drawn: Legend, *, left: float, top: float, width: float) -> None:
    """Draw the legend beside a map, from `top` [pt] downwards."""
    for look, words in drawn:
        lines = _entry(look, words, width)
        for number, line in enumerate(lines):
            indent = SWATCH + 8 if look else 0
            paper.put(line, left + indent, top + SMALL + number * SMALL * LEADING, size=SMALL, bold=not look)
        if look:
            _swatch(paper, look, left, top)
        top += len(lines) * SMALL * LEADING + LEGEND_GAP


def legend_height(drawn: Legend, width: float) -> float:
    """Height of a legend of a width [pt]."""
    return sum(len(_entry(look, words, width)) * SMALL * LEADING + LEGEND_GAP for look, words in drawn)


def _entry(look: Look, words: str, width: float) -> list[str]:
    """Break an entry into lines; one without a look is a heading."""
    room = width - (SWATCH + 8 if look else 0)
    return wrapped(printable(words, LONGEST_ENTRY), room, size=SMALL, bold=not look)


def _swatch(paper: Paper, look: Look, left: float, top: float) -> None:
    if "facecolor" in look:
        paper.box(left, top, SWATCH, SMALL + 2, **look)
        return
    axes = paper.axes(left, top, SWATCH, SMALL + 2)
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    across = ([0.5], [0.5]) if "marker" in look else ([0, 1], [0.5, 0.5])
    axes.plot(*across, **look)


# The field ---------------------------------------------------------------------------------------


def lay(axes: Any, ground: BaseGeometry, units: text.Units, paper: Paper) -> None:
    """Choose what the axes show: the field in the middle, metres alike both ways, room for the bar of lengths."""
    west, south, east, north = ground.bounds
    box = axes.get_position()
    height_pt, width_pt = box.height * 297, box.width * 210  # only their ratio matters
    tall = max((north - south) / (1 - 2 * ROOM), (east - west) * 1.04 * height_pt / width_pt)
    wide = tall * width_pt / height_pt
    middle_east, middle_north = (west + east) / 2, (south + north) / 2 - ROOM * tall / 2
    axes.set_xlim(middle_east - wide / 2, middle_east + wide / 2)
    axes.set_ylim(middle_north - tall / 2, middle_north + tall / 2)
    _bar(axes, paper, units)
    _north(axes, paper)


def _bar(axes: Any, paper: Paper, units: text.Units) -> None:
    """Draw a round length along the foot of the map."""
    (west, east), (south, north) = axes.get_xlim(), axes.get_ylim()
    unit = text.LENGTH[units][0]
    long = round_length(convert((east - west) / 4, "m", unit))
    metres, at = convert(long, unit, "m"), south + 0.025 * (north - south)
    axes.plot([west, west + metres], [at, at], color=INK, linewidth=3, solid_capstyle="butt", zorder=6)
    paper.mark(axes, (west + metres + 0.08 * (east - west), at), f"{text.number(long)} {text.LENGTH[units][1]}")


def round_length(longest: float) -> float:
    """Largest of 1, 2, 5, 10, 20 ... that is not longer.

    Examples
    --------
    >>> round_length(260.0), round_length(0.7)
    (200.0, 0.5)
    """
    ten = 10.0 ** math.floor(math.log10(longest))
    return float(max(step for step in (ten, 2 * ten, 5 * ten) if step <= longest))


def _north(axes: Any, paper: Paper) -> None:
    (west, east), (south, north) = axes.get_xlim(), axes.get_ylim()
    place, tall = east - 0.08 * (east - west), north - south
    look = {"arrowstyle": "-|>", "color": INK, "linewidth": 1.4, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", (place, south + 0.075 * tall), (place, south), arrowprops=look, zorder=6)
    paper.mark(axes, (place + 0.04 * (east - west), south + 0.03 * tall), "N")


def _pressure(axes: Any, target: TargetResult, ground: BaseGeometry) -> Legend:
    """Draw the classes of the pressure, and the line where it passes the threshold."""
    from matplotlib.colors import to_rgba

    surface, scale = target.surface, pressure_scale(target)
    mean, grid = _thinned(surface.grid, surface.mean)
    known = np.isfinite(mean)
    classes = np.digitize(np.where(known, mean, 0.0), scale.breaks)
    palette = np.array([to_rgba(colour) for colour in scale.colours])
    west, south, east, north = grid.bounds
    pixels = palette[classes] * known[..., None]  # clear outside the field
    picture = axes.imshow(pixels, extent=(west, east, south, north), aspect="auto", interpolation="none", zorder=1)
    picture.set_clip_path(patch(ground, {}, transform=axes.transData))
    present = sorted(set(classes[known].tolist()), reverse=True)
    drawn: Legend = [({}, f"{printable(target.name, LONGEST_NAME)}. {scale.title}")]
    drawn += [({"facecolor": scale.colours[at], "edgecolor": INK, "linewidth": 0.4}, scale.names[at]) for at in present]
    if np.nanmin(mean) < scale.limit < np.nanmax(mean):
        for colour, wider in (("white", 2.0), ("black", 0.0)):
            axes.contour(
                *grid.axes(), mean, [scale.limit], colors=colour, linewidths=THRESHOLD["linewidth"] + wider, zorder=4
            )
        drawn.append((THRESHOLD, scale.limit_name))
    else:
        drawn.append(({}, f"no line: {'above' if np.nanmin(mean) > scale.limit else 'below'} the {scale.limit_name}"))
    return drawn


def _thinned(grid: Grid, values: FloatArray) -> tuple[FloatArray, Grid]:
    """Keep every n-th cell of a fine grid."""
    step = math.ceil(max(grid.shape) / MOST_PIXELS)
    return values[::step, ::step], Grid(grid.west, grid.north, grid.cell * step, grid.share[::step, ::step])


def _parts(paper: Paper, axes: Any, result: Result, one: PassResult) -> Legend:
    """Hatch what is treated, closer the higher the rate, and what is left as a check strip."""
    rates = sorted({part.rate for part in one.parts if part.treat})
    looks = {
        rate: TREATED | {"hatch": "/" * min(2 * at + (2 if len(rates) == 1 else 1), 7)} for at, rate in enumerate(rates)
    }
    to_metres = result.field.frame.geometry_to_metres
    for part in one.parts:
        if part.treat:
            ground, look = to_metres(part.polygon), looks[part.rate]
            halo = look | {"edgecolor": "white", "linewidth": look["linewidth"] + HALO}
            axes.add_patch(patch(ground, halo, hatch_width=1 + HALO, zorder=2.5))
            axes.add_patch(patch(ground, look, zorder=3))
        elif part.reason == "check strip":
            axes.add_patch(patch(to_metres(part.polygon), CHECK_STRIP, zorder=3.5))
    for number, part in numbered(one):
        place = to_metres(part.polygon).representative_point()
        paper.mark(axes, (place.x, place.y), str(number))
    unit = one.products[0].unit
    drawn: Legend = [({}, printable(one.name, LONGEST_NAME))]
    if len(rates) > MOST_RATES:
        ends = f"{text.number(rates[0])} to {text.number(rates[-1])}"
        drawn.append((looks[rates[-1]], f"treat at {ends} {unit}, the closer the hatch the more, parts numbered"))
    else:
        drawn += [(looks[rate], f"treat at {text.number(rate)} {unit}, parts numbered") for rate in reversed(rates)]
    if any(part.reason == "check strip" for part in one.parts):
        drawn.append((CHECK_STRIP, "check strip, left untreated"))
    return drawn


def numbered(one: PassResult) -> list[tuple[int, Part]]:
    """Take the largest treated parts of a pass with their numbers, which are those of map.html."""
    treated = list(enumerate((part for part in one.parts if part.treat), start=1))
    largest = sorted(treated, key=lambda pair: -pair[1].area_ha)[:MOST_NUMBERS]
    return sorted(largest, key=lambda pair: pair[0])


def _keep_outs(axes: Any, result: Result, one: PassResult | None) -> Legend:
    kept = [each for each in result.keep_outs if one is None or not each.passes or one.slug in each.passes]
    for each in kept:
        ground = result.field.frame.geometry_to_metres(each.polygon)
        axes.add_patch(patch(ground, KEEP_OUT, zorder=3.5))
    return [(KEEP_OUT, "keep-out with its setback, never treated")] if kept else []


def _stops(axes: Any, result: Result, target: TargetResult) -> Legend:
    drawn: Legend = []
    rows = [row for row in result.observations if row.target == target.name]
    kinds = {"stop that was not used": UNUSED, "edge stop, decides the strip": EDGE, "stop": USED}
    for words, look in kinds.items():
        here = [row for row in rows if _kind(row, result) == words]
        if here:
            east, north = zip(*((row.easting, row.northing) for row in here), strict=True)
            axes.plot(east, north, linestyle="none", zorder=7, clip_on=True, **look)
            drawn.append((look | {"linestyle": "none"}, words))
    return drawn[::-1]


def _kind(row: Observation, result: Result) -> str:
    if row.used:
        return "stop"
    return "edge stop, decides the strip" if tables.decides_strip(row, result) else "stop that was not used"


def patch(ground: BaseGeometry, look: Look, *, hatch_width: float = 1.0, **more: Any) -> Any:
    """Make one patch of polygons with their holes."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    polygons = [part for part in shapely.get_parts(ground) if isinstance(part, Polygon)]
    rings = [ring for part in shapely.orient_polygons(polygons) for ring in (part.exterior, *part.interiors)]
    path = Path.make_compound_path(*(Path(shapely.get_coordinates(ring), closed=True) for ring in rings))
    patch = PathPatch(path, **(look or {"facecolor": "none"}), **more)
    patch.set_hatch_linewidth(hatch_width)
    return patch


# The money ---------------------------------------------------------------------------------------


def draw_money(paper: Paper, money: Money, words: str) -> None:
    """Draw what each choice earns as bars from zero, and the range of the map's lead, below a line of text."""
    bars = [("by the map", money.map, "//"), ("treat all", money.all, "xx"), ("treat nothing", money.none, "")]
    rows = [(name, 0.0, value, hatch) for name, value, hatch in bars if value is not None]
    if money.range is not None:
        other = "all" if money.all >= money.none else "nothing"
        rows.append((f"map less {other}, 5-95 %", *money.range, "|||"))
    paper.keep(BAR * (len(rows) + 2))
    paper.block(words)
    ends = [0.0, *(end for row in rows for end in row[1:3])]
    scale = (INSIDE - BAR_NAMES - BAR_FIGURES) / max(max(ends) - min(ends), 1e-9)
    zero, top = MARGIN + BAR_NAMES - min(ends) * scale, paper.top + 2
    for name, start, end, hatch in rows:
        paper.top += BAR
        told = text.money(end, money.currency) if start == 0 else _between(start, end, money.currency)
        paper.put(name, MARGIN, paper.top - 4, size=SMALL)
        low, high = sorted((start, end))
        look = {"facecolor": "#dfe6e4", "edgecolor": INK, "hatch": hatch, "linewidth": 0.8}
        paper.box(zero + low * scale, paper.top - BAR + 3, max((high - low) * scale, 0.8), BAR - 5, **look)
        paper.put(told, MARGIN + INSIDE, paper.top - 4, size=SMALL, bold=True, align="right")
    paper.box(zero, top - 2, 0, paper.top - top + 4, edgecolor=INK, linewidth=1.2)
    paper.top += 6


def _between(low: float, high: float, currency: str) -> str:
    return f"{text.number(low)} to {text.money(high, currency)}"
