"""One file a source: a pure decoder, and a thin reader around the port. Nothing here decides anything about the heat.

Temperature. `thermocouple` judges raw frames, standard library only: the guard uses it. `max31855` reads them, in the
thermometer process alone.

Pressure. `pressure.PressureSource` is what the service is given: `read(now_s)` gives a Reading of source "chamber" (Pa
absolute), or None for "nothing new", and never waits longer than a quarter of a second; `sources.pressure_source` makes
the one that the settings ask for. Behind it: `serial_gauge` (bytes to lines to numbers in `ascii_lines`),
`modbus_gauge` and `adc_gauge`, each with its arithmetic as a pure part of its own; `gauge` turns what any of them shows
into absolute pressure and says when silence is a fault; `port` opens a serial port, and opens it again.
"""
