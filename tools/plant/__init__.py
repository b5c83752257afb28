"""The simulated bench: physics of its own below the drivers, never the inverse of what the daemon reckons.

chance      streams of random numbers by name
chamber     gas volume, hose, pump, leak, resin          release   pores that let go of bubbles
gauge       pressure transducer                          oven      element, air, walls, dial thermostat
pieces      conduction, water, the resin's own heat      person    what a person does and says, and when
scenario    benches by name and by draw                  station   all of it, stepped together
makelogs    a whole batch as a log and its truth, without any wire
wire/       the same bench behind a fake bus, ptys and pins, under the real drivers
"""
