"""Relay devices behind an MQTT broker, with faults on demand. One process serves many devices. It has its own
implementation of MQTT 3.1.1 (OASIS, from memory).

Each line of standard input is a JSON object, and each is answered by one on standard output. Open and closed are states
of the loop.
"""
import heapq
import itertools
import json
import os
import secrets
import selectors
import socket
import struct
import sys
import time

TOKEN_EVERY = 0.5
sel = selectors.DefaultSelector()
timers, count = [], itertools.count()
devices = {}


def after(seconds, do):
    entry = [time.monotonic() + seconds, next(count), do]
    heapq.heappush(timers, entry)
    return entry


def text(s):
    b = s if isinstance(s, bytes) else s.encode()
    return struct.pack("!H", len(b)) + b


def packet(first, body):
    n, length = len(body), b""
    while True:
        n, digit = n >> 7, n & 127
        length += bytes([digit | (128 if n else 0)])
        if not n:
            return bytes([first]) + length + body


class Device:
    """One contact with its own connection. With "plain" it is a plain device, otherwise it implements the contract."""

    def __init__(self, order):
        self.o, self.prefix, self.plain = order, order["prefix"], "plain" in order
        self.open, self.changes, self.faults, self.obeyed, self.held = order.get("open", False), [], [], [], []
        self.pulses, self.timer, self.until = 0, None, 0.0
        self.answered, self.last_pulse = {}, None
        self.tokens, self.born = [secrets.token_hex(8)], 0
        self.sock, self.buf, self.over, self.seen = None, b"", False, []
        if self.open:
            self.changes.append([time.monotonic_ns(), True])
        self.connect()
        if not self.plain:
            self.rotate()

    # MQTT

    def connect(self):
        if self.over:
            return
        self.buf, self.id = b"", itertools.count(1)
        try:
            self.sock = socket.create_connection(("127.0.0.1", self.o["port"]))
        except OSError:
            after(0.02, self.connect)
            return
        self.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if self.plain:
            will = (self.prefix + "/status", "offline")
        else:
            will = (self.prefix + "/state", '{"online":false}')
        # clean session, a will that is retained with QoS 1
        self.send(packet(0x10, text("MQTT") + bytes([4, 0x2e]) + struct.pack("!H", 60) + text("sim-" + secrets.token_hex(8)) + text(will[0]) + text(will[1])))
        topics = self.o["plain"]["topics"] if self.plain else [self.prefix + "/" + t for t in ("pulse", "close", "read")]
        self.send(packet(0x82, struct.pack("!H", 1) + b"".join(text(t) + b"\x01" for t in topics)))
        sel.register(self.sock, selectors.EVENT_READ, self.readable)

    def send(self, data):
        try:
            self.sock.sendall(data)
        except OSError:
            self.lost()

    def publish(self, topic, payload, retain=True, qos=1):
        if self.sock:
            head = text(topic) + (struct.pack("!H", next(self.id) % 65535 + 1) if qos else b"")
            self.send(packet(0x30 | qos << 1 | retain, head + payload.encode()))

    def lost(self):
        if self.sock:
            sel.unregister(self.sock)
            self.sock.close()
            self.sock = None
            after(0.02, self.connect)

    def readable(self):
        try:
            data = self.sock.recv(65536)
        except OSError:
            data = b""
        if not data:
            return self.lost()
        self.buf += data
        while self.sock:
            n, shift, at = 0, 0, 1
            while at < len(self.buf):
                n, shift, at = n | (self.buf[at] & 127) << shift, shift + 7, at + 1
                if self.buf[at - 1] < 128:
                    break
            else:
                return
            if len(self.buf) < at + n:
                return
            first, body, self.buf = self.buf[0], self.buf[at:at + n], self.buf[at + n:]
            self.got(first, body)

    def got(self, first, body):
        if first >> 4 == 9:  # SUBACK: the device can be reached
            if self.plain:
                self.publish(self.prefix + "/status", "online")
            self.tell()
            if self.o.get("waits"):
                self.o["waits"] = False
                say({})
        if first >> 4 != 3:
            return
        n = struct.unpack("!H", body[:2])[0]
        topic, body = body[2:2 + n].decode(), body[2 + n:]
        if first & 6:
            self.send(packet(0x40, body[:2]))
            body = body[2:]
        if self.o.get("log"):
            self.seen.append([time.monotonic_ns(), topic, body.decode(), bool(first & 1)])
        if first & 1:
            return  # a retained message is an old command
        self.command(topic, body.decode())

    # the contact

    def set(self, opened):
        if self.timer:
            self.timer[2] = None
            self.timer = None
        if opened != self.open:
            self.open = opened
            self.changes.append([time.monotonic_ns(), opened])

    def begin(self, ms):
        latest = self.until if self.open and self.timer else 0
        self.set(True)
        until = max(time.monotonic() + ms / 1000, latest)
        self.until, self.pulses = until, self.pulses + 1
        self.timer = after(until - time.monotonic(), self.end)

    def end(self):
        self.timer = None
        self.set(False)
        self.tell()

    def kind(self, topic, body):
        if self.plain:
            return "closing" if body == self.o["plain"]["close"] else "opening"
        return {"pulse": "opening", "close": "closing"}.get(topic[len(self.prefix) + 1:], "reading")

    def command(self, topic, body):
        kind = self.kind(topic, body)
        for f in self.faults:
            if f["on"] in ("any", kind):
                if f.get("once"):
                    self.faults.remove(f)
                if f["do"] == "hold":
                    return self.held.append((topic, body))
                if f["do"] == "delay":
                    return after(f["ms"] / 1000, lambda: self.obey(topic, body, None))
                return self.obey(topic, body, f["do"])
        self.obey(topic, body, None)

    def obey(self, topic, body, fault):
        (self.obey_plain if self.plain else self.obey_contract)(topic, body, fault)
        if fault in ("hangup", "acthangup") and self.sock:
            self.sock.shutdown(socket.SHUT_RDWR)

    def obey_plain(self, topic, body, fault):
        if fault not in ("ignore", "refuse", "hangup"):
            if body == self.o["plain"]["close"]:
                self.set(False)
            elif body == self.o["plain"].get("open"):
                self.set(True)
            else:
                self.begin(float(body.split()[1]) * self.o["plain"].get("unit", 1))
        if fault in (None, "refuse"):
            self.tell()

    def obey_contract(self, topic, body, fault):
        try:
            k = json.loads(body)
        except ValueError:
            k = {}
        me = {"from": str(k.get("from", "")), "seq": k.get("seq", 0)}
        what = topic[len(self.prefix) + 1:]
        if fault in ("ignore", "hangup"):
            return
        if fault == "refuse":
            result = {"result": "refused", "why": "as ordered"}
        elif what == "pulse":
            result = self.pulse(me, k)
        else:
            if what == "close":
                self.set(False)
                self.tokens = [secrets.token_hex(8)]  # earlier tokens are no longer valid
            result = {"result": "done"}
        if fault in (None, "refuse"):
            self.answered = me | result
            self.tell()

    def pulse(self, me, k):
        if self.last_pulse and self.last_pulse[0] == me:
            return self.last_pulse[1]
        ms = k.get("ms", 0)
        if k.get("token") not in self.tokens:
            result = {"result": "refused", "why": "the token is old"}
        elif not 0 <= ms <= self.o.get("limit", 3000):
            result = {"result": "refused", "why": "too long"}
        else:
            if ms:
                self.begin(ms)
            else:
                self.set(False)
            result = {"result": "done"}
            self.tokens = [secrets.token_hex(8)]  # a token is valid only once
            self.obeyed.append(k)
        self.last_pulse = (me, result)
        return result

    def rotate(self):
        if self.over:
            return
        self.tokens = [secrets.token_hex(8)] + self.tokens[:1]
        self.tell()
        after(TOKEN_EVERY, self.rotate)

    def tell(self):
        if self.plain:
            p = self.o["plain"]
            self.publish(self.prefix + "/relay", p["states"][self.open])
            return
        left = max(0, round(1000 * (self.until - time.monotonic()))) if self.timer else 0
        self.publish(self.prefix + "/state", json.dumps({"online": True} | self.answered | {
            "open": self.open, "left_ms": left, "pulses": self.pulses, "token": self.tokens[0], "current": not self.open}))


def say(what):
    sys.stdout.write(json.dumps(what) + "\n")
    sys.stdout.flush()


def order(o):
    do = o.pop("do")
    if do == "new":
        o["waits"] = True  # answered once it is connected
        devices[o["device"]] = Device(o)
        return
    d = devices[o["device"]]
    if do == "ping":
        return say({})
    if do == "fault":
        d.faults.append(o["fault"])
    elif do == "clear":
        d.faults = []
    elif do == "release":
        held, d.held = d.held, []
        for topic, body in held:
            d.obey(topic, body, None)
    elif do == "move":
        d.set(o["open"])
        d.tell()
    elif do == "publish":
        d.publish(o["topic"], o["payload"], o.get("retain", False))
    elif do == "end":
        d.over = True
        if d.sock:
            d.send(b"\xe0\x00")
            d.lost()
        del devices[o["device"]]
    say({"changes": d.changes, "seen": d.seen, "obeyed": len(d.obeyed), "held": len(d.held)})


def orders():
    global rest
    data = os.read(0, 65536)
    if not data:
        sys.exit()
    *lines, rest = (rest + data).split(b"\n")
    for line in lines:
        order(json.loads(line))


rest = b""
sel.register(0, selectors.EVENT_READ, orders)
while True:
    while timers and timers[0][0] <= time.monotonic():
        do = heapq.heappop(timers)[2]
        if do:
            do()
    wait = max(0, timers[0][0] - time.monotonic()) if timers else None
    for key, _ in sel.select(wait):
        if key.fd in sel.get_map():
            key.data()
