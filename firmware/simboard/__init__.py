"""A stand-in for the board: simulated `machine` and `time` modules and register-level models of the sensor chips."""
