"""Asks as fast as pymodbus lets it, and reports what came of it.

Usage: pymodbus_loop.py PORT BAUD SECONDS TIMEOUT_MS

Prints good answers, failures, and the seconds from the first answer on.
"""

import logging
import sys
import time

from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusException

REGISTERS = 10


def ask(client):
    try:
        answer = client.read_holding_registers(0, count=REGISTERS, device_id=1)
    except ModbusException:
        client.connect()
        return False
    return not answer.isError() and len(answer.registers) == REGISTERS


def main():
    logging.disable(logging.CRITICAL)
    port, baud, seconds, timeout_ms = sys.argv[1], int(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])
    client = ModbusSerialClient(port, baudrate=baud, timeout=timeout_ms / 1000, retries=0)
    client.connect()
    while not ask(client):
        pass
    good = failed = 0
    began = time.monotonic()
    while time.monotonic() - began < seconds:
        if ask(client):
            good += 1
        else:
            failed += 1
    print(good, failed, time.monotonic() - began)


main()
