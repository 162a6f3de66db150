"""A Modbus slave that siskin did not write, holding a value of every type in every order.

Usage: slave.py serial | rtu-over-tcp | tcp

Prints one line of JSON once it can be asked: where it is reached, and what it holds where. Values
are packed by Python's struct and served by pymodbus, so nothing of siskin's own judges siskin.
Ends when its standard input ends.
"""

import asyncio
import json
import os
import struct
import sys
import threading
import tty

from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

UNIT_ID = 17
BAUD = 19200

# Name in the site file, struct code, and a value whose bytes all differ, so that no two orders of
# them can be taken for one another. Integers stay below 2^53, where a double is still exact.
TYPES = [
    ("u16", "H", 0x1234),
    ("i16", "h", -0x1234),
    ("u32", "I", 0x89ABCDEF),
    ("i32", "i", -0x12345678),
    ("u64", "Q", 0x0001020304050607),
    ("i64", "q", -0x0001020304050607),
    ("f32", "f", 123.4560546875),
    ("f64", "d", -9876.54321),
]
ORDERS = ["high_first", "low_first"]
REGISTER_OF_BITS = 0b1010_0110_0000_1101
BITS = [True, False, False, True, True, True, False, True, False, True, True]


def registers(code, value, word_order, byte_order):
    """The value's registers as they travel, each a 16-bit number."""
    packed = struct.pack(">" + code, value)
    words = [packed[at : at + 2] for at in range(0, len(packed), 2)]
    if word_order == "low_first":
        words.reverse()
    if byte_order == "low_first":
        words = [word[::-1] for word in words]
    return [int.from_bytes(word, "big") for word in words]


def register_table(table, first, sign):
    """One table of registers: its signals, and its words from address `first` on."""
    signals, words = [], []
    for name, code, value in TYPES:
        value = value * sign if code in "hiqfd" else value + (sign > 0)
        for word_order in ORDERS:
            for byte_order in ORDERS:
                signals.append(
                    {
                        "id": f"{table}-{name}-{word_order[:3]}-{byte_order[:3]}".replace("_", ""),
                        "table": table,
                        "address": first + len(words),
                        "type": name,
                        "word_order": word_order,
                        "byte_order": byte_order,
                        "value": value,
                    }
                )
                words += registers(code, value, word_order, byte_order)
    for bit in range(16):
        signals.append(
            {
                "id": f"{table}-bit-{bit}",
                "table": table,
                "address": first + len(words),
                "type": "bool",
                "bit": bit,
                "value": bool(REGISTER_OF_BITS >> bit & 1),
            }
        )
    return signals, words + [REGISTER_OF_BITS]


def bit_table(table, first, bits):
    """One table of bits: its signals, and the bits from address `first` on."""
    signals = [
        {"id": f"{table}-{at}", "table": table, "address": first + at, "type": "bool", "value": bit}
        for at, bit in enumerate(bits)
    ]
    return signals, bits


def build_device():
    """What the device holds, for the site file and for the server."""
    coils, coil_bits = bit_table("coil", 3, BITS)
    inputs, input_bits = bit_table("discrete", 100, [not bit for bit in BITS])
    holding, holding_words = register_table("holding", 0, 1)
    input_, input_words = register_table("input", 1000, -1)
    blocks = (
        [SimData(3, values=coil_bits, datatype=DataType.BITS)],
        [SimData(100, values=input_bits, datatype=DataType.BITS)],
        [SimData(0, values=holding_words, datatype=DataType.REGISTERS)],
        [SimData(1000, values=input_words, datatype=DataType.REGISTERS)],
    )
    return coils + inputs + holding + input_, SimDevice(UNIT_ID, simdata=blocks)


def serial_pair():
    """Two pseudo-terminals joined back to back: one end's path for us, one for siskin."""
    (ours, our_end), (theirs, their_end) = os.openpty(), os.openpty()
    for end in (our_end, their_end):
        tty.setraw(end)

    def carry(source, sink):
        while data := os.read(source, 512):
            os.write(sink, data)

    for source, sink in ((ours, theirs), (theirs, ours)):
        threading.Thread(target=carry, args=(source, sink), daemon=True).start()
    return os.ttyname(our_end), os.ttyname(their_end)


async def serve(kind):
    signals, device = build_device()
    if kind == "serial":
        our_path, their_path = serial_pair()
        server = ModbusSerialServer(device, framer=FramerType.RTU, port=our_path, baudrate=BAUD)
        reached = {"serial": their_path, "baud": BAUD}
        await server.serve_forever(background=True)
    else:
        framer = FramerType.RTU if kind == "rtu-over-tcp" else FramerType.SOCKET
        server = ModbusTcpServer(device, framer=framer, address=("127.0.0.1", 0))
        await server.serve_forever(background=True)
        port = server.transport.sockets[0].getsockname()[1]
        reached = {"tcp": f"127.0.0.1:{port}", "framing": "tcp" if kind == "tcp" else "rtu"}
    print(json.dumps({"line": reached, "unit_id": UNIT_ID, "signals": signals}), flush=True)
    await asyncio.to_thread(sys.stdin.read)
    await server.shutdown()


if __name__ == "__main__":
    asyncio.run(serve(sys.argv[1]))
