"""Asks an instrument through an independent VISA library.

Usage: visa_client.py RESOURCE LINE...

A line that ends in a question mark is asked, any other is written. Each answer is printed, without
its end, on a line of its own.
"""

import sys

import pyvisa

resource, *lines = sys.argv[1:]
manager = pyvisa.ResourceManager("@py")
instrument = manager.open_resource(
    resource, read_termination="\n", write_termination="\n", timeout=10_000
)
for line in lines:
    if line.endswith("?"):
        print(instrument.query(line))
    else:
        instrument.write(line)
instrument.close()
manager.close()
