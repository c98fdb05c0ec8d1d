"""Photos among the files that are kept with a record: what they are is told by how they begin, not by their names."""

LARGEST = 12_000_000  # bytes; a telephone's photo has 2 to 6 million

# The first bytes: PNG (ISO/IEC 15948, 5.2), JPEG (ISO/IEC 10918-1, B.1.1.3: start of image, then a marker).
_BEGINNINGS = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg"}


def media_type(data: bytes) -> str | None:
    """``image/png`` or ``image/jpeg``; None for anything else."""
    return next((kind for beginning, kind in _BEGINNINGS.items() if data.startswith(beginning)), None)
