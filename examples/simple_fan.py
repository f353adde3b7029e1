#!/usr/bin/env python3
"""A bench program for galebench: one JSON object per line in, one per line out. Standard library only.

Take it as a template for your own data acquisition: keep `main` as it is and replace the class `Bench`, whose four
methods `set`, `read`, `safe` and `offers` are all that your hardware has to do. Here they play a small fan on a fan
drive module by calculation, on a clock that moves only when `read` is asked (`"clock": "virtual"`).

The module played: command 80 to 400 Hz, active low, output from 9 % duty, flat out from 90 %, soft start of 2 s,
asleep 5 s after the command went. Try it: echo '{"op":"hello","version":1}' | python3 examples/simple_fan.py
"""

import json
import math
import random
import signal
import sys

RATE_HZ = 2000.0
DT = 1.0 / RATE_HZ

# Bench: battery at rest, its resistance with the leads, and the room.
BATTERY_V, BATTERY_OHM, AMBIENT_C = 13.2, 0.020, 22.0
# Current sensor of 125 A: it cannot see a sleeping module.
SENSOR_ZERO_A, SENSOR_NOISE_A = 0.030, 0.040
# Module: output range over duty, soft start, switch resistance, own current awake and asleep, heating.
ON_PCT, FULL_PCT, RAMP_S, SWITCH_OHM = 9.0, 90.0, 2.0, 0.009
AWAKE_A, ASLEEP_A, ASLEEP_AFTER_S = 0.055, 0.0004, 5.0
HEAT_K_PER_W, HEAT_TAU_S = 6.0, 180.0
# Fan: winding, V.s/rad, inertia, friction running and at rest, air, tach pulses per revolution.
FAN_OHM, FAN_KE, FAN_J = 0.27, 0.034, 0.004
RUN_NM, REST_NM, AIR_NM_S2, PULSES = 0.035, 0.085, 6.0e-6, 2


class Bench:
    """What your hardware does. Every method may raise an exception: its text goes back as the error."""

    def __init__(self, seed=1):
        self.random = random.Random(seed)
        self.t = 0.0
        self.ratio = 0.0  # mean output over supply
        self.speed = 0.0  # rad/s
        self.angle = 0.0  # revolutions
        self.case_c = AMBIENT_C
        self.uncommanded_s = 1e9
        self.rest_nm = REST_NM
        self.setting = {}
        self.safe()

    def offers(self):
        """The answer to `hello`."""
        return {
            "name": "simple fan",
            "clock": "virtual",
            "rate_hz": RATE_HZ,
            "channels": ["supply_v", "supply_a", "output_v", "case_c", "ambient_c"],
            "edges": ["tach"],
            "controls": ["supply_on", "duty_pct", "active", "frequency_hz", "line"],
        }

    def safe(self):
        """Supply off, duty 0, line released. Must work in any state, again and again."""
        self.setting = {"supply_on": False, "duty_pct": 0.0, "active": "low", "frequency_hz": 100.0, "line": "open"}
        return self.t

    def set(self, changes):
        """Only what changes comes. Check everything first: a refused `set` must change nothing."""
        checks = {
            "supply_on": lambda v: isinstance(v, bool),
            "duty_pct": lambda v: 0.0 <= v <= 100.0,
            "active": lambda v: v in ("low", "high"),
            "frequency_hz": lambda v: 1.0 <= v <= 30e3,
            "line": lambda v: v in ("pwm", "open", "low", "high"),
        }
        for name, value in changes.items():
            if name not in checks:
                raise ValueError(f"no control {name}")
            if not checks[name](value):
                raise ValueError(f"{name} cannot be {value}")
        self.setting.update(changes)
        return self.t

    def low_pct(self):
        """Share of the time that the command line is low: what this module listens to."""
        s = self.setting
        if s["line"] == "pwm":
            if not 80.0 <= s["frequency_hz"] <= 400.0 and 0.0 < s["duty_pct"] < 100.0:
                return 0.0
            return s["duty_pct"] if s["active"] == "low" else 100.0 - s["duty_pct"]
        return 100.0 if s["line"] == "low" else 0.0

    def read(self, seconds):
        """Let `seconds` pass: samples of every channel, and the times of rising tach edges."""
        n = max(1, round(seconds * RATE_HZ))
        t0 = self.t
        rows = [self.step(t0 + i * DT) for i in range(n)]
        self.t = t0 + n * DT
        supply_v, supply_a, output_v, case_c, edges = zip(*rows)
        return {
            "t0": t0,
            "dt": DT,
            "channels": {
                "supply_v": supply_v,
                "supply_a": supply_a,
                "output_v": output_v,
                "case_c": case_c,
                "ambient_c": [AMBIENT_C] * n,
            },
            "edges": {"tach": [edge for edge in edges if edge is not None]},
        }

    def step(self, t):
        """One sample interval of the model, from `t` on."""
        on, low = self.setting["supply_on"], self.low_pct()
        target = min(max((low - ON_PCT) / (FULL_PCT - ON_PCT), 0.0), 1.0) if on and low > ON_PCT else 0.0
        self.uncommanded_s = 0.0 if on and low > 0.0 else self.uncommanded_s + DT
        # Soft start upward only: the output goes off at once.
        self.ratio = min(target, self.ratio + DT / RAMP_S)

        back_v = FAN_KE * self.speed
        source_ohm = FAN_OHM + self.ratio * (BATTERY_OHM * self.ratio + SWITCH_OHM)
        fan_a = max(0.0, (self.ratio * BATTERY_V - back_v) / source_ohm)
        torque = FAN_KE * fan_a
        if self.speed > 0.0 or torque > self.rest_nm:
            self.speed += DT / FAN_J * (torque - RUN_NM - AIR_NM_S2 * self.speed**2)
            if self.speed <= 0.0:
                # Come to rest: the next start meets a stiction of its own.
                self.speed, self.rest_nm = 0.0, REST_NM * (1.0 + 0.04 * self.random.gauss(0.0, 1.0))

        heat_w = SWITCH_OHM * fan_a**2 + 0.6 * fan_a * (1.0 - self.ratio) * (self.ratio > 0.0)
        self.case_c += DT / HEAT_TAU_S * (AMBIENT_C + HEAT_K_PER_W * heat_w - self.case_c)

        own_a = 0.0 if not on else AWAKE_A if self.uncommanded_s < ASLEEP_AFTER_S else ASLEEP_A
        supply_a = self.ratio * fan_a + own_a
        supply_v = (BATTERY_V - BATTERY_OHM * supply_a) if on else 0.0
        output_v = self.ratio * (supply_v - SWITCH_OHM * fan_a) if self.ratio > 0.0 else back_v

        before = self.angle
        self.angle += self.speed / (2.0 * math.pi) * DT
        pulse = math.floor(self.angle * PULSES)
        edge = None
        if pulse > math.floor(before * PULSES):
            edge = round(t + DT * (pulse / PULSES - before) / (self.angle - before), 7)

        noise = self.random.gauss
        return (
            round(supply_v + noise(0.0, 0.005), 4),
            round(supply_a + SENSOR_ZERO_A + noise(0.0, SENSOR_NOISE_A), 4),
            round(output_v + noise(0.0, 0.005), 4),
            round(self.case_c, 3),
            edge,
        )


def answer(bench, line):
    """The answer to one line, and whether to go on."""
    try:
        request = json.loads(line)
        op = request.pop("op")
        if op == "hello":
            return bench.offers(), True
        if op == "set":
            return {"t": bench.set(request)}, True
        if op == "read":
            return bench.read(float(request["seconds"])), True
        if op == "safe":
            return {"t": bench.safe()}, True
        if op == "bye":
            return {}, False
        raise ValueError(f"unknown op {op}")
    except Exception as error:  # whatever it is, the other side must hear of it
        return {"ok": False, "error": str(error) or repr(error)}, True


def main():
    bench = Bench()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        for line in sys.stdin:
            reply, go_on = answer(bench, line)
            # allow_nan=False: NaN is no JSON; better to fail here than to send it.
            print(json.dumps({"ok": True, **reply}, allow_nan=False), flush=True)
            if not go_on:
                break
    finally:
        # End of input, TERM or a fault of this program: the same as `safe`.
        bench.safe()


if __name__ == "__main__":
    main()
