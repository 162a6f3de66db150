"""A Modbus master that siskin did not write: reads from siskin's simulated devices.

Usage: master.py serial PATH BAUD UNIT | rtu-over-tcp HOST:PORT UNIT | tcp HOST:PORT UNIT

Says first whether it is connected. Then reads lines "TABLE ADDRESS COUNT" and answers each with one line of JSON: the
items, or the exception code as {"exception": CODE}, or {"silence": true}.
"""

import json
import sys

from pymodbus import FramerType, ModbusException
from pymodbus.client import ModbusSerialClient, ModbusTcpClient


def connect(kind, where, *baud):
    if kind == "serial":
        return ModbusSerialClient(where, framer=FramerType.RTU, baudrate=int(baud[0]), timeout=2)
    framer = FramerType.RTU if kind == "rtu-over-tcp" else FramerType.SOCKET
    host, port = where.rsplit(":", 1)
    return ModbusTcpClient(host, port=int(port), framer=framer, timeout=2)


def read(client, unit, table, address, count):
    ask = {
        "coil": client.read_coils,
        "discrete": client.read_discrete_inputs,
        "holding": client.read_holding_registers,
        "input": client.read_input_registers,
    }[table]
    try:
        answer = ask(address, count=count, device_id=unit)
    except ModbusException:
        return {"silence": True}
    if answer.isError():
        return {"exception": answer.exception_code}
    bits = table in ("coil", "discrete")
    return answer.bits[:count] if bits else answer.registers


def main(kind, where, *rest):
    *baud, unit = rest
    client = connect(kind, where, *baud)
    print(json.dumps({"connected": client.connect()}), flush=True)
    for line in sys.stdin:
        table, address, count = line.split()
        print(json.dumps(read(client, int(unit), table, int(address), int(count))), flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
