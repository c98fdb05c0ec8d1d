"""Where a person finds a place of the drawing: "pin 4's contact, at the nose", "between mid and sill"."""

from bench.profiles.model import CHASSIS, Joint, Profile, Segment
from bench.results import Where

PIN = "pin"


def whereabouts(profile: Profile, where: Where) -> str:
    """The place in words; empty where the drawing says no more than its name."""
    for load in profile.loads:
        if load.name == where.name:
            return load.place
    for joint in profile.joints:
        if joint.name == where.name:
            return _of_joint(joint)
    for segment in profile.segments:
        if segment.name == where.name:
            return _between(segment)
    return ""


def at_node(profile: Profile, node: str) -> str:
    """A node in words: the plug or lamp that it belongs to, and the spot."""
    joint = next((each for each in profile.joints if node in (each.a, each.b)), None)
    load = next((each for each in profile.loads if node == each.a), None)
    owner = joint.name if joint else load.name if load else ""
    return f"{owner}, at the {_spot(node)}" if owner else f"at the {_spot(node)}"


def _of_joint(joint: Joint) -> str:
    contact = next((node for node in (joint.a, joint.b) if node.split(".")[0] == PIN), None)
    if contact is not None:
        other = joint.b if contact == joint.a else joint.a
        return f"pin {contact.split('.')[1]}'s contact, at the {_spot(other)}"
    return _between(joint)


def _between(part: Segment | Joint) -> str:
    one, other = _spot(part.a), _spot(part.b)
    return f"at {one}" if one == other else f"between {one} and {other}"


def _spot(node: str) -> str:
    """Nodes are named by the spot they are at, then by the core."""
    if node == CHASSIS:
        return "frame"
    return node.rsplit(".", 1)[0] if "." in node else node
