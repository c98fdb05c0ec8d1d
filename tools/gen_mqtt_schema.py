"""Write ``bench/mqtt/schema.json`` from the forms of the messages; ``--check`` says whether it is fresh."""

import argparse
import json
import sys
from pathlib import Path

from bench.mqtt.messages import schema

FILE = Path(__file__).parent.parent / "bench" / "mqtt" / "schema.json"


def text() -> str:
    """Text of the schema file."""
    return json.dumps(schema(), indent=1, ensure_ascii=False) + "\n"


def main() -> int:
    """Write the schema, or check it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="change nothing; exit 1 when it is stale")
    if not parser.parse_args().check:
        FILE.write_text(text(), encoding="utf-8")
        return 0
    fresh = FILE.exists() and FILE.read_text(encoding="utf-8") == text()
    if not fresh:
        print("bench/mqtt/schema.json is stale: run python -m tools.gen_mqtt_schema", file=sys.stderr)
    return 0 if fresh else 1


if __name__ == "__main__":
    sys.exit(main())
