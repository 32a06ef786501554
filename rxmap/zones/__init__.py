"""Zones: clustering, how good a clustering is, and cells drawn as polygons."""
