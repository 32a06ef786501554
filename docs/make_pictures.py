"""Make the pictures of README and docs from the samples: `python docs/make_pictures.py`.

Needs rxmap with its test packages, and a Chromium on the path. The pictures of the gallery are those that its own
blocks save. Nothing is drawn at random but what a seed draws, so a second run on one machine gives the same
pictures; another machine's fonts give others. Look at them before you commit them.
"""

from __future__ import annotations

import contextlib
import io
import re
import shutil
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import sync_playwright

from rxmap.pipeline import build

ROOT = Path(__file__).parent.parent
PICTURES = ROOT / "docs" / "pictures"
COLOURS = 128  # of the palette: flat maps lose nothing, and the repository stays small
WIDTH = 1180  # [pixel]
MARGIN = 16  # [pixel] below the map
ARGUMENTS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
).split()

# Picture: sample, and the layer to choose by its name on the page; None takes the page from its top.
SHOTS = {
    "map.png": ("larkspur", None),
    "pressure.png": ("larkspur", "amber seed weevil: Pressure"),
    "chance.png": ("larkspur", "amber seed weevil: Chance above the threshold"),
    "uniform.png": ("teasel", None),
    "steps.png": ("burnet", None),
}


def main() -> None:
    """Build the samples, run the gallery, and take every picture."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        for page in ("gallery.md", "surfaces.md"):
            gallery(Path(folder), page)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as running:
        for sample in dict.fromkeys(sample for sample, _ in SHOTS.values()):
            build(ROOT / "sample_layers" / sample / "plan.toml", Path(folder) / sample)
        browser = running.chromium.launch(executable_path=shutil.which("chromium"), args=ARGUMENTS)
        page = browser.new_page(viewport={"width": WIDTH, "height": 900})
        for name, (sample, layer) in SHOTS.items():
            page.goto((Path(folder) / sample / "map.html").as_uri())
            save(PICTURES / name, shot(page, layer))
        browser.close()


def gallery(folder: Path, page: str) -> None:
    """Run the Python of a page as far as the last picture, and keep what it saves."""
    text = (ROOT / "docs" / page).read_text(encoding="utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    last = max(number for number, block in enumerate(blocks) if "savefig" in block)
    shutil.copytree(ROOT / "sample_layers", folder / "sample_layers", dirs_exist_ok=True)
    names: dict[str, Any] = {}
    with contextlib.chdir(folder), contextlib.redirect_stdout(io.StringIO()):
        for block in blocks[: last + 1]:
            exec(compile(block, page, "exec"), names)
    for picture in sorted(folder.glob(f"{Path(page).stem}_*.png")):
        save(PICTURES / picture.name, picture.read_bytes())


def shot(page: Any, layer: str | None) -> bytes:
    """Picture from the page's top, or from the map for a chosen layer, down to the end of map and legend."""
    page.locator(".map path").first.wait_for(state="attached")
    if layer is not None:
        page.get_by_role("radio", name=layer).check()
    page.add_style_tag(content="#panel { visibility: hidden }")  # it speaks of a place, and none is chosen
    page.wait_for_timeout(500)  # [ms] for the map to settle
    boxes = [page.locator(place).bounding_box() for place in (".map", "#sentence", "#more", "#legend")]
    top = 0 if layer is None else boxes[0]["y"] - MARGIN
    bottom = max(box["y"] + box["height"] for box in boxes if box) + MARGIN  # what says nothing has no box
    return bytes(page.screenshot(full_page=True, clip={"x": 0, "y": top, "width": WIDTH, "height": bottom - top}))


def save(path: Path, picture: bytes) -> None:
    """Write a picture with a palette."""
    Image.open(io.BytesIO(picture)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(path, optimize=True)
    print(f"{path.relative_to(ROOT)}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
