"""A web server that checks each message by itself (Standard Webhooks) and answers the status that the path names."""
import base64
import hashlib
import hmac
import http.server
import json
import sys
import time


class Handler(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        signed = ".".join([self.headers["webhook-id"], self.headers["webhook-timestamp"], body.decode()]).encode()
        want = "v1," + base64.b64encode(hmac.new(sys.argv[1].encode(), signed, hashlib.sha256).digest()).decode()
        good = (hmac.compare_digest(want, self.headers["webhook-signature"])
                and json.loads(body)["id"] == self.headers["webhook-id"] == self.headers["Idempotency-Key"]
                and self.headers["Content-Type"] == "application/json"
                and abs(time.time() - int(self.headers["webhook-timestamp"])) < 300)
        status = int(self.path.split("/")[2]) if good else 400
        self.send_response(status)
        self.send_header("Location", "http://elsewhere.example/")
        self.end_headers()
        self.wfile.write(b"good " if good else b"bad ")
        self.wfile.write(self.path.encode() + b" " + sys.argv[1].encode() + b"x" * 100000)

    def log_message(self, *_):
        pass


server = http.server.HTTPServer(("127.0.0.1", 0), Handler)
print(server.server_port, flush=True)
server.serve_forever()
