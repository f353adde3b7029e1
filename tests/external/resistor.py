#!/usr/bin/env python3
"""A bench whose current sensor is off, with a resistor on it and an outer reference for calibrating.

    python3 resistor.py GAIN OFFSET_A OHM [REFERENCE_A ...]

The sensor reads GAIN times the current plus OFFSET_A. While the supply is off, an outer source drives the references
one after the other through it, each for as long as one point of a calibration takes (2.5 s).
"""

import json
import random
import sys

RATE = 1000
POINT_S = 2.5
gain, offset, ohm = (float(text) for text in sys.argv[1:4])
references = [float(text) for text in sys.argv[4:]] or [0.0]
noise = random.Random(7)
t, on = 0.0, False


def amps(now):
    if on:
        return 13.0 / (ohm + 0.012)
    return references[min(int(now / POINT_S + 1e-6), len(references) - 1)]


def read(seconds):
    global t
    n = round(seconds * RATE)
    current, voltage = [], []
    for i in range(n):
        through = amps(t + (i + 0.5) / RATE)
        current.append(gain * through + offset + noise.gauss(0.0, 0.02))
        voltage.append((through * ohm if on else 0.0) + noise.gauss(0.0, 0.003))
    block = {"ok": True, "t0": t, "dt": 1 / RATE, "channels": {"supply_a": current, "supply_v": voltage}, "edges": {}}
    t += n / RATE
    return block


for line in sys.stdin:
    request = json.loads(line)
    op = request["op"]
    answer = {"ok": True, "t": t}
    if op == "hello":
        answer = {
            "ok": True,
            "name": "resistor",
            "clock": "virtual",
            "rate_hz": RATE,
            "channels": ["supply_v", "supply_a"],
            "edges": [],
            "controls": ["supply_on", "duty_pct", "active", "frequency_hz", "line"],
        }
    elif op == "set":
        on = request.get("supply_on", on)
    elif op == "safe":
        on = False
    elif op == "read":
        answer = read(request["seconds"])
    print(json.dumps(answer), flush=True)
    if op == "bye":
        break
