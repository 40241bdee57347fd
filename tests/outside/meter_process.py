"""A meter that speaks SCPI on a pseudo-terminal, written apart from the program under test.

Usage: meter_process.py FIRST_ANSWER...

Prints the path of its pseudo-terminal, then answers each question for AC volts with the next
answer. `-` answers nothing and puts an error into the queue. After the last one it begins again.
"""

import itertools
import os
import pty
import sys
import tty

near, far = pty.openpty()
tty.setraw(far)
print(os.ttyname(far), flush=True)
answers = itertools.cycle(sys.argv[1:])
errors = []
mask = "0"


def answer(line):
    global mask
    command, _, parameter = line.partition(" ")
    match command.upper():
        case "*IDN?":
            return "BENCHWORKS,HANDHELD 4,0,2.1"
        case "*CLS":
            errors.clear()
        case "*ESE":
            mask = parameter
        case "*ESE?":
            return "+" + mask
        case "SYST:ERR?":
            return errors.pop(0) if errors else '+0,"No error"'
        case "MEAS:VOLT:AC?":
            reading = next(answers)
            if reading != "-":
                return reading
            errors.append('-230,"Data corrupt or stale"')
        case _:
            errors.append('-113,"Undefined header"')
    return None


received = b""
while True:
    received += os.read(near, 256)
    while b"\n" in received:
        line, _, received = received.partition(b"\n")
        said = answer(line.decode("ascii").strip())
        if said is not None:
            os.write(near, said.encode("ascii") + b"\r\n")
