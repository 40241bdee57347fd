"""Other Modbus clients on a pseudo-terminal, timed from inside.

Usage: clients.py CLIENT PORT BAUD TRANSACTIONS

Prints two numbers: the seconds that one write of a coil took and those that one reading of 16
discrete inputs took, each as the mean over so many transactions in a row. What a reading brings is
checked against what was written: the peer wires each coil to the input of the same number.
"""

import ctypes
import sys
import time

POINTS = 16
WARM_UP = 20


def pymodbus(port, baud):
    from pymodbus.client import ModbusSerialClient

    client = ModbusSerialClient(port, baudrate=baud, timeout=1)
    if not client.connect():
        sys.exit("pymodbus could not open the port")

    def write(address, on):
        if client.write_coil(address, on, device_id=1).isError():
            sys.exit("pymodbus: a write failed")

    def read():
        reply = client.read_discrete_inputs(0, count=POINTS, device_id=1)
        if reply.isError():
            sys.exit("pymodbus: a reading failed")
        return reply.bits

    return write, read


def minimalmodbus(port, baud, keeps_pause=True):
    import minimalmodbus as library

    if not keeps_pause:
        library._calculate_minimum_silent_period = lambda _baud: 0.0
    client = library.Instrument(port, 1)
    client.serial.baudrate = baud
    client.serial.timeout = 1

    def write(address, on):
        client.write_bit(address, int(on), functioncode=5)

    def read():
        return client.read_bits(0, POINTS, functioncode=2)

    return write, read


def libmodbus(port, baud):
    library = ctypes.CDLL("libmodbus.so.5")
    library.modbus_new_rtu.restype = ctypes.c_void_p
    parity = ctypes.c_char(b"N")
    client = ctypes.c_void_p(library.modbus_new_rtu(port.encode(), baud, parity, 8, 1))
    library.modbus_set_slave(client, 1)
    if library.modbus_connect(client) != 0:
        sys.exit("libmodbus could not open the port")
    states = (ctypes.c_uint8 * POINTS)()

    def write(address, on):
        if library.modbus_write_bit(client, address, int(on)) != 1:
            sys.exit("libmodbus: a write failed")

    def read():
        if library.modbus_read_input_bits(client, 0, POINTS, states) != POINTS:
            sys.exit("libmodbus: a reading failed")
        return states

    return write, read


CLIENTS = {
    "pymodbus": pymodbus,
    "minimalmodbus": minimalmodbus,
    "minimalmodbus-no-pause": lambda port, baud: minimalmodbus(port, baud, keeps_pause=False),
    "libmodbus": libmodbus,
}


def state(number):
    return number % (2 * POINTS) < POINTS


def main():
    name, port, baud, transactions = sys.argv[1:5]
    count = int(transactions)
    write, read = CLIENTS[name](port, int(baud))
    for number in range(WARM_UP):
        write(number % POINTS, state(number))
        read()
    began = time.perf_counter()
    for number in range(count):
        write(number % POINTS, state(number))
    written = time.perf_counter() - began
    expected = [False] * POINTS
    for number in range(max(0, count - POINTS), count):
        expected[number % POINTS] = state(number)
    began = time.perf_counter()
    for _ in range(count):
        seen = read()
    taken = time.perf_counter() - began
    if [bool(at) for at in seen[:POINTS]] != expected:
        sys.exit(f"{name} read {list(seen)}")
    print(written / count, taken / count)


main()
