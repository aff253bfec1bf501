"""Makes docs/annotated_lot.jpg, the README's picture, from an annotated picture of the demo.

`lotproof demo` prints where it put its pictures; give this script the one of the marketplace lot.
"""

import sys
from pathlib import Path

from PIL import Image

TARGET = Path(__file__).with_name("annotated_lot.jpg")
WIDTH = 1200


def main(source: Path) -> None:
    """Write a smaller copy of `source`."""
    with Image.open(source) as picture:
        size = WIDTH, round(WIDTH * picture.height / picture.width)
        picture.convert("RGB").resize(size, Image.Resampling.LANCZOS).save(
            TARGET, quality=76, optimize=True, progressive=True
        )
    print(f"{TARGET.name} written, {TARGET.stat().st_size} bytes.")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
