"""Standard streams that never fail on a sign the terminal lacks: it is written out instead."""

import codecs
import io
import sys

_WRITTEN_OUT = {
    "Ω": "ohm", "°": " deg ", "±": "+/-", "µ": "u", "²": "2", "³": "3", "×": "x", "·": "-",
    "−": "-", "–": "-", "—": "-", "≤": "<=", "≥": ">=", "…": "...", "∞": "infinite", "█": "#",
}  # fmt: skip
HANDLER = "umbilical-written-out"


def written_out(error: UnicodeError) -> tuple[str, int]:
    """Codec error handler: common signs in ASCII, anything else as a question mark."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    signs = error.object[error.start : error.end]
    return "".join(_WRITTEN_OUT.get(sign, "?") for sign in signs), error.end


def prepare() -> None:
    """Make stdout and stderr write out what their encoding lacks."""
    codecs.register_error(HANDLER, written_out)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=HANDLER)
