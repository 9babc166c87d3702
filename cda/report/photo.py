"""Photos for the page: small, turned upright, and without a word about where they were taken."""

from __future__ import annotations

import base64
import io
import warnings
from typing import Final

LARGEST_BYTES: Final = 40_000
LONGEST_SIDE_PX: Final = 480
SMALLEST_SIDE_PX: Final = 120
MOST_PIXELS: Final = 60_000_000


def photo_uri(data: bytes) -> str | None:
    """Return a photo as a data URI of at most 40 KB without metadata; None if it is no picture.

    Parameters
    ----------
    data : bytes
        The file as it lies in the test folder.

    Returns
    -------
    uri : str or None
        `data:image/jpeg;base64,...`; the pixels are drawn anew, so no metadata survives.
    """
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data)) as opened:
                if opened.width * opened.height > MOST_PIXELS:
                    return None
                upright = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, ValueError, SyntaxError, Warning, Image.DecompressionBombError):
        return None
    bare = Image.new("RGB", upright.size)
    bare.paste(upright)
    side = LONGEST_SIDE_PX
    while side >= SMALLEST_SIDE_PX:
        small = bare.copy()
        small.thumbnail((side, side))
        for quality in (82, 70, 55):
            out = io.BytesIO()
            small.save(out, format="JPEG", quality=quality, optimize=True)
            if len(out.getvalue()) <= LARGEST_BYTES * 3 // 4:  # base64 adds a third
                return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode()
        side = side * 3 // 4
    return None
