#!/usr/bin/env python3
"""A bench program that goes wrong in one named way, at the third read unless it says otherwise.

    python3 faulty.py FAULT

`none` goes wrong in no way. Every function below takes the program, the request and the right answer, and returns
what is sent instead: a dict, raw bytes, or None for silence.
"""

import json
import sys
import time

CHANNELS = ["supply_v", "supply_a", "output_v"]


class Program:
    def __init__(self):
        self.t, self.reads, self.last = 7.0, 0, {"ok": True, "t": 7.0}

    def hello(self):
        return {
            "name": "faulty",
            "clock": "virtual",
            "rate_hz": 1000,
            "channels": CHANNELS,
            "edges": ["tach"],
            "controls": ["supply_on", "duty_pct", "active", "frequency_hz", "line"],
        }

    def read(self, seconds):
        self.reads += 1
        n = round(seconds * 1000)
        block = {
            "t0": self.t,
            "dt": 0.001,
            "channels": {name: [13.0] * n for name in CHANNELS},
            "edges": {"tach": [self.t + 0.001, self.t + 0.006]},
        }
        self.t += n * 0.001
        return block

    def answer(self, request):
        op = request.get("op")
        if op == "hello":
            return {"ok": True, **self.hello()}
        if op == "read":
            return {"ok": True, **self.read(request["seconds"])}
        if op in ("set", "safe"):
            return {"ok": True, "t": self.t}
        if op == "bye":
            return {"ok": True}
        return {"ok": False, "error": f"unknown op {op}"}


def at_third_read(change):
    def fault(program, request, right):
        return change(program, right) if request.get("op") == "read" and program.reads == 3 else right

    return fault


def at(op, change):
    def fault(program, request, right):
        return change(program, right) if request.get("op") == op else right

    return fault


def sleep(seconds, then):
    time.sleep(seconds)
    return then


def leave(message):
    sys.exit(message)


def replaced(right, **changes):
    return {**right, **changes}


def in_channel(right, change):
    channels = dict(right["channels"])
    channels["supply_a"] = change(channels["supply_a"])
    return {**right, "channels": channels}


def one_behind(program, request, right):
    """From the third read on, every answer is the one before; the third read gets that of an old `set`."""
    if program.reads < 3:
        return right
    behind, program.last = program.last, right
    return behind


def skip_ahead(program, right):
    """Half a second goes by unseen and is not stated as lost."""
    program.t += 0.5
    return replaced(right, t0=right["t0"] + 0.5, edges={"tach": []})


def hang(program, request, right):
    """From the third read on, nothing at all is answered."""
    return right if program.reads < 3 else None


FAULTS = {
    "none": lambda program, request, right: right,
    "silent_hello": at("hello", lambda p, right: None),
    "bad_hello": at("hello", lambda p, right: replaced(right, clock="lunar")),
    "no_current": at("hello", lambda p, right: replaced(right, channels=["supply_v"])),
    "late": at_third_read(lambda p, right: sleep(2.8, right)),
    "hang": hang,
    "bad_json": at_third_read(lambda p, right: b'{"ok":true,"t0":7.04,'),
    "bad_utf8": at_third_read(lambda p, right: b'{"ok":true,"name":"\xff"}'),
    "nan": at_third_read(lambda p, right: in_channel(right, lambda a: a[:-1] + [float("nan")])),
    "null": at_third_read(lambda p, right: in_channel(right, lambda a: a[:-1] + [None])),
    "exit": at_third_read(lambda p, right: leave("the converter was unplugged")),
    "out_of_order": one_behind,
    "two_answers": at_third_read(lambda p, right: json.dumps(right).encode() + b"\n" + json.dumps(right).encode()),
    "uneven": at_third_read(lambda p, right: in_channel(right, lambda a: a[:-1])),
    "short": at_third_read(lambda p, right: replaced(right, channels={name: [13.0] * 5 for name in CHANNELS})),
    "backwards": at_third_read(lambda p, right: replaced(right, t0=right["t0"] - 0.5, edges={"tach": []})),
    "missing_channel": at_third_read(lambda p, right: replaced(right, channels={"supply_v": [13.0] * 20})),
    "edges_out_of_order": at_third_read(lambda p, right: replaced(right, edges={"tach": right["edges"]["tach"][::-1]})),
    "refuses_set": at("set", lambda p, right: {"ok": False, "error": "relay stuck"}),
    "refuses_safe": lambda p, request, right: (
        {"ok": False, "error": "not now"} if request.get("op") == "safe" and p.reads >= 3 else right
    ),
    "silent_safe": lambda p, request, right: None if request.get("op") == "safe" and p.reads >= 3 else right,
    "gap": at_third_read(skip_ahead),
    "stays": at("bye", lambda p, right: right),
    "drops_unknown": lambda p, request, right: None if right.get("error") else right,
}


def main():
    name = sys.argv[1]
    fault, program = FAULTS[name], Program()
    while True:
        for line in sys.stdin:
            try:
                request = json.loads(line)
            except ValueError:
                request = {"op": "bad json"}
            answer = fault(program, request, program.answer(request))
            if answer is not None:
                raw = answer if isinstance(answer, bytes) else json.dumps(answer).encode()
                sys.stdout.buffer.write(raw + b"\n")
                sys.stdout.buffer.flush()
            if request.get("op") == "bye" and name != "stays":
                return
        if name != "stays":
            return
        time.sleep(0.1)


main()
