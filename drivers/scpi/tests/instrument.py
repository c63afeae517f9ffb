"""An instrument on scpipy, which does all of SCPI: parsing, short and long forms, the error queue, IEEE 488.2.

    instrument.py PORT STATE LOG

STATE is a JSON file, read anew at every query: {"answers": {KEY: TEXT}, "delays": {KEY: SECONDS}}. KEY is a channel list such as "(@101)", or
"READ" for the whole scan, or "*IDN". LOG gets a line for each command that sets something up.
"""

import asyncio
import json
import sys

from scpipy.server import Context, Router, Server

port, state_path, log_path = sys.argv[1:]
router = Router()
unit = "F"  # as it is switched on


async def answer(key):
    # An answer is decided when it is asked for, however late it comes.
    with open(state_path) as file:
        state = json.load(file)
    await asyncio.sleep(state.get("delays", {}).get(key, 0))
    return state["answers"].get(key)


def log(line):
    with open(log_path, "a") as file:
        file.write(line + "\n")


@router.register("*IDN?")
async def identify(context: Context):
    return await answer("*IDN")


@router.register("*RST")
def reset(context: Context):
    global unit
    unit = "F"
    log("*RST")


@router.register("UNIT:TEMPerature <letter>")
def set_unit(context: Context, letter):
    global unit
    unit = letter
    log("UNIT " + letter)


@router.register("UNIT:TEMPerature?")
def tell_unit(context: Context):
    return unit


@router.register("CONFigure:TEMPerature <probe>,<kind>,<channels>")
def configure(context: Context, probe, kind, channels):
    log(f"CONF {probe} {kind} {channels}")


@router.register("MEASure:TEMPerature? <probe>,<kind>,<channels>")
async def measure_temperature(context: Context, probe, kind, channels):
    return await answer(channels)


@router.register("MEASure:VOLTage:DC? <channels>")
async def measure_voltage(context: Context, channels):
    return await answer(channels)


@router.register("READ?")
async def read(context: Context):
    return await answer("READ")


# One error queue for all who connect, as in a real instrument.
server = Server("127.0.0.1", int(port), shared_context=True)
server.include_router(router)
server.run()
