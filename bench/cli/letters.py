"""Words five rows high, so that a verdict can be read from the far end of a trailer's nose."""

_ROWS = 5
_SHAPES = {
    "A": (" ### ", "#   #", "#####", "#   #", "#   #"),
    "D": ("#### ", "#   #", "#   #", "#   #", "#### "),
    "E": ("#####", "#    ", "#### ", "#    ", "#####"),
    "F": ("#####", "#    ", "#### ", "#    ", "#    "),
    "I": ("###", " # ", " # ", " # ", "###"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#####"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#### ", "#    ", "#    "),
    "R": ("#### ", "#   #", "#### ", "#  # ", "#   #"),
    "S": (" ####", "#    ", " ### ", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#   #", "#   #", "#   #", "#   #", " ### "),
}


def tall(text: str, ink: str = "#") -> str:
    """The words of ``text`` in tall letters, one word below the other; ``ink`` is a single character.

    Raises:
        KeyError: a letter that no verdict needs.
    """
    return "\n\n".join(_tall_word(word, ink) for word in text.split())


def _tall_word(word: str, ink: str) -> str:
    shapes = [_SHAPES[letter] for letter in word]
    return "\n".join("  ".join(shape[row] for shape in shapes) for row in range(_ROWS)).replace("#", ink)
