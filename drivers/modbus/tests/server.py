"""An independent Modbus server: pymodbus, with units as a JSON file says, and a record of all that was written.

server.py FOLDER tcp PORT | server.py FOLDER rtu PATH BAUD

FOLDER/units.json: list of {"id", "coils": [bool], "discrete": [bool], "holding": [NUMBER], "input": [NUMBER]},
    NUMBER: a register, or {"type", "words", "value"}, which pymodbus itself turns into registers.
FOLDER/control.json, looked at with every packet:
    "mode": "corrupt" (one bit of each answer), "slow" (answers after "wait_s"), "mute", "noise" (bytes in front),
        "other-unit" (4 added to the unit id)
    "unit": whose answers; without it everybody's
    "input": {"UNIT": {"ADDRESS": REGISTER}} replaces input registers
    "clamp": [LOW, HIGH] for what holding register 0 keeps of what it is told
    "plant": UNIT whose input register 0 follows its coil 0 while its coil 1 lets current through: 6 degrees a
        second up, 1 down to 24, in tenths of a degree
FOLDER/record.jsonl: a line for every write that a unit took, with CLOCK_MONOTONIC.
"""
import asyncio
import functools
import json
import os
import sys
import time

from pymodbus import FramerType
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.constants import ExcCodes
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

folder = sys.argv[1]
record = open(f"{folder}/record.jsonl", "a", buffering=1)
seen = (None, {})
coils = {}
plant = {"celsius": 24.0, "at": time.monotonic()}


def control():
    global seen
    try:
        # The time alone is not enough: the kernel's file times move in steps of milliseconds, and two commands may fall
        # into one. Each command is a file of its own, renamed into place.
        found = os.stat(f"{folder}/control.json")
        stamp = (found.st_mtime_ns, found.st_ino, found.st_size)
        if stamp != seen[0]:
            with open(f"{folder}/control.json") as file:
                seen = (stamp, json.load(file))
    except (FileNotFoundError, json.JSONDecodeError):
        pass
    return seen[1]


def grow():
    """The plant up to now."""
    unit = control().get("plant")
    now = time.monotonic()
    spent, plant["at"] = now - plant["at"], now
    hot = coils.get((unit, 0), False) and coils.get((unit, 1), False)
    plant["celsius"] = max(24.0, plant["celsius"] + spent * (6.0 if hot else -1.0))
    return unit


async def action(unit, function, start, address, count, registers, values):
    grown = grow()
    if function in (5, 15, 6, 16) and values is not None:
        if function in (5, 15):
            for n, value in enumerate(values):
                coils[(unit, address + n)] = bool(value)
        line = {"at_ms": time.monotonic() * 1000, "unit": unit, "function": function, "address": address,
                "values": [int(v) for v in values]}
        record.write(json.dumps(line) + "\n")
    elif function == 3 and "clamp" in control():
        low, high = control()["clamp"]
        registers[0 - start] = max(low, min(high, registers[0 - start]))
    elif function == 4:
        if unit == grown:
            registers[0 - start] = round(plant["celsius"] * 10)
        for at, value in control().get("input", {}).get(str(unit), {}).items():
            registers[int(at) - start] = value
    return None


def trace_packet(sending, data):
    mode = control()
    at = 6 if sys.argv[2] == "tcp" else 0
    if len(data) <= at or mode.get("unit") not in (None, data[at]) or not sending:
        return data
    match mode.get("mode"):
        case "slow":
            time.sleep(mode["wait_s"])
        case "mute":
            return b""
        case "corrupt":
            return data[:-1] + bytes([data[-1] ^ 0x10])
        case "other-unit":
            return data[:at] + bytes([data[at] ^ 4]) + data[at + 1:]
        case "noise":
            return b"\x00\xff" + data
    return data


def block(numbers, bits):
    registers = []
    for number in numbers:
        if isinstance(number, dict):
            kind = ModbusClientMixin.DATATYPE[number["type"].upper()]
            order = "little" if number.get("words") == "low-first" else "big"
            registers += ModbusClientMixin.convert_to_registers(number["value"], kind, word_order=order)
        else:
            registers.append(number)
    if not registers:
        registers = [False] if bits else [0]
    return [SimData(0, values=registers, datatype=DataType.BITS if bits else DataType.REGISTERS)]


async def main():
    with open(f"{folder}/units.json") as file:
        units = json.load(file)
    devices = [
        SimDevice(
            u["id"],
            simdata=(block(u.get("coils", []), True), block(u.get("discrete", []), True),
                     block(u.get("holding", []), False), block(u.get("input", []), False)),
            action=functools.partial(action, u["id"]),
        )
        for u in units
    ]
    if sys.argv[2] == "tcp":
        await StartAsyncTcpServer(devices, address=("127.0.0.1", int(sys.argv[3])), trace_packet=trace_packet)
    else:
        await StartAsyncSerialServer(devices, framer=FramerType.RTU, port=sys.argv[3], baudrate=int(sys.argv[4]),
                                     parity="N", stopbits=1, trace_packet=trace_packet)


asyncio.run(main())
