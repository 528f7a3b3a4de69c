# web.py ADDRESS PORT CERTIFICATE KEY: the HTTP device of deploy/contacts.yaml. It demands the daemon's certificate, the
# password and the header with the secret.
import base64, http.server, ssl, sys

PASSWORD = "Basic " + base64.b64encode(b"clearback:curtain").decode()


class Device(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        self.rfile.read(int(self.headers["Content-Length"] or 0))
        known = self.headers["Authorization"] == PASSWORD and self.headers["X-Key"] == "curtain"
        self.send_response(200 if known else 403)
        self.end_headers()
        self.wfile.write(b'{"accepted": true, "open": false, "current": true}')

    do_GET = do_POST


address, port, certificate, key = sys.argv[1:]
tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH, cafile=certificate)
tls.load_cert_chain(certificate, key)
tls.verify_mode = ssl.CERT_REQUIRED
server = http.server.ThreadingHTTPServer((address, int(port)), Device)
server.socket = tls.wrap_socket(server.socket, server_side=True)
server.serve_forever()
