"""Program run by the tests of `publish`: write small folders, or the whole invented result, into one place.

Usage: publishing.py OUT once|forever small|whole
"""

from __future__ import annotations

import itertools
import os
import runpy
import sys
from pathlib import Path

from rxmap.errors import RxmapError
from rxmap.write.files import write_bytes
from rxmap.write.manifest import write_manifest
from rxmap.write.publish import staged


def fill(stage: Path, seed: int) -> None:
    """Five files that say which run wrote them."""
    for number in range(5):
        write_bytes(stage / "below" / f"{number}.txt", f"{seed}\n".encode() * 5000)
    write_manifest(stage, inputs=[], seed=seed, plan={})


def main(out: Path, times: str, what: str) -> None:
    """Publish once, or until killed."""
    if what == "whole":
        from dataclasses import replace

        from rxmap.write.folder import write_result

        result = runpy.run_path(str(Path(__file__).parents[1] / "conftest.py"))["make_result"]()
    if times == "unprivileged":
        os.setuid(65534)  # after the imports, which may need more than nobody may read
    for seed in itertools.count() if times == "forever" else [1]:
        with staged(out, replace=True) as stage:
            if what == "whole":
                write_result(replace(result, seed=seed), stage, pages={"map.html": f"run {seed}"})
            else:
                fill(stage, seed)
        if seed == 0:
            print("ready", flush=True)


if __name__ == "__main__":
    try:
        main(Path(sys.argv[1]), *sys.argv[2:])
    except RxmapError as error:
        print(type(error).__name__, error, file=sys.stderr)
        sys.exit(2)
