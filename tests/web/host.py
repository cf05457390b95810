"""A host in a public one's place, on port 443: /short has 1000 octets, anything else 200,000. Argument: certificate and key."""
import http.server, ssl, sys


class Page(http.server.BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_GET(self):
        body = b"x" * (1000 if self.path == "/short" else 200_000)
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_):
        pass


context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
context.load_cert_chain(sys.argv[1])
server = http.server.ThreadingHTTPServer(("0.0.0.0", 443), Page)
server.socket = context.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
print("ready", flush=True)
server.serve_forever()
