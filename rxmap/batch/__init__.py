"""Many fields: every plan below a folder, one field one task, on this machine or on a Dask cluster."""

from __future__ import annotations

from rxmap.batch.run import Run, run_batch

__all__ = ["Run", "run_batch"]
