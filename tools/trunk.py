"""A made-up harness of many pins, all alike, for benches of several boards: pairs of pins, joined by resistors."""

from pathlib import Path

PAIR_OHM = 1000.0


def write_trunk(folder: Path, pins: int, faults: str = "[]") -> Path:
    """A scenario of a harness with ``pins`` live pins and two earth pins.

    Each pin has a resistor to ground; pin n and pin n + half another one between them, of the same size.
    """
    half = pins // 2
    grounds = (pins + 1, pins + 2)
    live = "\n".join(f"  {n}: {{function: way {n}, colour: white, mm2: 0.5, at: [0, 0]}}" for n in range(1, pins + 1))
    earth = "\n".join(
        f"  {n}: {{function: ground, ground: true, colour: black, mm2: 2.5, at: [0, 0]}}" for n in grounds
    )
    (folder / "trunk-connector.yaml").write_text(
        "title: Trunk\nstandard: none\nnominal_v: 12\nmark: common-practice\nsource: made for a test\n"
        f"pins:\n{live}\n{earth}\n"
    )
    circuits = "\n".join(f"  way-{n}: {{pin: {n}, title: way {n}, lit: false}}" for n in range(1, pins + 1))
    wires = "\n".join(f"  wire.{n}: {{from: pin.{n}, to: node.{n}, mm2: 0.5, length_m: 2}}" for n in range(1, pins + 1))
    ways = "\n".join(f"  earth.{n}: {{from: pin.{n}, to: common, mm2: 2.5, length_m: 2}}" for n in grounds)
    loads = "\n".join(
        f"  end.{n}: {{resistor: {{ohm: {PAIR_OHM:g}}}, from: node.{n}, to: common, circuit: way-{n}, tolerance: 0.02}}"
        for n in range(1, pins + 1)
    )
    loads += "\n" + "\n".join(
        f"  link.{n}: {{resistor: {{ohm: {PAIR_OHM:g}}}, from: node.{n}, to: node.{n + half}, circuit: way-{n}, "
        "tolerance: 0.02}"
        for n in range(1, half + 1)
    )
    (folder / "trunk.yaml").write_text(
        f"title: Trunk\nkind: harness\nunits: metric\nconnector: trunk-connector.yaml\nlimits: machine-12v\n"
        f"circuits:\n{circuits}\nsegments:\n{wires}\n{ways}\nloads:\n{loads}\n"
    )
    scenario = folder / "scenario.yaml"
    scenario.write_text(f"profile: trunk.yaml\nseed: 5\noperator: {{clear-to-power: yes}}\nfaults: {faults}\n")
    return scenario
