"""A relay board with digital inputs, served by an independent Modbus library over TCP.

Usage: tcp_board_server.py UNIT

Listens on a free port of the loopback address and prints its number. Each input follows the coil of
the same number.
"""

import asyncio
import sys

from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

POINTS = 16
WRITE_FUNCTIONS = (5, 15)
READ_INPUTS = 2
closed = set()


async def action(function, _start, address, _count, current, values):
    if function in WRITE_FUNCTIONS and values is not None:
        for offset, value in enumerate(values):
            (closed.add if value else closed.discard)(address + offset)
    elif function == READ_INPUTS:
        current[0] = sum(1 << at for at in closed)
    return None


async def main():
    bits = [False] * POINTS
    device = SimDevice(
        id=int(sys.argv[1]),
        simdata=(
            [SimData(0, values=bits, datatype=DataType.BITS)],
            [SimData(0, values=bits, datatype=DataType.BITS)],
            [SimData(0, values=0, datatype=DataType.REGISTERS)],
            [SimData(0, values=0, datatype=DataType.REGISTERS)],
        ),
        action=action,
    )
    server = ModbusTcpServer(device, address=("127.0.0.1", 0))
    await server.listen()
    print(server.transport.sockets[0].getsockname()[1], flush=True)
    await asyncio.get_running_loop().create_future()


asyncio.run(main())
