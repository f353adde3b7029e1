#!/usr/bin/env python3
"""The simple fan with clips that may be loose.

    python3 loose_clip.py FOLDER

While FOLDER holds a file `loose-command`, the sensed command line reads nothing; with `loose-supply`, the module gets a
third of its supply.
"""

import importlib.util
import pathlib
import sys

FOLDER = pathlib.Path(sys.argv[1])
SOURCE = pathlib.Path(__file__).resolve().parents[2] / "examples" / "simple_fan.py"
SPEC = importlib.util.spec_from_file_location("simple_fan", SOURCE)
simple_fan = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(simple_fan)


class Clipped(simple_fan.Bench):
    def offers(self):
        offers = super().offers()
        return {**offers, "channels": [*offers["channels"], "line_v"]}

    def read(self, seconds):
        block = super().read(seconds)
        channels = block["channels"]
        n = len(channels["supply_v"])
        line_v = {"low": 0.1, "high": 4.6, "open": 12.6, "pwm": 6.0}[self.setting["line"]]
        if (FOLDER / "loose-command").exists():
            line_v = 0.0
        channels["line_v"] = [line_v + 0.001 * (i % 3) for i in range(n)]
        if (FOLDER / "loose-supply").exists():
            channels["supply_v"] = [0.3 * v for v in channels["supply_v"]]
        return block


simple_fan.Bench = Clipped
simple_fan.main()
