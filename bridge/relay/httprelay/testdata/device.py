"""Relay devices on Python's http.server, with faults on demand. One process serves many devices.

Each line of standard input is a JSON object, and each is answered by one on standard output. Each device has a log file
with a JSON object per line: the movements of its contacts and, if requested, its requests. An entry is written before
the answer is sent. Open and closed are states of the loop.
"""
import base64
import concurrent.futures
import http.server
import json
import os
import secrets
import socket
import sys
import threading
import time
import urllib.parse


TOKEN_EVERY = 0.5

# Threads are reused, since starting one costs more than a request.
workers = concurrent.futures.ThreadPoolExecutor(1000)


class Contact:
    def __init__(self, device, index, opened):
        self.device, self.index, self.open = device, index, opened
        self.seq, self.pulses, self.until, self.timer = None, 0, 0.0, None
        self.tokens = []

    def set(self, opened):
        if self.timer:
            self.timer.cancel()
            self.timer = None
        if opened != self.open:
            self.open = opened
            self.device.note({"t": time.monotonic_ns(), "contact": self.index, "open": opened})

    def token(self):
        """Returns the token for the next pulse, a new one every half second."""
        now = time.monotonic()
        if not self.tokens or now - self.tokens[0][1] >= TOKEN_EVERY:
            self.tokens = [(secrets.token_hex(8), now)] + self.tokens[:1]
        return self.tokens[0][0]

    def good(self, token):
        """Reports whether a token is the current or the previous one, and has not expired."""
        return any(token == t and time.monotonic() - made < 2 * TOKEN_EVERY for t, made in self.tokens)

    def close(self):
        self.set(False)
        self.tokens = []  # earlier tokens are no longer valid

    def pulse(self, seq, ms, token):
        """Carries out a pulse of the contract: a repeated seq has no effect, an old token opens nothing, the later end
        counts, 0 closes. Returns False if it is refused."""
        if seq == self.seq:
            return True
        if self.device.tokens and not self.good(token):
            return False
        self.seq, self.pulses, self.tokens = seq, self.pulses + 1, []
        if ms == 0:
            self.set(False)
            return True
        until = self.until if self.open and self.timer else 0
        self.set(True)
        end = self.until = max(time.monotonic() + ms / 1000, until)
        self.timer = threading.Timer(end - time.monotonic(), self.over)
        self.timer.daemon = True
        self.timer.start()
        return True

    def over(self):
        me = threading.current_thread()
        with self.device.lock:
            if self.timer is me:
                self.timer = None
                self.set(False)

    def state(self):
        left = max(0, round(1000 * (self.until - time.monotonic()))) if self.open and self.timer else 0
        state = {"seq": self.seq, "open": self.open, "ms_left": left, "pulses": self.pulses}
        return state | {"token": self.token()} if self.device.tokens else state


class Handler(http.server.BaseHTTPRequestHandler):
    timeout = 20

    def log_message(self, *_):
        pass

    def body(self):
        return self.rfile.read(int(self.headers.get("Content-Length") or 0))

    def serve(self):
        device, body = self.server.device, self.body()
        path, _, query = self.path.partition("?")
        words = path.strip("/").split("/")
        asks = urllib.parse.parse_qs(query or body.decode("latin-1"))
        want = words[-1] if words[-1] in ("pulse", "close", "state", "current") else asks.get("to", ["state"])[0]
        kind = {"pulse": "opening", "open": "opening", "close": "closing"}.get(want, "reading")
        if device.logs:
            device.note({"request": f"{self.command} {self.path}", "version": self.request_version, "headers": dict(self.headers.items()),
                         "body": body.decode("latin-1")})
        fault = device.meets(kind, self.path)
        if fault and fault["do"] == "hold":
            device.keep()
            fault = None
        if fault and fault["do"] == "delay":
            time.sleep(fault["ms"] / 1000)
            fault = None
        if fault and fault["do"] == "refuse":
            return self.answer(fault.get("status", 422), {"error": "refused"})
        act = not fault or fault.get("act", fault["do"] in ("mute", "acthangup"))
        status, result = 200, {}
        if act:
            status, result = self.act(want, words, asks, body)
            device.acted()
        if not fault:
            return self.answer(status, result)
        self.close_connection = True
        if fault["do"] in ("ignore", "mute"):
            try:
                self.connection.recv(1)  # until the other side disconnects
            except OSError:
                pass
        elif fault["do"] == "raw":
            self.raw(fault)
        self.hang_up()

    do_GET = do_POST = do_PUT = do_PATCH = serve

    def act(self, want, words, asks, body):
        device = self.server.device
        name = asks.get("out", [words[-2] if words[-1] == want else words[-1]])[0]
        if name not in device.names:
            return 404, {"error": "no such contact"}
        with device.lock:
            c = device.contacts[device.names.index(name)]
            if want == "pulse":
                try:
                    order = json.loads(body)
                    seq, ms = order["seq"], order["ms"]
                except (ValueError, KeyError):
                    return 400, {"error": "malformed"}
                if not 0 <= ms <= device.limit:
                    return 422, {"error": "too long"}
                if not c.pulse(seq, ms, order.get("token")):
                    return 412, {"error": "the token is old"}
            elif want == "open":
                c.set(True)
            elif want == "close":
                c.close()
            elif want == "current":
                return 200, {"loop": {"current": [0 if c.open else 21.5]}}
            return 200, c.state()

    def answer(self, status, result):
        device = self.server.device
        text = json.dumps(result) if not device.text or status != 200 else ("ON\r\n" if result["open"] else "OFF\r\n")
        data = text.encode()
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        if device.version == "HTTP/1.0":
            self.close_connection = True  # the end of the connection ends the answer
        elif device.chunked:
            self.send_header("Transfer-Encoding", "chunked")
            data = b"".join(b"%x\r\n%s\r\n" % (len(data[i:i + 7]), data[i:i + 7]) for i in range(0, len(data), 7)) + b"0\r\n\r\n"
        else:
            self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)

    def raw(self, fault):
        try:
            self.wfile.write(base64.b64decode(fault["bytes"]))
            again, pause = base64.b64decode(fault.get("again", "")), fault.get("ms", 0) / 1000
            while again:
                self.wfile.write(again if pause else again * 50)
                time.sleep(pause)
        except OSError:
            pass

    def hang_up(self):
        try:
            self.connection.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass


class Server(http.server.ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 64

    def handle_error(self, *_):  # connections are broken here on purpose
        pass


class Device:
    def __init__(self, log="", names=("box-office", "stage-door"), open=False, limit=60000, version="HTTP/1.1", chunked=False, text=False,
                 logs=False, certificate="", ca="", tokens=True):
        self.log = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        self.tokens = tokens
        self.names, self.limit, self.version, self.chunked, self.text, self.logs = list(names), limit, version, chunked, text, logs
        self.lock = threading.RLock()
        self.contacts = [Contact(self, i, False) for i in range(len(self.names))]
        for c in self.contacts:
            c.set(open)
        self.faults, self.connections, self.tls = [], set(), None
        self.held, self.going, self.moved = {}, set(), threading.Condition(self.lock)
        if certificate:
            import ssl
            self.tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            self.tls.load_cert_chain(certificate)
            if ca:
                self.tls.verify_mode = ssl.CERT_REQUIRED
                self.tls.load_verify_locations(ca)
        # This bound socket, which never listens, reserves the port while the device is cut.
        self.place = socket.socket()
        self.place.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.place.bind(("127.0.0.1", 0))
        self.port, self.listener = self.place.getsockname()[1], None
        self.restore()

    def note(self, entry):
        with self.lock:
            if self.log >= 0:
                os.write(self.log, (json.dumps(entry) + "\n").encode())

    def end(self):
        self.cut()
        self.release()
        with self.lock:
            for c in self.contacts:
                c.set(False)  # ends its timer
            os.close(self.log)
            self.log = -1
            self.place.close()

    def keep(self):
        """Holds the request of the calling thread until it is released."""
        me = threading.get_ident()
        with self.moved:
            self.held[me] = True
            self.moved.wait_for(lambda: me not in self.held)

    def acted(self):
        with self.moved:
            self.going.discard(threading.get_ident())
            self.moved.notify_all()

    def release(self):
        """Releases the held requests, and returns when they have been carried out."""
        with self.moved:
            self.going |= set(self.held)
            self.held.clear()
            self.moved.notify_all()
            self.moved.wait_for(lambda: not self.going)

    def meets(self, kind, path):
        with self.lock:
            for f in self.faults:
                if f.get("on", "any") in ("any", kind) and f.get("path", "") in path:
                    if f.get("once"):
                        self.faults.remove(f)
                    return f
        return None

    def restore(self):
        with self.lock:
            if self.listener:
                return
            server = Server(("127.0.0.1", self.port), type("H", (Handler,), {"protocol_version": self.version}))
            server.device = self
            self.listener = server.socket
        threading.Thread(target=self.accept, args=(server, self.listener), daemon=True).start()

    def accept(self, server, listener):
        while True:
            try:
                connection, peer = listener.accept()
            except OSError:
                return
            with self.lock:
                if self.listener is not listener:
                    connection.close()
                    return
                self.connections.add(connection)
            workers.submit(self.converse, server, connection, peer)

    def converse(self, server, connection, peer):
        try:
            if self.tls:
                with self.lock:
                    self.connections.discard(connection)
                connection = self.tls.wrap_socket(connection, server_side=True)
                with self.lock:
                    self.connections.add(connection)
            server.finish_request(connection, peer)
        except OSError:
            pass
        finally:
            with self.lock:
                self.connections.discard(connection)
            server.shutdown_request(connection)

    def cut(self):
        with self.lock:
            listener, self.listener = self.listener, None
            if not listener:
                return
            try:
                listener.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass
            listener.close()
            gone, self.connections = self.connections, set()
            for c in gone:
                try:
                    c.shutdown(socket.SHUT_RDWR)
                except OSError:
                    pass


def main():
    sys.setswitchinterval(0.001)  # many threads, each with little work
    devices = {}
    for line in sys.stdin:
        order = json.loads(line)
        what, number = order.pop("do"), order.pop("device")
        answer = {"ok": True}
        if what == "new":
            devices[number] = Device(**order)
            answer["port"] = devices[number].port
        else:
            d = devices[number]
            if what == "fault":
                with d.lock:
                    d.faults.append(order["fault"])
            elif what == "clear":
                with d.lock:
                    d.faults.clear()
            elif what == "held":
                answer["held"] = len(d.held)
            elif what == "release":
                d.release()
            elif what == "cut":
                d.cut()
            elif what == "restore":
                d.restore()
            elif what == "move":
                with d.lock:
                    d.contacts[order["contact"]].set(order["open"])
            elif what == "end":
                d.end()
                del devices[number]
        print(json.dumps(answer), flush=True)


main()
sys.stdout.flush()
os._exit(0)  # without waiting for threads that hang
