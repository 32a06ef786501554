"""Colours against outside formulas: CIE lightness, WCAG contrast, and simulated colour blindness."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.show import assets
from rxmap.show.layers import STYLES
from rxmap.show.ramp import CHANCE, PRESSURE, TREATED, ZONES, ramp
from rxmap.show.scale import LIMIT

# Machado, Oliveira and Fernandes (2009), A physiologically-based model for simulation of color vision
# deficiency, IEEE TVCG 15(6):1291-1298, severity 1.0, applied to linear RGB; from memory.
EYES = {
    "usual": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
RAMPS = {"pressure": PRESSURE, "chance": CHANCE, "treated": TREATED}


def linear(colour: str) -> np.ndarray:
    """Linear RGB of #rrggbb, as WCAG 2.2 defines relative luminance."""
    rgb = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def luminance(colour: str) -> float:
    return float(linear(colour) @ [0.2126, 0.7152, 0.0722])


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, contrast ratio."""
    low, high = sorted([luminance(one), luminance(other)])
    return (high + 0.05) / (low + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of linear sRGB, D65 (CIE 15:2004; IEC 61966-2-1 primaries)."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    ratio = to_xyz @ np.clip(rgb, 0, 1) / to_xyz.sum(axis=1)
    x, y, z = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def channels(colour: str) -> np.ndarray:
    return np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)])


def test_the_red_of_a_screen_comes_out() -> None:
    # L*C*h of sRGB red, common tables, from memory; within 6 of 255, for a primary lies on the gamut's edge
    assert np.abs(channels(ramp([(53.24, 104.55, 40.0)], 1)[0]) - [255, 0, 0]).max() <= 6


@given(st.tuples(*[st.integers(40, 215)] * 3))
def test_a_colour_comes_back_from_its_lightness_chroma_and_hue(rgb: tuple[int, int, int]) -> None:
    lightness, a, b = lab(linear("#" + bytes(rgb).hex()))
    back = ramp([(lightness, float(np.hypot(a, b)), float(np.degrees(np.arctan2(b, a))))], 1)[0]
    assert np.abs(channels(back) - rgb).max() <= 1  # rounding, and matrices of four digits here


@pytest.mark.parametrize("name", RAMPS)
def test_darker_is_always_more(name: str) -> None:
    lightness = [lab(linear(colour))[0] for colour in RAMPS[name]]
    assert max(np.diff(lightness)) < -8  # 2 to 3 units is what an eye just tells apart (CIE76, common practice)


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("name", RAMPS)
def test_every_eye_tells_neighbouring_classes_apart(name: str, eye: str) -> None:
    seen = [lab(np.asarray(EYES[eye]) @ linear(colour)) for colour in RAMPS[name]]
    steps = [float(np.linalg.norm(one - other)) for one, other in pairwise(seen)]
    assert min(steps) > 9


@pytest.mark.parametrize("name", ["--ink", "--quiet", "--link", "--warn"])
def test_text_on_white_has_the_contrast_of_wcag_aa(name: str) -> None:
    colour = re.search(rf"{name}: (#[0-9a-f]{{6}})", assets.own("map.css"))[1]
    assert contrast(colour, "#ffffff") >= 4.5  # WCAG 2.2, success criterion 1.4.3


def test_outlines_stand_out_from_what_they_part() -> None:
    for fill in [*TREATED, *ZONES, STYLES["untreated"]["fill"], STYLES["keep-out"]["fill"]]:
        assert contrast(STYLES["boundary"]["stroke"], fill) >= 3  # WCAG 2.2, success criterion 1.4.11
    for fill in [*PRESSURE, *CHANCE]:
        assert max(contrast(LIMIT["stroke"], fill), contrast(LIMIT["halo"], fill)) >= 3


def test_treated_and_untreated_differ_without_any_colour() -> None:
    grey = [luminance(colour) for colour in TREATED]
    assert max(grey) < luminance(STYLES["untreated"]["fill"]) - 0.2
    assert "hatch" not in STYLES["untreated"]
