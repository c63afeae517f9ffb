"""A driver that keeps every rule of the protocol but the one that its setting `breaks` names.

Its hardware is a variable: what matters here is what it says. One thread, which waits for stdin or for what is due.
"""
import json, os, select, signal, sys, time

breaks = None


class Driver:
    def __init__(self, settings):
        self.has_inputs = settings.get("inputs", True)
        self.fraction, self.until, self.granted, self.is_cut = 0.0, None, None, False
        self.born = self.heard = time.monotonic()
        self.next_scan, self.scans = self.born, 0

    def describe(self):
        if breaks == "start":
            time.sleep(5.6)
        inputs = [{"id": "tc1", "kind": "temperature", "rate_hz": 10}] if self.has_inputs else []
        say("describe", protocol=1, name="broken", version="1", inputs=inputs,
            outputs=[{"id": "heat1", "kind": "heat", "window_ms": 100}])
        if breaks == "line-length":
            say("notice", level="info", text="x" * 70_000)
        if breaks == "messages":
            say("applied", seq=0)

    def due(self):
        return min(t for t in (self.until, self.next_scan) if t is not None)

    def act(self):
        now = time.monotonic()
        if self.until is not None and now >= self.until:
            self.fraction, self.until = 0.0, None
            say("applied", output="heat1", fraction=0, lapsed=True)
        if now >= self.next_scan:
            self.scan(now)
        if breaks == "silence" and now - self.heard > 2.5:
            os._exit(1)

    def scan(self, now):
        self.scans += 1
        period = 0.1 if self.has_inputs else 0.5
        if breaks == "scan-rate":
            period *= 2
        if breaks == "sign-of-life":
            period = 2.5
        self.next_scan += period
        if breaks == "scan-gaps" and self.scans % 20 == 10:
            self.next_scan += 0.9  # and then the missed ones in a burst
            self.burst = 9
        at_ms = time.time() * 1000 if breaks == "at-ms" else time.clock_gettime(time.CLOCK_MONOTONIC) * 1000
        values = {"tc1": {"celsius": 24.0}} if self.has_inputs else {}
        if breaks == "scan-inputs":
            values["tc9"] = {"celsius": 24.0}
        say("scan", at_ms=at_ms, values=values)
        while getattr(self, "burst", 0) and self.scans % 20 == 11:
            self.burst -= 1
            say("scan", at_ms=at_ms, values=values)

    def hear(self, raw):
        self.heard = time.monotonic()
        if breaks == "long-lines" and len(raw) > 8192:
            os._exit(1)
        try:
            if len(raw) > 65_536:
                raise ValueError("too long")
            line = json.loads(raw)
            msg = line["msg"]
        except (ValueError, TypeError, KeyError):
            if breaks != "garbage":
                self.zero()
                say("applied", output="heat1", fraction=0)
            return
        seq, output = line.get("seq"), line.get("output")
        if breaks == "unknown-fields" and "remark" in line and len(raw) < 8192:
            return say("refused", seq=seq, output=output, text="what is `remark`?")
        if msg == "close":
            os._exit(3 if breaks == "close" else 0)
        if msg not in ("heat", "cut", "restore"):
            if breaks == "unknown-messages":
                os._exit(1)
            return
        if output != "heat1" and breaks != "refuse-output":
            return say("refused", seq=seq, output=output, text="there is heat1 only")
        if msg == "heat":
            return self.heat(line, seq, output)
        self.zero()
        self.is_cut = msg == "cut" or (breaks == "restore" and self.is_cut)
        told_cut = msg == "cut" and breaks != "cut"
        say("applied", seq=seq, output="heat1", fraction=0, cut=told_cut)

    def heat(self, line, seq, output):
        fraction, valid = line.get("fraction"), line.get("valid_ms")
        refusal = None
        if not 0 <= fraction <= 1:
            refusal = "fraction"
            if breaks == "refuse-fraction":
                fraction, refusal = max(0, min(fraction, 1)), None
        if valid is None:
            refusal = "valid_ms"
            if breaks == "refuse-valid-ms":
                valid, refusal = 1500, None
        if breaks == "offset" and "offset_ms" in line:
            refusal = "offset_ms"
        if refusal:
            if breaks != "refusal-zero":
                self.zero()
            return say("refused", seq=seq, output=output, text=refusal)
        if self.is_cut and breaks != "cut-holds":
            return say("refused", seq=seq, output=output, text="cut")
        if breaks == "lapse" and valid < 1000 and not "offset_ms" in line and not "remark" in line:
            valid += 900
        now = time.monotonic()
        if breaks != "longest-permit":
            valid = min(valid, 1500)
        if not (breaks == "renewal" and self.until is not None and valid == 600):
            self.until = now + valid / 1000
        self.fraction = fraction
        if breaks == "applied":
            seq = None
        say("applied", seq=seq, output="heat1", fraction=fraction)

    def zero(self):
        self.fraction, self.until = 0.0, None


def say(msg, **fields):
    os.write(1, (json.dumps({"msg": msg, **fields}) + "\n").encode())


def main():
    global breaks
    buffer = b""
    while b"\n" not in buffer:
        buffer += os.read(0, 65_536)
    first, buffer = buffer.split(b"\n", 1)
    settings = json.loads(first)["settings"]
    breaks = settings.get("breaks")
    if breaks != "sigterm":
        signal.signal(signal.SIGTERM, lambda *_: os._exit(0))
    driver = Driver(settings)
    driver.describe()
    stdin = [0]
    while True:
        patience = max(0.0, driver.due() - time.monotonic())
        if select.select(stdin, [], [], patience)[0]:
            read = os.read(0, 65_536)
            if not read:
                if breaks != "stdin-closed":
                    os._exit(0)
                stdin = []
            buffer += read
            while b"\n" in buffer:
                line, buffer = buffer.split(b"\n", 1)
                driver.hear(line)
        driver.act()


main()
