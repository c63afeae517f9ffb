#!/usr/bin/env python3
"""A Benchward driver in Python: one sensor and one heater, each behind a file as the kernel's hwmon and pwm have them.

Settings: sensor_file (thousandths of a degree), heater_file (takes a duty, 0 to 255).
Two things matter most: heat ends by itself (`lapse`), and every way out goes through `end`.
"""
import json, os, signal, sys, threading, time

LONGEST_S = 1.5  # no permit counts for longer
state = threading.Condition(threading.RLock())  # guards the heater and what follows
heater_file, until, cut = None, None, False


def say(msg, **fields):
    # One write a line, so that lines of two threads don't mix. Never while holding `state`: the pipe may be full.
    os.write(1, (json.dumps({"msg": msg, **fields}) + "\n").encode())


def now_ms():
    return time.clock_gettime(time.CLOCK_MONOTONIC) * 1000


def heat(fraction, seconds=None):
    """Tells the hardware. Above zero only with the time after which it ends."""
    global until
    with state:
        with open(heater_file, "w") as file:
            file.write(f"{int(fraction * 255)}\n")
        until = time.monotonic() + seconds if seconds else None
        state.notify_all()


def lapse():
    """Ends heat whose time is up, whatever the other threads are waiting for."""
    while True:
        with state:
            while until is None or until > time.monotonic():
                state.wait(None if until is None else until - time.monotonic())
            heat(0)
        say("applied", output="heat1", fraction=0, lapsed=True, at_ms=now_ms())


def scan(sensor_file):
    while True:
        try:
            value = {"celsius": int(open(sensor_file).read()) / 1000}
        except (OSError, ValueError) as error:
            value = {"fault": "device", "text": str(error)}
        say("scan", at_ms=now_ms(), values={"tc1": value})
        time.sleep(0.25)


def obey(line):
    global cut
    msg, seq, output = line.get("msg"), line.get("seq"), line.get("output")
    if msg == "close":
        end(0)
    if msg not in ("heat", "cut", "restore"):
        return
    if output != "heat1":
        return say("refused", seq=seq, output=output, text=f"there is no output `{output}`, only heat1")
    if msg == "heat":
        fraction, valid = line.get("fraction"), line.get("valid_ms")
        numbers = all(type(x) in (int, float) for x in (fraction, valid))
        if cut or not numbers or not 0 <= fraction <= 1 or not valid >= 1:
            heat(0)
            text = "cut; restore first" if cut else f"fraction {fraction} or valid_ms {valid} is out of bounds"
            return say("refused", seq=seq, output=output, text=text)
        heat(fraction, min(valid / 1000, LONGEST_S))
        return say("applied", seq=seq, output=output, fraction=int(fraction * 255) / 255, at_ms=now_ms())
    cut = msg == "cut"  # this heater has no second switch to open
    heat(0)
    say("applied", seq=seq, output=output, fraction=0, cut=cut, at_ms=now_ms())


def end(code, why=""):
    """Zero, and the end. `state` stays taken, so that no other thread heats any more."""
    state.acquire()
    try:
        if heater_file:
            heat(0)
        os.write(2, why.encode())
    finally:
        os._exit(code)


def main():
    global heater_file
    threading.excepthook = lambda failed: end(1, f"{failed.exc_value!r}\n")
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, lambda *_: end(0))
    settings = json.loads(sys.stdin.buffer.readline())["settings"]
    heater_file = settings["heater_file"]
    heat(0)
    say("describe", protocol=1, name="example", version="1",
        inputs=[{"id": "tc1", "kind": "temperature", "rate_hz": 4}], outputs=[{"id": "heat1", "kind": "heat"}])
    threading.Thread(target=lapse, daemon=True).start()
    threading.Thread(target=scan, args=(settings["sensor_file"],), daemon=True).start()
    for line in sys.stdin.buffer:
        if len(line) > 65537:
            raise ValueError("a line over 64 KiB")
        obey(json.loads(line))


try:
    main()
except BaseException as error:  # a line that can't be read ends this driver; the daemon starts it anew
    end(1, f"{error!r}\n")
end(0)
