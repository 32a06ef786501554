"""All that printing loads at its first use: imported by the process that prints, while it waits for a task."""

from importlib import import_module

from rxmap.units import registry

__all__: list[str] = []

for name in ("rxmap.show.report", "rxmap.show.sheets", "matplotlib.backends.backend_pdf", "PIL.PngImagePlugin"):
    import_module(name)
registry()
