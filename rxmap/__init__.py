"""From scouting stops to pressure surfaces, management zones and a zone file that the sprayer reads."""

__version__ = "0.1.0"

__all__ = ["__version__"]
