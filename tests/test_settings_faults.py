"""Broken settings files: each gives exactly its messages, all in one go: key, line, what is allowed, the mend."""

from __future__ import annotations

import re
from typing import Final

import pytest

from lastbubble.errors import SettingsError
from lastbubble.settings import contradictions, load_text
from lastbubble.settings.contradictions import RULES, Rule
from lastbubble.settings.heat import RULE_KEYS

OVEN: Final = 'oven: {probes: [{name: oven, select_pin: 5}]}\nguard: {limit: "125 degC", relay_pin: 17}\n'
STATION: Final = "station: shed-bench\n" + OVEN
GAUGE: Final = (
    STATION + "chamber:\n  gauge:\n    kind: serial\n    port: /dev/serial/by-id/g\n    unit: mbar\n    reads: "
)

ADC: Final = (
    STATION
    + "chamber:\n  gauge:\n    kind: adc\n    reads: absolute\n"
    + "    low: '0 kPa'\n    high: '100 kPa'\n    divider: 1.6\n"
)
MODBUS: Final = (
    STATION + "chamber:\n  gauge:\n    kind: modbus\n    port: /dev/serial/by-id/g\n    unit: Pa\n    reads: absolute\n"
)

#: what it is about -> (the file, its messages)
BROKEN: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    "an empty file": (
        "",
        (
            "s.yaml: station is missing; allowed: a to z, 0 to 9 and dashes inside, up to 48 characters (the"
            " station's name); add it",
            "s.yaml: there is neither chamber (not written) nor oven (not written); allowed: one of them at "
            "least; describe what you have",
        ),
    ),
    "a station that is missing": (
        OVEN,
        (
            "s.yaml: station is missing; allowed: a to z, 0 to 9 and dashes inside, up to 48 characters (the"
            " station's name); add it",
        ),
    ),
    "a station name with a space": (
        "station: shed bench\n" + OVEN,
        (
            "s.yaml:1: station is 'shed bench'; allowed: a to z, 0 to 9 and dashes inside, up to 48 characte"
            "rs; it becomes part of topics and file names: write such as shed-bench",
        ),
    ),
    "a number for a name": (
        "station: 12\n" + OVEN,
        (
            "s.yaml:1: station is 12; allowed: a to z, 0 to 9 and dashes inside, up to 48 characters; put qu"
            "otes round it if it is meant so; it becomes part of topics and file names: write such as shed-b"
            "ench",
        ),
    ),
    "an unknown key, nearly right": (
        STATION + "untis: {temperature: degF}\n",
        (
            "s.yaml:4: untis is no key that is known; allowed station, units, barometer, altitude, chamber, "
            "oven, cure, guard, thermometer, ledger, mqtt, phone, page, plan, metrics, runtime_dir, log_level, "
            "simulated; did you mean units?",
        ),
    ),
    "an unknown key far inside": (
        STATION + "cure: {target_core: '93 degC', colour: red}\n",
        (
            "s.yaml:4: cure.colour is no key that is known; allowed in cure: target_core, hold, soak, initia"
            "tor; delete it",
        ),
    ),
    "a key twice": (
        STATION + "station: other\n",
        ("s.yaml:4: station stands here again; allowed: once (it is on line 1 already); delete one of the two",),
    ),
    "a number without its unit": (
        STATION + "cure: {target_core: 200}\n",
        (
            "s.yaml:4: cure.target_core is 200; allowed: 30 degC to 150 degC; a number needs its unit: write"
            ' "200 degF" (units: degC, degF, K)',
        ),
    ),
    "a number in quotes without its unit": (
        STATION + "cure:\n  target_core: '200'\n",
        (
            "s.yaml:5: cure.target_core is '200'; allowed: 30 degC to 150 degC; write a number with its unit"
            ', such as "67 degC" (units: degC, degF, K)',
        ),
    ),
    "a unit of another kind": (
        STATION + "cure: {hold: '30 mm'}\n",
        (
            "s.yaml:4: cure.hold is '30 mm'; allowed: 0 min to 2880 min; write a number with its unit, such "
            'as "1400 min" (units: s, ms, min, h, d)',
        ),
    ),
    "a unit that nobody knows": (
        STATION + "cure: {hold: '30 fortnights'}\n",
        (
            "s.yaml:4: cure.hold is '30 fortnights'; allowed: 0 min to 2880 min; write a number with its uni"
            't, such as "1400 min" (units: s, ms, min, h, d)',
        ),
    ),
    "a value out of range, in the person's unit": (
        STATION + "cure: {target_core: '400 degF'}\n",
        (
            "s.yaml:4: cure.target_core is '400 degF'; allowed: 30 degC to 150 degC (86 degF to 302 degF); w"
            "rite a value inside",
        ),
    ),
    "a value that is not a number": (
        STATION + "cure: {target_core: hot}\n",
        (
            "s.yaml:4: cure.target_core is 'hot'; allowed: 30 degC to 150 degC; write a number with its unit"
            ', such as "67 degC" (units: degC, degF, K)',
        ),
    ),
    "not a number": (
        STATION + "cure: {target_core: 'nan degC', hold: '1e999 s'}\n",
        (
            "s.yaml:4: cure.target_core is 'nan degC'; allowed: 30 degC to 150 degC; write a number with its"
            ' unit, such as "67 degC" (units: degC, degF, K)',
            "s.yaml:4: cure.hold is '1e999 s'; allowed: 0 min to 2880 min; write a number with its unit, suc"
            'h as "1400 min" (units: s, ms, min, h, d)',
        ),
    ),
    "a list where a value is wanted": (
        STATION + "cure: {target_core: ['93 degC']}\n",
        (
            "s.yaml:4: cure.target_core is a list of 1; allowed: 30 degC to 150 degC; write a number with it"
            's unit, such as "67 degC"',
        ),
    ),
    "a value where a group is wanted": (
        STATION + "cure: '93 degC'\n",
        ("s.yaml:4: cure is '93 degC'; allowed: a group of keys; indent `key: value` lines below it, or delete it",),
    ),
    "a value where a list is wanted": (
        "station: a\noven: {probes: oven}\nguard: {limit: '125 degC', relay_pin: 17}\n",
        ("s.yaml:2: oven.probes is 'oven'; allowed: a list; write one entry a line, each beginning with `- `",),
    ),
    "a display unit, nearly right": (
        STATION + "units: {temperature: F, pressure: torr}\n",
        (
            "s.yaml:4: units.temperature is 'F'; allowed: degC, degF; write one of them",
            "s.yaml:4: units.pressure is 'torr'; allowed: inHg vacuum, Torr, mbar, kPa, Pa; did you mean Torr?",
        ),
    ),
    "an initiator without data": (
        STATION + "cure: {initiator: sugar}\n",
        (
            "s.yaml:4: cure.initiator is 'sugar'; allowed: a name of shared/reference/initiators.csv: AIBN, "
            "benzoyl peroxide, lauroyl peroxide; look it up on the resin's safety data sheet, or delete the "
            "line (there are no data for sugar)",
        ),
    ),
    "a valve that is shut most of the time": (
        GAUGE + "absolute\n  valve: {pin: 6, every: 5 min, shut: 4 min}\n",
        (
            "s.yaml:10: chamber.valve.shut = '4 min' (line 10) shuts the chamber off for 4 min of every 5 min of "
            "chamber.valve.every = '5 min' (line 10); allowed: up to half of the time; isolate for a shorter time or "
            "less often",
        ),
    ),
    "a gauge of no known kind": (
        GAUGE.replace("kind: serial", "kind: usb") + "absolute\n",
        ("s.yaml:6: chamber.gauge.kind is 'usb'; allowed: serial, modbus, adc; write one of them",),
    ),
    "a gauge that does not say its kind": (
        GAUGE.replace("    kind: serial\n", "") + "absolute\n",
        ("s.yaml:5: chamber.gauge.kind is missing; allowed: serial, modbus, adc; add it, it says which keys follow",),
    ),
    "a gauge that does not say what it reads": (
        GAUGE.replace("    reads: ", ""),
        (
            "s.yaml:5: chamber.gauge.reads is missing; allowed: absolute, gauge, vacuum (what its zero is: `"
            "absolute` zero at perfect vacuum; `gauge` zero at atmosphere, negative below; `vacuum` zero at "
            "atmosphere, positive below. The last two need `barometer` or `altitude`); add it",
        ),
    ),
    "a gauge without the air of the day": (
        GAUGE + "vacuum\n",
        (
            "s.yaml:9: chamber.gauge.reads = 'vacuum' (line 9) counts from the air of the day, and neither b"
            'arometer nor altitude is written; allowed: such a gauge with one of them; add `altitude: "300 m'
            '"` or `barometer: "1013 hPa"`',
        ),
    ),
    "both barometer and altitude": (
        STATION + "barometer: '1002 hPa'\naltitude: '180 m'\n",
        (
            "s.yaml:5: both barometer = '1002 hPa' (line 4) and altitude = '180 m' (line 5) are written; all"
            "owed: one of them; delete the one that you trust less",
        ),
    ),
    "a pattern that is no regular expression": (
        GAUGE + "absolute\n    pattern: '(?P<value>['\n",
        (
            "s.yaml:10: chamber.gauge.pattern is '(?P<value>['; allowed: a regular expression with one group"
            " named value, and one named unit if the line tells its unit; write such as '(?P<value>[-+]?\\d+\\"
            ".\\d+) (?P<unit>\\w+)' (not a regular expression: unterminated character set at position 10)",
        ),
    ),
    "a pattern without its group": (
        GAUGE + "absolute\n    pattern: '(\\d+)'\n",
        (
            "s.yaml:10: chamber.gauge.pattern is '(\\\\d+)'; allowed: a regular expression with one group name"
            "d value, and one named unit if the line tells its unit; write such as '(?P<value>[-+]?\\d+\\.\\d+)"
            " (?P<unit>\\w+)' (it names no group)",
        ),
    ),
    "a baud rate that no port has": (
        GAUGE + "absolute\n    baud: 9601\n",
        (
            "s.yaml:10: chamber.gauge.baud is 9601; allowed: a whole number, 300, 600, 1200, 2400, 4800, 960"
            "0, 19200, 38400, 57600, 115200, 230400; take the one in the gauge's manual",
        ),
    ),
    "a key of another kind of gauge": (
        GAUGE + "absolute\n    divider: 1.5\n",
        (
            "s.yaml:10: chamber.gauge.divider is no key that is known; allowed in chamber.gauge: reads, zero"
            ", span, kind, port, baud, frame, pattern, unit, line_end, query, every, silence; delete it",
        ),
    ),
    "a converter input that is not there": (
        ADC + "    signal: ratiometric\n    chip: MCP3204\n    channel: 4\n",
        (
            "s.yaml:13: chamber.gauge.channel = '4' (line 13), and chamber.gauge.chip = 'MCP3204' (line 12) "
            "has 4 inputs; allowed: 0 to 3; count the inputs from 0",
        ),
    ),
    "the supply on the transducer's input": (
        ADC + "    signal: ratiometric\n    supply_channel: 0\n",
        (
            "s.yaml:12: chamber.gauge.supply_channel = '0' (line 12) is also chamber.gauge.channel (default "
            "0); allowed: two inputs; the supply needs its own",
        ),
    ),
    "more volts than the converter can see": (
        ADC.replace("1.6", "1.2") + "    signal: ratiometric\n",
        (
            "s.yaml:10: with chamber.gauge.divider = '1.2' (line 10) the converter would see 3.83 V, more th"
            "an chamber.gauge.reference (default '3.3 V'); allowed: a divider of at least 1.39; put two resi"
            "stors between, and write (R1 + R2) / R2",
        ),
    ),
    "a loop without its resistor": (
        ADC + "    signal: 4-20 mA\n",
        (
            "s.yaml:11: chamber.gauge.signal = '4-20 mA' (line 11) needs chamber.gauge.shunt (not written); "
            'allowed: 10 ohm to 1000 ohm; add such as `shunt: "150 ohm"`, as it is soldered',
        ),
    ),
    "a loop with a resistor too large": (
        ADC + "    signal: 4-20 mA\n    shunt: 0.5 kohm\n",
        (
            "s.yaml:12: over chamber.gauge.shunt = '0.5 kohm' (line 12) a broken sensor's 21 mA make 6.56 V,"
            " more than chamber.gauge.reference (default '3.3 V'); allowed: up to 251 ohm; take a smaller re"
            "sistor",
        ),
    ),
    "a loop that wants a supply": (
        ADC + "    signal: 4-20 mA\n    shunt: 150 ohm\n    supply_channel: 1\n",
        (
            "s.yaml:13: chamber.gauge.signal = '4-20 mA' (line 11) does not depend on chamber.gauge.supply_c"
            "hannel = '1' (line 13); allowed: supply_channel for ratiometric only; delete it",
        ),
    ),
    "a resistor where no loop is": (
        ADC + "    signal: ratiometric\n    shunt: 150 ohm\n",
        (
            "s.yaml:12: chamber.gauge.signal = 'ratiometric' (line 11) has no use for chamber.gauge.shunt = "
            "'150 ohm' (line 12); allowed: shunt for 4-20 mA only; delete one of the two",
        ),
    ),
    "one pressure for two signals": (
        ADC.replace("100 kPa", "0 Pa") + "    signal: ratiometric\n",
        (
            "s.yaml:9: chamber.gauge.low = '0 kPa' (line 8) is also chamber.gauge.high = '0 Pa' (line 9); al"
            "lowed: two pressures; take both from the transducer's data sheet",
        ),
    ),
    "a converter on the probe's pin": (
        ADC + "    signal: ratiometric\n    miso_pin: 5\n",
        (
            "s.yaml:12: chamber.gauge.miso_pin = '5' (line 12) is also oven.probes[0].select_pin = '5' (line"
            " 2); allowed: a pin for one use; wire one of them to another pin",
        ),
    ),
    "a converter on the bus of the thermocouples": (
        ADC + "    signal: ratiometric\n    clock_pin: 11\n",
        (
            "s.yaml:12: chamber.gauge.clock_pin is 11; allowed: a whole number, 2 to 6, 12 to 27; take anoth"
            "er free pin: the kernel toggles 7 and 8 in every transfer, so a converter there answers for oth"
            "ers",
        ),
    ),
    "a register that is no number": (
        MODBUS + "    address: 40001x\n",
        (
            "s.yaml:10: chamber.gauge.address is '40001x'; allowed: a whole number, 0 to 65535; the address "
            "on the wire, counted from 0 (manuals that say 40001 mean 0)",
        ),
    ),
    "a register at the end and two words": (
        MODBUS + "    address: 0xFFFF\n    type: f32\n",
        (
            "s.yaml:11: chamber.gauge.address = '0xFFFF' (line 10) is the last one, and chamber.gauge.type ="
            " 'f32' (line 11) needs two; allowed: 0 to 65534; look the address up in the gauge's manual",
        ),
    ),
    "a unit id for everybody": (
        MODBUS + "    address: 0\n    device: 0\n",
        ("s.yaml:11: chamber.gauge.device is 0; allowed: a whole number, 1 to 247; the unit id set in the gauge",),
    ),
    "a factor with a unit": (
        MODBUS + "    address: 0\n    scale: '0.1 kPa'\n",
        (
            "s.yaml:11: chamber.gauge.scale is '0.1 kPa'; allowed: a number without unit, -1e+09 to 1e+09, n"
            "ot 0; write the factor of the gauge's manual",
        ),
    ),
    "a factor of nothing": (
        MODBUS + "    address: 0\n    scale: 0\n",
        (
            "s.yaml:11: chamber.gauge.scale is 0; allowed: a number without unit, -1e+09 to 1e+09, not 0; wr"
            "ite the factor of the gauge's manual",
        ),
    ),
    "two passwords": (
        STATION + "mqtt: {username: a, password: b, password_file: /c}\n",
        (
            "s.yaml:4: both mqtt.password (line 4) and mqtt.password_file = '/c' (line 4) are written; allow"
            "ed: one of them; keep the file",
        ),
    ),
    "no encryption on the port with": (
        STATION + "mqtt: {port: 8883}\n",
        (
            "s.yaml:4: mqtt.port = '8883' (line 4) is the port for encryption and mqtt.tls (default false) i"
            "s not true; allowed: 8883 with tls: true; add `tls: true`",
        ),
    ),
    "quiet all day": (
        STATION + "phone: {urls: ['json://hub'], quiet_from: '22:00', quiet_to: '22:00'}\n",
        (
            "s.yaml:4: phone.quiet_from = '22:00' (line 4) is also phone.quiet_to = '22:00' (line 4); allowe"
            "d: two times; delete both if there are no quiet hours",
        ),
    ),
    "an empty value": (
        STATION + "cure:\n  hold:\n  soak: '8 h'\n",
        ("s.yaml:5: cure.hold is empty; allowed: a value; write one, or delete the line",),
    ),
    "no YAML": (
        "station: shed: bench\n",
        (
            "s.yaml:1: this is not YAML: mapping values are not allowed here; allowed: `key: value` lines, l"
            "ists and comments; write `key: value`, indent by two spaces, put quotes round text with `: ` or"
            " `#` in it",
        ),
    ),
    "a tab": (
        "station: shed\nunits:\n\ttemperature: degF\n",
        (
            "s.yaml:3: this is not YAML: found character '\\t' that cannot start any token; allowed: `key: va"
            "lue` lines, lists and comments; indent with spaces, never with tabs",
        ),
    ),
    "a folder too deep for sockets": (
        STATION + f"runtime_dir: /{'x' * 100}\n",
        (
            "s.yaml:4: runtime_dir is '/xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx...'; allowed:"
            " an absolute path of up to 90 characters; sockets are made there, and their paths are short",
        ),
    ),
    "truth in words": (
        STATION + "simulated: yes\n",
        ("s.yaml:4: simulated is 'yes'; allowed: true or false; write one of the two, without quotes",),
    ),
    "two probes on one pin, and no probe in the air": (
        STATION.replace(
            "[{name: oven, select_pin: 5}]", "[{name: oven2, select_pin: 5}, {name: witness, select_pin: 5}]"
        ),
        (
            "s.yaml:2: oven.probes[1].select_pin = '5' (line 2) is also oven.probes[0].select_pin = '5' (lin"
            "e 2); allowed: a pin for one use; wire one of them to another pin",
            "s.yaml:2: oven.probes[0].name = 'oven2' (line 2), and no probe is named oven; allowed: a probe "
            "named oven, in the air near the pieces; the guard judges that one: name it",
        ),
    ),
    "a chip select that the kernel toggles": (
        STATION.replace("select_pin: 5", "select_pin: 8"),
        (
            "s.yaml:2: oven.probes[0].select_pin is 8; allowed: a whole number, 2 to 6, 12 to 27; take anoth"
            "er free pin: the kernel toggles 7 and 8 in every transfer, so a converter there answers for oth"
            "ers",
        ),
    ),
    "a probe on the relay's pin": (
        STATION.replace("select_pin: 5", "select_pin: 17"),
        (
            "s.yaml:3: guard.relay_pin = '17' (line 3) is also oven.probes[0].select_pin = '17' (line 2); al"
            "lowed: a pin for one use; wire one of them to another pin",
        ),
    ),
    "two calibration points too near": (
        "station: a\n"
        "oven:\n"
        "  probes:\n"
        "    - name: oven\n"
        "      select_pin: 5\n"
        "      calibration:\n"
        "        - {shown: '20 degC', actual: '19 degC'}\n"
        "        - {shown: '30 degC', actual: '31 degC'}\n"
        "guard: {limit: '125 degC', relay_pin: 17}\n",
        (
            "s.yaml:8: oven.probes[0].calibration[0].shown = '20 degC' (line 7) and oven.probes[0].calibrati"
            "on[1].shown = '30 degC' (line 8) are less than 20 K apart; allowed: two points at least 20 K ap"
            "art; take an ice bath and boiling water, or delete one point",
        ),
    ),
    "a correction that is too large": (
        STATION.replace("select_pin: 5", "select_pin: 5, calibration: [{shown: '120 degF', actual: '32 degF'}]"),
        (
            "s.yaml:2: oven.probes[0].calibration[0].shown = '120 degF' (line 2) and oven.probes[0].calibrat"
            "ion[0].actual = '32 degF' (line 2) are more than 15 K apart; allowed: a correction up to 15 K; "
            "a probe that far off is the wrong type or wired the wrong way round: mend it",
        ),
    ),
    "a probe of the wrong type": (
        STATION.replace(
            "select_pin: 5",
            "select_pin: 5, calibration: [{shown: '0 degC', actual: '0 degC'}, {shown: '78 degC', actual: '100 degC'}]",
        ),
        (
            "s.yaml:2: oven.probes[0].calibration[1].shown = '78 degC' (line 2) and oven.probes[0].calibrati"
            "on[1].actual = '100 degC' (line 2) are more than 15 K apart; allowed: a correction up to 15 K; "
            "a probe that far off is the wrong type or wired the wrong way round: mend it",
            "s.yaml:2: oven.probes[0].calibration[0].shown = '0 degC' (line 2) and oven.probes[0].calibratio"
            "n[1].shown = '78 degC' (line 2) make a slope of 1.28; allowed: 0.9 to 1.1; a probe that far off"
            " is the wrong type or wired the wrong way round: mend it",
        ),
    ),
    "a dial the wrong way round": (
        STATION.replace("oven: {", "oven: {dial: {unit: F, low: '450 degF', high: '200 degF'}, "),
        (
            "s.yaml:2: oven.dial.low = '450 degF' (line 2) is not below oven.dial.high = '200 degF' (line 2)"
            "; allowed: the lowest mark below the highest; swap them",
        ),
    ),
    "a relay on a pin that is pulled up": (
        STATION.replace("relay_pin: 17", "relay_pin: 4"),
        (
            "s.yaml:3: guard.relay_pin is 4; allowed: a whole number, 12, 13, 16 to 27; the others are pulle"
            "d up until software runs, which would mean heat, or belong to bus or serial console; wire the r"
            "elay to one of these, active high, with 10 kohm to ground",
        ),
    ),
    "a pin in quotes": (
        STATION.replace("select_pin: 5", "select_pin: '5'"),
        (
            "s.yaml:2: oven.probes[0].select_pin is '5'; allowed: a whole number, 2 to 6, 12 to 27; write it"
            " without quotes: 5",
        ),
    ),
    "a relay's pin in words": (
        STATION.replace("relay_pin: 17", "relay_pin: GPIO17"),
        (
            "s.yaml:3: guard.relay_pin is 'GPIO17'; allowed: a whole number, 12, 13, 16 to 27; the others ar"
            "e pulled up until software runs, which would mean heat, or belong to bus or serial console; wir"
            "e the relay to one of these, active high, with 10 kohm to ground",
        ),
    ),
    "a limit above the ceiling": (
        STATION.replace("125 degC", "350 degF"),
        (
            "s.yaml:3: guard.limit is '350 degF'; allowed: 40 degC to 150 degC (104 degF to 302 degF); write"
            " a value inside",
        ),
    ),
    "a limit without its unit": (
        STATION.replace('"125 degC"', "125"),
        (
            's.yaml:3: guard.limit is 125; allowed: 40 degC to 150 degC; a number needs its unit: write "125'
            ' degC" or "125 degF" (units: degC, degF, K)',
        ),
    ),
    "a limit that leaves no room above the cure": (
        STATION.replace("125 degC", "210 degF"),
        (
            "s.yaml:3: guard.limit = '210 degF' (line 3) leaves less than 8 K above cure.target_core (defaul"
            "t '93 degC'): the oven's air has to be hotter than the core it heats; allowed: a limit of at le"
            "ast 101 degC; raise the limit as far as pieces and oven bear, or lower the target",
        ),
    ),
    "a limit that leaves no room above the default cure, one line down": (
        STATION.replace("125 degC", "98 degC") + "cure: {hold: '30 min'}\n",
        (
            "s.yaml:3: guard.limit = '98 degC' (line 3) leaves less than 8 K above cure.target_core (default"
            " '93 degC'): the oven's air has to be hotter than the core it heats; allowed: a limit of at lea"
            "st 101 degC; raise the limit as far as pieces and oven bear, or lower the target",
        ),
    ),
    "a lamp on the relay's pin": (
        STATION.replace("relay_pin: 17", "relay_pin: 17, lamp_pin: 17"),
        (
            "s.yaml:3: guard.lamp_pin = '17' (line 3) is also guard.relay_pin = '17' (line 3); allowed: a pi"
            "n for one use; wire one of them to another pin",
        ),
    ),
    "a warning that comes after the trip": (
        STATION.replace("relay_pin: 17", "relay_pin: 17, rules: {junction: '45 degC'}"),
        (
            "s.yaml:3: guard.rules.junction_warn (default '50 degC') would warn only after guard.rules.junct"
            "ion = '45 degC' (line 3) has tripped; allowed: the warning below the trip; swap them",
        ),
    ),
    "a permit shorter than the cure": (
        STATION.replace("relay_pin: 17", "relay_pin: 17, rules: {permitted: '1 h'}") + "cure: {hold: '2 h'}\n",
        (
            "s.yaml:4: guard.rules.permitted = '1 h' (line 3) ends the heat before cure.hold = '2 h' (line 4"
            ") and half an hour of heating up are over; allowed: at least 150 min; let heat be permitted lon"
            "ger, or hold for a shorter time",
        ),
    ),
    "a rule that nobody knows": (
        STATION.replace("relay_pin: 17", "relay_pin: 17, rules: {ignore_short: 1}"),
        (
            "s.yaml:3: guard.rules.ignore_short is no key that is known; allowed in guard.rules: "
            # The table grows; what counts is that all of it is named.
            + ", ".join(rule.key for rule in RULE_KEYS)
            + "; delete it",
        ),
    ),
    "bench hooks on a real station": (
        STATION.replace("relay_pin: 17", "relay_pin: 17, pin_factory: mock") + "thermometer: {bus: 'bench.bus:open'}\n",
        (
            "s.yaml:3: guard.pin_factory = 'mock' (line 3) replaces hardware or a check, and simulated (defa"
            "ult false) is not true; allowed: only where simulated: true; delete it; on a bench without an o"
            "ven add `simulated: true`",
            "s.yaml:4: thermometer.bus = 'bench.bus:open' (line 4) replaces hardware or a check, and simulat"
            "ed (default false) is not true; allowed: only where simulated: true; delete it; on a bench with"
            "out an oven add `simulated: true`",
        ),
    ),
    "commissioning skipped on a real station": (
        STATION.replace("relay_pin: 17", "relay_pin: 17, require_commissioning: false"),
        (
            "s.yaml:3: guard.require_commissioning = 'false' (line 3) replaces hardware or a check, and simu"
            "lated (default false) is not true; allowed: only where simulated: true; delete it; on a bench w"
            "ithout an oven add `simulated: true`",
        ),
    ),
    "a page for everybody without a password": (
        STATION + "page: {host: 0.0.0.0}\n",
        (
            "s.yaml:4: page.host = '0.0.0.0' (line 4) lets others in, and page.password (not written) is not"
            " there; allowed: without a password 127.0.0.1, ::1, localhost; run `lastbubble page password` a"
            "nd copy its line to page.password",
        ),
    ),
    "a page with its password as it is typed": (
        STATION + "page: {password: open-sesame}\n",
        (
            "s.yaml:4: page.password is not of the right form; allowed: what `lastbubble page password` prin"
            "ts, beginning with scrypt$; run it and copy its line; a password as it is typed has no place in"
            " a file",
        ),
    ),
    "a proxy by its name": (
        STATION + "page: {proxies: [proxy.lan]}\n",
        (
            "s.yaml:4: page.proxies[0] is 'proxy.lan'; allowed: an address in numbers, as 127.0.0.1 or fd00::2; "
            "write the one address that the proxy itself asks from; a name could be another machine tomorrow",
        ),
    ),
    "a proxy at no address": (
        STATION + "page: {proxies: [127.0.0.1, 127.0.0.256]}\n",
        (
            "s.yaml:4: page.proxies[1] is '127.0.0.256'; allowed: an address in numbers, as 127.0.0.1 or fd00::2; "
            "write the one address that the proxy itself asks from; a name could be another machine "
            "tomorrow (127.0.0.256 is no address)",
        ),
    ),
    "a broker's password without a user": (
        STATION + "mqtt: {password: x}\n",
        (
            "s.yaml:4: mqtt.password (line 4) is there without mqtt.username (not written); allowed: both or"
            " none; add the user's name",
        ),
    ),
    "encryption on the port without": (
        STATION + "mqtt: {tls: true, port: 1883}\n",
        (
            "s.yaml:4: mqtt.tls = 'true' (line 4) and mqtt.port = '1883' (line 4) do not go together: 1883 i"
            "s the port without encryption; allowed: 8883, or what your broker says; delete the port: it is "
            "8883 then",
        ),
    ),
    "an authority without encryption": (
        STATION + "mqtt: {ca_file: /etc/ca.crt}\n",
        (
            "s.yaml:4: mqtt.ca_file = '/etc/ca.crt' (line 4) is there and mqtt.tls (default false) is not tr"
            "ue; allowed: ca_file with tls: true; add `tls: true`, or the password travels in the clear",
        ),
    ),
    "a version that is a word": (
        STATION + "mqtt: {version: 5}\n",
        ('s.yaml:4: mqtt.version is 5; allowed: 5, 3.1.1; it is a word here: write it in quotes, "5"',),
    ),
    "quiet hours without an end": (
        STATION + "phone: {urls: ['json://hub'], quiet_from: '22:00'}\n",
        (
            "s.yaml:4: of phone.quiet_from = '22:00' (line 4) and phone.quiet_to (not written) one is missin"
            "g; allowed: both or none; write when the quiet hours begin and end",
        ),
    ),
    "a time zone on no map": (
        STATION + "phone: {urls: ['json://hub'], zone: Middle/Earth}\n",
        (
            "s.yaml:4: phone.zone is 'Middle/Earth'; allowed: a name of the time zone database; write such a"
            "s Europe/Lisbon, or UTC (there is no zone Middle/Earth on this machine)",
        ),
    ),
    "nobody to tell": (
        STATION + "phone: {}\n",
        (
            "s.yaml:4: phone.urls is missing; allowed: an address of the form scheme://... (addresses in the"
            " form of the notification library (apprise)); add it",
        ),
    ),
    "many at once": (
        "station: Shed\n"
        "units: {pressure: inHg}\n"
        "oven:\n"
        "  probes:\n"
        "    - name: oven\n"
        "      select_pin: 5\n"
        "    - name: witness\n"
        "      select_pin: 5\n"
        "  knob: {}\n"
        "guard:\n"
        "  limit: 130\n"
        "  relay_pin: 17\n"
        "cure:\n"
        "  hold: '30 min'\n"
        "  hold: '40 min'\n",
        (
            "s.yaml:1: station is 'Shed'; allowed: a to z, 0 to 9 and dashes inside, up to 48 characters; it"
            " becomes part of topics and file names: write such as shed-bench",
            "s.yaml:2: units.pressure is 'inHg'; allowed: inHg vacuum, Torr, mbar, kPa, Pa; write one of them",
            "s.yaml:8: oven.probes[1].select_pin = '5' (line 8) is also oven.probes[0].select_pin = '5' (lin"
            "e 6); allowed: a pin for one use; wire one of them to another pin",
            "s.yaml:9: oven.knob is no key that is known; allowed in oven: probes, fan, dial; delete it",
            's.yaml:11: guard.limit is 130; allowed: 40 degC to 150 degC; a number needs its unit: write "13'
            '0 degC" or "130 degF" (units: degC, degF, K)',
            "s.yaml:15: cure.hold stands here again; allowed: once (it is on line 14 already); delete one of the two",
        ),
    ),
    "an oven without a guard": (
        "station: a\noven: {probes: [{name: oven, select_pin: 5}]}\n",
        (
            "s.yaml:2: oven (line 2) is there and guard (not written) is not; allowed: an oven with a guard;"
            " add guard with its limit and relay_pin",
        ),
    ),
    "a guard without an oven": (
        "station: a\nguard: {limit: '125 degC', relay_pin: 17}\n",
        (
            "s.yaml:2: guard (line 2) is there and oven (not written) is not; allowed: a guard of an oven; a"
            "dd oven with its probes",
        ),
    ),
}


@pytest.mark.parametrize("name", BROKEN)
def test_each_gives_exactly_its_messages(name: str) -> None:
    text, messages = BROKEN[name]
    assert messages, "a broken file without its messages proves nothing"
    with pytest.raises(SettingsError) as caught:
        load_text(text, "s.yaml")
    assert list(caught.value.faults) == list(messages)


@pytest.mark.parametrize("judge", RULES, ids=lambda judge: judge.__name__)
def test_no_rule_is_idle(judge: Rule, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without any one of the rules, some file above would give fewer messages."""
    monkeypatch.setattr(contradictions, "RULES", [rule for rule in RULES if rule is not judge])
    for text, messages in BROKEN.values():
        try:
            load_text(text, "s.yaml")
        except SettingsError as exc:
            if list(exc.faults) == list(messages):
                continue
        return
    pytest.fail(f"{judge.__name__} finds nothing in any of these files")


def test_every_message_says_where_what_and_the_mend() -> None:
    for _, messages in BROKEN.values():
        for message in messages:
            assert re.match(r"s\.yaml(:\d+)?: \S.*; allowed.*; \S", message), message
