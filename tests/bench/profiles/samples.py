"""A small sound harness, and ways to spoil it."""

HARNESS = """\
title: A bench harness
kind: harness
connector: sae-j560
limits: electrical
circuits:
  stop: {pin: 4, title: stop}
  tail: {pin: 6, title: tail}
segments:
  wire.stop: {from: pin.4, to: rear.stop, awg: 12, length_ft: 50}
  wire.tail: {from: pin.6, to: rear.tail, awg: 12, length_m: 15}
  wire.ground: {from: pin.1, to: rear.ground, awg: 8, length_ft: 50}
joints:
  bond: {from: rear.ground, to: chassis}
loads:
  stop.left: {lamp: bulb-1156, from: rear.stop, to: rear.ground, place: rear left}
  stop.right: {lamp: bulb-1156, from: rear.stop, to: rear.ground, place: rear right}
  tail.left: {lamp: bulb-67, from: rear.tail, to: rear.ground}
"""
