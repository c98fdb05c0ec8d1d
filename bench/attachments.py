"""Names of the files that the bench itself keeps beside every record."""

PROFILE = "profile.json"
INSPECTION = "inspection.json"
PARTS = "measurements-"  # readings, one file a step: the name begins so


def is_own(name: str) -> bool:
    """Whether the bench keeps a file of that name itself."""
    return name in (PROFILE, INSPECTION) or name.startswith(PARTS)
