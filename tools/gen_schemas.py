"""Write the JSON Schemas of all kinds of files to ``profiles/schema/``; ``--check`` says whether they are fresh."""

import argparse
import json
import sys
from pathlib import Path

from bench.profiles import json_schema, schema_kinds

FOLDER = Path(__file__).parent.parent / "profiles" / "schema"


def schema_texts() -> dict[str, str]:
    """Text of each schema file by its name."""
    return {
        f"{kind}.json": json.dumps(json_schema(kind), indent=1, ensure_ascii=False) + "\n" for kind in schema_kinds()
    }


def stale(folder: Path) -> list[str]:
    """Names of files in ``folder`` that are missing, outdated or of no kind any more."""
    wanted = schema_texts()
    there = {path.name: path.read_text(encoding="utf-8") for path in folder.glob("*.json")}
    return sorted(name for name in wanted.keys() | there.keys() if wanted.get(name) != there.get(name))


def main() -> int:
    """Exit code 1 when ``--check`` finds a stale file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="write nothing")
    if parser.parse_args().check:
        names = stale(FOLDER)
        sys.stdout.writelines(f"profiles/schema/{name} is stale: run python -m tools.gen_schemas\n" for name in names)
        return 1 if names else 0
    FOLDER.mkdir(exist_ok=True)
    for name, text in schema_texts().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
