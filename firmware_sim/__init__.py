"""The simulated board: firmware, electrical plant, sensors, faults, servers.

Never imports ``bench.electrical`` or ``bench.air``: the plant that makes measurements and the
model that explains them are written apart, so that one mistake cannot hide in both.
"""
