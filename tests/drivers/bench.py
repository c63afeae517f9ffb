#!/usr/bin/env python3
"""A bench that isn't there, as a driver: driver protocol 1 with the Python standard library alone.

It shares no code with the daemon or with the project's drivers, so that the tests have a second opinion on the protocol.
Each command leaves a line in the file `record` when it comes, each lapse when it happens, before the daemon is told:

    {"at_ms": 123460.1, "output": "heat1", "fraction": 0.42, "why": "heat"}

Settings: `record`; `rate_hz` (10); `trouble` and `at_file`: once that file is there, the trouble begins:

    deaf          reads stdin no more and goes on sending scans; its stdin pipe is made as small as the system lets it
    long-lines    each scan is followed by a line of 1 MB
    invalid-utf8  each scan is replaced by a line that is no UTF-8
    nan           temperatures are the word NaN, which is no JSON
    infinite      temperatures are 1e999, which is JSON and no number that a computer holds
    huge          temperatures are 1e300
    refuse        every heat command is refused
    flood         scans as fast as they can be written
    unfinished    half a line, then silence
    hot           temperatures are 300 °C; the record says just before the first
    cold-junction the cold junction is at 80 °C
    rise          temperatures rise by 12 °C/s
"""

import fcntl
import json
import os
import select
import sys
import time

VALID_MS_MAX = 1500.0
F_SETPIPE_SZ = 1031
WATTS = 400.0
HEAT_CAPACITY = 120.0  # J/K: a board of about 100 g
LOSS = 1.5  # W/K
AMBIENT = 24.0


def now_ms():
    return time.clock_gettime_ns(time.CLOCK_MONOTONIC) / 1e6


class Bench:
    def __init__(self):
        self.settings = {}
        self.record_file = None
        self.celsius = AMBIENT
        self.fraction = 0.0
        self.until_ms = None
        self.cut = False
        self.stepped_ms = now_ms()
        self.deaf = False
        self.rises_since_ms = None
        self.hot = False

    def say(self, message):
        self.write((json.dumps(message) + "\n").encode())

    def write(self, data):
        while data:
            try:
                data = data[os.write(1, data):]
            except BlockingIOError:
                select.select([], [1], [])
            except BrokenPipeError:
                self.tell(0.0, "eof")
                sys.exit(0)

    def tell(self, fraction, why, **more):
        """What the hardware is told: put down at once, changed or not."""
        self.step()
        self.fraction = fraction
        self.note(why, **more)

    def note(self, why, **more):
        if self.record_file is not None:
            line = {"at_ms": now_ms(), "output": "heat1", "fraction": self.fraction, "why": why}
            os.write(self.record_file, (json.dumps(line | more) + "\n").encode())

    def step(self):
        now = now_ms()
        dt = (now - self.stepped_ms) / 1000.0
        self.stepped_ms = now
        while dt > 0:
            part = min(dt, 0.05)
            self.celsius += part * (WATTS * self.fraction - LOSS * (self.celsius - AMBIENT)) / HEAT_CAPACITY
            dt -= part

    def trouble(self):
        at = self.settings.get("at_file")
        return self.settings.get("trouble") if at and os.path.exists(at) else None

    def scan(self):
        self.step()
        trouble = self.trouble()
        reading = {"celsius": round(self.celsius, 3)}
        if trouble == "hot":
            reading["celsius"] = 300.0
            if not self.hot:
                self.hot = True
                self.note("hot")
        elif trouble == "cold-junction":
            reading["cold_junction"] = 80.0
        elif trouble == "rise":
            self.rises_since_ms = self.rises_since_ms or now_ms()
            reading["celsius"] += 0.012 * (now_ms() - self.rises_since_ms)
        scan = {"msg": "scan", "at_ms": now_ms(), "values": {"tc1": reading}}
        line = json.dumps(scan) + "\n"
        if trouble == "deaf" and not self.deaf:
            self.deaf = True
            fcntl.fcntl(0, F_SETPIPE_SZ, 4096)
        if trouble == "long-lines":
            self.say(scan)
            self.write(b"x" * 1_000_000 + b"\n")
        elif trouble == "invalid-utf8":
            self.write(b'{"msg":"scan","values":{"tc1":{"celsius":\xff\xfe}}}\n')
        elif trouble in ("nan", "infinite", "huge"):
            word = {"nan": "NaN", "infinite": "1e999", "huge": "1e300"}[trouble]
            self.write(('{"msg":"scan","at_ms":%f,"values":{"tc1":{"celsius":%s}}}\n' % (now_ms(), word)).encode())
        elif trouble == "unfinished":
            self.write(b'{"msg":"scan","values":{"tc1"')
            time.sleep(3600)
        else:
            self.write(line.encode())
        return trouble

    def command(self, line):
        message = json.loads(line)
        kind, seq, output = message.get("msg"), message.get("seq"), message.get("output")
        if kind == "configure":
            self.settings = message["settings"]
            if "record" in self.settings:
                self.record_file = os.open(self.settings["record"], os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
            rate = self.settings.get("rate_hz", 10)
            self.period_ms = 1000.0 / rate
            self.say({
                "msg": "describe", "protocol": 1, "name": "bench.py", "version": "1",
                "inputs": [{"id": "tc1", "kind": "temperature", "rate_hz": rate, "range": [-50, 500]}],
                "outputs": [{"id": "heat1", "kind": "heat", "watts": WATTS, "cuts": True}],
            })
            return True
        if kind == "heat":
            if self.cut or self.trouble() == "refuse":
                self.tell(0.0, "refused", seq=seq)
                self.until_ms = None
                self.say({"msg": "refused", "seq": seq, "output": output, "text": "cut" if self.cut else "won't"})
                return False
            self.tell(message["fraction"], "heat", seq=seq)
            self.until_ms = now_ms() + min(message["valid_ms"], VALID_MS_MAX)
            self.say({"msg": "applied", "seq": seq, "output": output, "fraction": self.fraction, "at_ms": now_ms()})
        elif kind == "cut":
            self.cut, self.until_ms = True, None
            self.tell(0.0, "cut", seq=seq)
            self.say({"msg": "applied", "seq": seq, "output": output, "fraction": 0, "cut": True, "at_ms": now_ms()})
        elif kind == "restore":
            self.cut = False
            self.tell(self.fraction, "restore", seq=seq)
            self.say({"msg": "applied", "seq": seq, "output": output, "fraction": self.fraction, "at_ms": now_ms()})
        elif kind == "close":
            self.tell(0.0, "close")
            sys.exit(0)
        return False

    def run(self):
        pending = b""
        due_ms = None
        while True:
            wakes = [at for at in (due_ms, self.until_ms) if at is not None]
            wait = max(0.0, (min(wakes) - now_ms()) / 1000.0) if wakes else None
            ready, _, _ = select.select([] if self.deaf else [0], [], [], wait)
            if ready:
                read = os.read(0, 65536)
                if not read:
                    self.tell(0.0, "eof")
                    sys.exit(0)
                pending += read
                *lines, pending = pending.split(b"\n")
                for line in lines:
                    if self.command(line):
                        due_ms = now_ms()
            now = now_ms()
            if self.until_ms is not None and now >= self.until_ms:
                self.until_ms = None
                self.tell(0.0, "lapsed")
                self.say({"msg": "applied", "output": "heat1", "fraction": 0, "lapsed": True})
            if due_ms is not None and now >= due_ms:
                flood = self.scan() == "flood"
                # A scan that is late is not made up for.
                due_ms = now if flood else max(due_ms + self.period_ms, now)


Bench().run()
