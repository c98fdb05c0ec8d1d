"""Where profile files are: a path first, then a name in the data that comes with the program."""

from collections.abc import Iterable
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from pathlib import Path

from bench.errors import InputError

FOLDERS = {
    "board": ("boards",),
    "connector": ("connectors",),
    "harness": ("trailers", "lab"),
    "limits": ("limits",),
    "scenario": ("scenarios",),
    "sequence": ("sequences",),
}
TITLES = {
    "board": "board map",
    "connector": "connector",
    "harness": "profile",
    "limits": "limits file",
    "scenario": "scenario",
    "sequence": "sequence",
}
SUFFIXES = (".yaml", ".yml", ".json")


@cache
def data_root() -> Path:
    """Folder of the data that comes with the program: in the package, or ``profiles/`` beside it in a checkout."""
    package = Path(str(files("bench")))
    packaged = package / "_profiles"
    return packaged if packaged.is_dir() else package.parent / "profiles"


def names(kind: str) -> list[str]:
    """Sorted names of the files of a kind that come with the program."""
    return sorted(_catalogue(kind))


def _catalogue(kind: str) -> dict[str, Path]:
    folders = (data_root() / folder for folder in FOLDERS[kind])
    return {path.stem: path for folder in folders for path in sorted(folder.glob("*.yaml"))}


def find(kind: str, name_or_path: str | Path, beside: Path | None = None) -> Path:
    """The file that ``name_or_path`` means.

    Args:
        kind: a key of ``FOLDERS``.
        name_or_path: a path, or the name of a file that comes with the program.
        beside: folder that relative paths are tried in before the working directory.

    Raises:
        InputError: nothing is called so; the message has no place, the caller knows it.
    """
    text = str(name_or_path)
    for candidate in _as_paths(text, beside):
        if _is_file(candidate):
            return candidate
    catalogue = _catalogue(kind)
    if text in catalogue:
        return catalogue[text]
    raise InputError(f"no {TITLES[kind]} '{text[:80]}'{near(text, catalogue)}")


def _as_paths(text: str, beside: Path | None) -> list[Path]:
    """Paths to try, best first. A bare name is a path only when it has a file's ending."""
    path = Path(text)
    if path.suffix.lower() not in SUFFIXES and len(path.parts) < 2:
        return []
    relative = [] if beside is None or path.is_absolute() else [beside / path]
    inside = [data_root().joinpath(*path.parts[1:])] if path.parts[:1] == ("profiles",) else []
    return [*relative, path, *inside]


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def near(name: str, known: Iterable[str]) -> str:
    """``: did you mean 'x'?``, or the whole choice when it is short, or nothing."""
    choices = sorted(known)
    close = get_close_matches(name[:80], choices, n=1, cutoff=0.6)
    if close:
        return f": did you mean '{close[0]}'?"
    if 0 < len(choices) <= 12:
        return f"; choose from {', '.join(choices)}"
    return ""
