"""The simulated board: `machine`, `time` and other modules, and a register-level model of the sensor chip."""
