"""Everything between the simulated bench and the real drivers: bench time, the bus, the pins, the serial lines."""
