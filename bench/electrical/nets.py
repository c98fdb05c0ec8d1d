"""Which pins hang together by the drawing: a net is what wire, joints and loads join, whatever the direction."""

from bench.profiles.model import Joint, Load, Profile, Segment, pin_node
from bench.profiles.network import Graph, graph, reach


def nets(profile: Profile) -> list[frozenset[int]]:
    """The pins of each net, in the order of their lowest pin; a spare pin is a net of its own."""
    joined = _joined(profile)
    left = [pin.number for pin in profile.connector.pins]
    found = []
    while left:
        reached = reach(joined, [pin_node(left[0])])
        net = frozenset(number for number in left if number == left[0] or pin_node(number) in reached)
        found.append(net)
        left = [number for number in left if number not in net]
    return found


def _joined(profile: Profile) -> Graph:
    elements: list[Segment | Joint | Load] = [*profile.segments, *profile.joints, *profile.loads]
    return graph([*((each.a, each.b) for each in elements), *((each.b, each.a) for each in elements)])
