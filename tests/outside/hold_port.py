"""Another program that has a serial port open for itself alone.

Usage: hold_port.py PORT

Prints "holding" once it has the port, and keeps it until its standard input ends.
"""

import sys

import serial

with serial.Serial(sys.argv[1], exclusive=True):
    print("holding", flush=True)
    sys.stdin.read()
