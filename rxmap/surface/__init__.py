"""From stops to a pressure surface: sampling noise, covariance, prediction, and the verdict."""

from __future__ import annotations

from rxmap.records import Measure
from rxmap.surface.kriging import Kriging
from rxmap.surface.model import PressureModel
from rxmap.surface.predictive import Blended, Predictive

__all__ = ["Blended", "Kriging", "Measure", "Predictive", "PressureModel"]
