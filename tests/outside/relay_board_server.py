"""A relay board with digital inputs, served by an independent Modbus library on a serial port.

Usage: relay_board_server.py PORT BAUD WIRING

WIRING maps coils to discrete inputs: "0>0,1>1" wires coil 0 to input 0 and coil 1 to input 1;
"0>1,1>0" is a swap, a missing coil an open conductor. "=15" keeps input 15 live throughout (the
supply). Prints "serving" once the port is open, and after each write the coils that are then
closed ("closed 0 1", or "closed" for none), so that a test sees the relays as the board does.
"""

import asyncio
import sys

from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

POINTS = 16
WRITE_FUNCTIONS = (5, 15)
READ_INPUTS = 2


class RelayBoard:
    """Coils, and inputs that follow them through the wiring."""

    def __init__(self, wiring):
        self.closed = set()
        self.wires = []
        self.always = set()
        for part in wiring.split(","):
            start, separator, to = part.partition(">")
            if separator:
                self.wires.append((int(start), int(to)))
            else:
                self.always.add(int(part.removeprefix("=")))

    async def action(self, function, _start, address, _count, current, values):
        if function in WRITE_FUNCTIONS and values is not None:
            for offset, value in enumerate(values):
                (self.closed.add if value else self.closed.discard)(address + offset)
            print("closed", *sorted(self.closed), flush=True)
        elif function == READ_INPUTS:
            live = {to for start, to in self.wires if start in self.closed} | self.always
            current[0] = sum(1 << at for at in live)
        return None


async def main():
    port, baud, wiring = sys.argv[1:4]
    board = RelayBoard(wiring)
    bits = [False] * POINTS
    device = SimDevice(
        id=1,
        simdata=(
            [SimData(0, values=bits, datatype=DataType.BITS)],
            [SimData(0, values=bits, datatype=DataType.BITS)],
            [SimData(0, values=0, datatype=DataType.REGISTERS)],
            [SimData(0, values=0, datatype=DataType.REGISTERS)],
        ),
        action=board.action,
    )
    server = ModbusSerialServer(device, port=port, baudrate=int(baud), framer=FramerType.RTU)
    await server.serve_forever(background=True)
    print("serving", flush=True)
    await server.serving


asyncio.run(main())
