"""Vehicle identification numbers: what can be said of one without a register.

Source: 49 CFR 565.15 (characters, and the check digit in position 9, which is required of
vehicles for the North American market only; elsewhere ISO 3779 leaves the position free).
"""

_NORTH_AMERICA = "12345"
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_VALUES = {
    **{digit: int(digit) for digit in "0123456789"},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}


def check_digit(vin: str) -> str:
    """The digit (or X) that position 9 of a North American number holds.

    Raises:
        KeyError: a character that no VIN holds (I, O, Q, punctuation).
    """
    total = sum(weight * _VALUES[character] for weight, character in zip(_WEIGHTS, vin, strict=True))
    return "0123456789X"[total % 11]


def doubt(vin: str) -> str | None:
    """Why a VIN looks mistyped, or None; a warning only, never a reason to refuse it."""
    if len(vin) != 17:
        return f"VIN {vin} has {len(vin)} characters, not 17"
    strange = sorted({character for character in vin if character not in _VALUES})
    if strange:
        return f"VIN {vin} holds {', '.join(strange)}, which no VIN does"
    if check_digit(vin) == vin[8]:
        return None
    if vin[0] in _NORTH_AMERICA:
        return f"VIN {vin}: position 9 should be {check_digit(vin)} by 49 CFR 565.15; check for a typing error"
    return f"VIN {vin} has no North American check digit, and need not outside North America"
