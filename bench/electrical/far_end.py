"""Where the far end of a circuit's wire can be reached, to clip the sense lead on."""

from dataclasses import dataclass

from bench.electrical.harness import build
from bench.electrical.whereabouts import at_node
from bench.profiles.model import Circuit, Profile, pin_node


@dataclass(frozen=True, slots=True)
class FarEnd:
    """A node of the drawing; ``words`` say where a person finds it, ``from_connector_m`` along the wire."""

    node: str
    words: str
    from_connector_m: float


def far_end(profile: Profile, circuit: Circuit) -> FarEnd | None:
    """The farthest plug on a circuit's wire, where a contact is bare; without one its farthest lamp."""
    harness = build(profile, [end for joint in profile.joints for end in (joint.a, joint.b)])
    distance_m = harness.distance_m
    fed = {node for node in harness.nodes if circuit.name in harness.live_side.get(node, ())}
    front = pin_node(circuit.pin)
    plugs = {joint.b for joint in profile.joints if not joint.ground and front not in (joint.a, joint.b)} & fed
    lamps = {load.a for load in profile.loads_of(circuit.name)} & fed
    reachable = [node for node in plugs or lamps if node in distance_m]
    if not reachable:
        return None
    node = max(reachable, key=lambda each: (distance_m[each], each))
    return FarEnd(node, at_node(profile, node), round(distance_m[node], 2))
