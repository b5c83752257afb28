"""The try-out: one accelerated batch on the simulated bench, through the real processes, from the wire to the phone."""
