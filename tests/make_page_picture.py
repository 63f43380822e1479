"""Draw the picture of the page that the README shows: the demonstration at a desk and on a phone.

    python tests/make_page_picture.py

writes tests/pictures/demonstration-page.png again. It needs Chromium; what it shows is invented.
"""

from __future__ import annotations

import io
import subprocess
import sys
import tempfile
from pathlib import Path

import chromium
from PIL import Image

PICTURE = Path(__file__).parent / "pictures" / "demonstration-page.png"
HEIGHT, GAP = 1240, 24


def main() -> None:
    """Write the picture, in few colours, so that it stays small."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file = folder / "brief.html"
        words = ["-m", "wxgate", "page", "--demo", "--out", str(file)]
        subprocess.run([sys.executable, *words], check=True)
        with chromium.chromium(folder) as driver:
            parts = []
            for width, dark in ((768, False), (360, True)):
                chromium.open_page(driver, file, width=width, dark=dark)
                parts.append(Image.open(io.BytesIO(chromium.picture(driver, height=HEIGHT))))
    wide = sum(part.width for part in parts) + GAP
    whole = Image.new("RGB", (wide, HEIGHT), "#9aa3a9")
    left = 0
    for part in parts:
        whole.paste(part, (left, 0))
        left += part.width + GAP
    PICTURE.parent.mkdir(exist_ok=True)
    few = whole.quantize(256, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    few.save(PICTURE, optimize=True)
    sys.stdout.write(f"{PICTURE.name}: {PICTURE.stat().st_size} bytes\n")


if __name__ == "__main__":
    main()
