"""From stops to a pressure surface: sampling noise, covariance, prediction, and the verdict."""

from __future__ import annotations

from rxmap.surface.kriging import OrdinaryKriging
from rxmap.surface.model import Measure, PressureModel
from rxmap.surface.predictive import Predictive

__all__ = ["Measure", "OrdinaryKriging", "Predictive", "PressureModel"]
