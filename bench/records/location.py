"""Where records live when nobody says: the platform's place for a user's application data."""

import os
import sys
from collections.abc import Mapping
from pathlib import Path

_FILE = "records.sqlite"


def default_path(
    environ: Mapping[str, str] = os.environ, platform: str = sys.platform, home: Path | None = None
) -> Path:
    """The default database file.

    Source: XDG Base Directory Specification (``$XDG_DATA_HOME``, else ``~/.local/share``; relative values
    are ignored); Application Support on macOS and ``%LOCALAPPDATA%`` on Windows are those systems' own rules.
    """
    home = home or Path.home()
    if platform == "win32":
        return Path(environ.get("LOCALAPPDATA") or home / "AppData" / "Local") / "Umbilical" / _FILE
    if platform == "darwin":
        return home / "Library" / "Application Support" / "Umbilical" / _FILE
    data_home = Path(environ.get("XDG_DATA_HOME", ""))
    return (data_home if data_home.is_absolute() else home / ".local" / "share") / "umbilical" / _FILE
