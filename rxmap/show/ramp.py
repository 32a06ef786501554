"""Colours that say more by being darker, for any eye and for a black-and-white print.

The ramps are our own: a few anchors in CIE L*C*h, straight lines between them, lightness falling
in equal steps. Lightness survives every kind of colour blindness and a grey printer, so that it
alone orders the classes; hue only helps.

References
----------
CIE 15:2004 for L*a*b* and its inverse; IEC 61966-2-1 for sRGB and its D65 matrix (both from memory).
"""

from __future__ import annotations

import numpy as np

from rxmap.grid import FloatArray

D65 = np.array([0.95047, 1.0, 1.08883])  # white point of sRGB, CIE 1931 2 degree observer
XYZ_TO_RGB = np.array(
    [[3.2404542, -1.5371385, -0.4985314], [-0.9692660, 1.8760108, 0.0415560], [0.0556434, -0.2040259, 1.0572252]]
)

Anchor = tuple[float, float, float]  # lightness 0-100, chroma, hue [degree]


def ramp(anchors: list[Anchor], steps: int) -> list[str]:
    """Blend anchors, equally spaced, into `steps` colours.

    Parameters
    ----------
    anchors : list of (lightness, chroma, hue)
        CIE L* 0 to 100, chroma, and hue [degree].
    steps : int
        How many colours.

    Returns
    -------
    list of str
        ``#rrggbb``.

    Examples
    --------
    >>> ramp([(100, 0, 0), (0, 0, 0)], 3)
    ['#ffffff', '#777777', '#000000']
    """
    at = np.linspace(0.0, len(anchors) - 1.0, steps)
    lightness, chroma, hue = (np.interp(at, range(len(anchors)), part) for part in zip(*anchors, strict=True))
    return [_hex(np.array(lch)) for lch in zip(lightness, chroma, hue, strict=True)]


def _hex(lch: FloatArray) -> str:
    rgb = _srgb(lch)
    while rgb.min() < -1e-4 or rgb.max() > 1 + 1e-4:  # outside what a screen shows: paler, same lightness and hue
        lch = lch * [1.0, 0.97, 1.0]
        rgb = _srgb(lch)
    return "#" + "".join(f"{round(255 * float(part)):02x}" for part in np.clip(rgb, 0, 1))


def _srgb(lch: FloatArray) -> FloatArray:
    lightness, chroma, hue = lch[0], lch[1], np.radians(lch[2])
    middle = (lightness + 16) / 116
    cubes = np.array([middle + chroma * np.cos(hue) / 500, middle, middle - chroma * np.sin(hue) / 200])
    xyz = D65 * np.where(cubes > 6 / 29, cubes**3, 3 * (6 / 29) ** 2 * (cubes - 4 / 29))
    linear = XYZ_TO_RGB @ xyz
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.abs(linear) ** (1 / 2.4) - 0.055))


# Pressure: straw, clay, plum, night. Seven classes, 11 units of lightness apart.
PRESSURE = ramp([(93, 18, 100), (78, 42, 75), (59, 52, 42), (42, 46, 5), (24, 34, -55)], 7)

# How sure above the threshold: watery below an even chance, earthy above it, and darker all the way.
CHANCE = ramp([(95, 6, 215), (86, 16, 218), (76, 26, 222)], 3) + ramp([(60, 50, 62), (45, 52, 50), (28, 38, 38)], 3)

# Treated ground, lowest rate to highest; a single rate takes the middle. No hue of the other ramps.
TREATED = ramp([(84, 26, 170), (69, 38, 172), (54, 38, 174)], 3)

# Zones have no order: pale tints that differ in hue, told apart by hatch and number.
ZONES = ramp([(92, 16, 95), (88, 18, 160), (90, 14, 230), (87, 16, 300), (91, 14, 30)], 5)
