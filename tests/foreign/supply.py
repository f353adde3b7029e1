"""A bench supply for the instrument simulator `sinstruments`: the commands it knows, as a table of `scpi-protocol`, and
what a resistor of 4 ohms makes of them. Server, lines and the matching of commands are theirs."""

from scpi import COMMANDS, Commands, FloatCmd, FloatCmdR, OnOffCmd
from sinstruments.simulator import BaseDevice


class Supply(BaseDevice):
    known = Commands(
        COMMANDS,
        {
            "[SOURce:]VOLTage[:LEVel]": FloatCmd(),
            "[SOURce:]CURRent[:LEVel]": FloatCmd(),
            "OUTPut[:STATe]": OnOffCmd(),
            "MEASure[:SCALar]:VOLTage[:DC]": FloatCmdR(),
            "MEASure[:SCALar]:CURRent[:DC]": FloatCmdR(),
        },
    )

    def __init__(self, name, **kwargs):
        super().__init__(name, **kwargs)
        self.volts, self.amps, self.on, self.errors = 0.0, 0.1, True, []

    def handle_message(self, message):
        return self.answer(message.decode().strip())

    def answer(self, text):
        header, _, value = text.partition(" ")
        try:
            expression = self.known.get_command_expression(header.rstrip("?"))
        except KeyError:
            self.errors.append('-113,"Undefined header"')
            return None
        flows = min(self.volts / 4.0, self.amps) if self.on else 0.0
        if not header.endswith("?"):
            self.take(expression, value)
            return None
        reply = {
            "*IDN": "FOREIGN,SUPPLY,1,2",
            "*ESR": "0",
            "*OPC": "1",
            "SYSTem:ERRor[:NEXT]": self.errors.pop(0) if expression.startswith("SYST") and self.errors else '0,"No error"',
            "OUTPut[:STATe]": str(int(self.on)),
            "[SOURce:]VOLTage[:LEVel]": repr(self.volts),
            "[SOURce:]CURRent[:LEVel]": repr(self.amps),
            "MEASure[:SCALar]:VOLTage[:DC]": f"{flows * 4.0:+.5E}",
            "MEASure[:SCALar]:CURRent[:DC]": f"{flows:+.5E}",
        }[expression]
        return reply.encode() + b"\n"

    def take(self, expression, value):
        if expression == "OUTPut[:STATe]":
            self.on = value.upper() in ("ON", "1")
        elif expression == "[SOURce:]VOLTage[:LEVel]":
            self.set_within("volts", float(value), 20.0)
        elif expression == "[SOURce:]CURRent[:LEVel]":
            self.set_within("amps", float(value), 50.0)
        elif expression == "*CLS":
            self.errors.clear()

    def set_within(self, what, value, most):
        if 0.0 <= value <= most:
            setattr(self, what, value)
        else:
            self.errors.append('-222,"Data out of range"')
