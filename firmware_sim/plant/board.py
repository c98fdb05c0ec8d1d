"""The board's side of the connector: fixed values of its power stage."""

PROBE_OHM = 1000.0
PULSE_OHM = {12: 10.0, 24: 20.0}
PULL_DOWN_OHM = 100_000.0
REFERENCE_OHM = 10.0
DRIVE_SWITCH_OHM = 0.010  # high-side switch with its shunt
RETURN_SWITCH_OHM = 0.005
GROUND_PIN_LEAD_OHM = 0.001  # from each ground pin to the common return, when there are several
LEAST_SUPPLY_OHM = 1e-4
OPEN_OHM = 1e9
BOARD_WARMER_THAN_AIR_K = 5.0
HOT_BOARD_DEGC = 95.0
RESISTOR_SIGMA = 0.004  # of probe and pulse resistors, one draw per board; scaled by the scenario's spread
