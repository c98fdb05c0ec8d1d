"""The little that lists want to know of a record's profile, far quicker than by loading it, which checks all of it."""

import json
from typing import TYPE_CHECKING

from bench import attachments
from bench.units import System

if TYPE_CHECKING:
    from bench.records.store import Store


def units_kept(store: "Store", run_id: str) -> System:
    """Which units the profile of a record puts first, as it was then; those of the United States when none is kept."""
    kept = store.attachment(run_id, attachments.PROFILE)
    return "metric" if kept and json.loads(kept).get("units") == "metric" else "us"
