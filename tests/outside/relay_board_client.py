"""Drives one coil of a relay board with somebody else's Modbus library, and tells what it saw.

Usage: relay_board_client.py LIBRARY PORT BAUD COIL INPUT

LIBRARY is pymodbus or minimalmodbus. Closes COIL, reads the inputs until INPUT is live, opens the
coil again and reads until INPUT is dead; gives up after many reads. Prints one JSON object: the
coils read back while closed, and the numbers of the live inputs before, while closed and after.
"""

import json
import sys

UNIT = 1
POINTS = 16
READS = 200


class Pymodbus:
    """The serial client of pymodbus."""

    def __init__(self, port, baud):
        from pymodbus.client import ModbusSerialClient

        self.client = ModbusSerialClient(port, baudrate=baud, timeout=2)
        if not self.client.connect():
            raise RuntimeError(f"{port} does not open")

    @staticmethod
    def checked(reply):
        if reply.isError():
            raise RuntimeError(str(reply))
        return reply

    def coils(self):
        return self.checked(self.client.read_coils(0, count=POINTS, device_id=UNIT)).bits

    def inputs(self):
        return self.checked(self.client.read_discrete_inputs(0, count=POINTS, device_id=UNIT)).bits

    def set(self, coil, closed):
        self.checked(self.client.write_coil(coil, closed, device_id=UNIT))


class Minimalmodbus:
    """minimalmodbus in RTU mode."""

    def __init__(self, port, baud):
        import minimalmodbus

        self.instrument = minimalmodbus.Instrument(port, UNIT)
        self.instrument.serial.baudrate = baud
        self.instrument.serial.timeout = 2

    def coils(self):
        return self.instrument.read_bits(0, POINTS, functioncode=1)

    def inputs(self):
        return self.instrument.read_bits(0, POINTS, functioncode=2)

    def set(self, coil, closed):
        self.instrument.write_bit(coil, int(closed), functioncode=5)


def live(bits):
    return [at for at, bit in enumerate(bits[:POINTS]) if bit]


def inputs_once(board, wanted, state):
    """The live inputs as soon as the wanted one has that state, or the last ones read."""
    for _ in range(READS):
        seen = live(board.inputs())
        if (wanted in seen) == state:
            break
    return seen


def main():
    library, port, baud, coil, wanted = sys.argv[1:6]
    board = {"pymodbus": Pymodbus, "minimalmodbus": Minimalmodbus}[library](port, int(baud))
    coil, wanted = int(coil), int(wanted)
    before = live(board.inputs())
    board.set(coil, True)
    coils = live(board.coils())
    closed = inputs_once(board, wanted, True)
    board.set(coil, False)
    after = inputs_once(board, wanted, False)
    print(json.dumps({"before": before, "coils": coils, "closed": closed, "after": after}))


main()
