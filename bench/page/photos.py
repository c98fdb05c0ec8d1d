"""Photos of a finding: only what is really a picture gets in, and only its pixels stay.

Whatever a phone sends is decoded and written anew as JPEG: no position, no name, no second file behind the first.
"""

import io
import warnings

from bench.errors import InputError

MOST_BYTES = 12_000_000
MOST_PIXELS = 50_000_000
LONGEST_SIDE = 1600
FORMATS = ("JPEG", "PNG", "WEBP")


def cleaned(data: bytes) -> bytes:
    """A JPEG of the picture in ``data``, at most 1600 pixels on its longer side.

    Raises:
        InputError: it is too big, or no JPEG, PNG or WebP picture.
    """
    from PIL import Image, ImageOps

    if len(data) > MOST_BYTES:
        raise InputError(f"the photo has {len(data) / 1e6:.0f} MB: at most {MOST_BYTES // 1_000_000} MB")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=FORMATS) as picture:
                if picture.width * picture.height > MOST_PIXELS:
                    raise InputError("the photo has too many pixels: send a smaller one")
                upright = ImageOps.exif_transpose(picture).convert("RGB")
    except InputError:
        raise
    except Exception as error:  # a decoder fails in many ways; each means that this is no picture we take
        raise InputError("this is no photo: send a JPEG, PNG or WebP picture") from error
    upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    out = io.BytesIO()
    upright.save(out, "JPEG", quality=82, optimize=True)
    return out.getvalue()
