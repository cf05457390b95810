"""Somebody in between on port 8080 of the gateway, in one of three manners: redirect, page, alter."""
import http.client, http.server, sys

MANNER = sys.argv[1]


class Middle(http.server.BaseHTTPRequestHandler):
    def do_GET(self):
        if MANNER == "redirect":
            self.send_response(302)
            self.send_header("Location", "http://portal.test/login")
            self.end_headers()
            return
        if MANNER == "page":
            self.send_response(200)
            self.end_headers()
            self.wfile.write(b"<html><body>Welcome, please log in</body></html>")
            return
        # The same head both ways, another body: written by hand so that no header of the library's own shows.
        upstream = http.client.HTTPConnection(self.headers["Host"].split(":")[0], 80, timeout=5)
        upstream.putrequest("GET", self.path, skip_host=True, skip_accept_encoding=True)
        for name, value in self.headers.items():
            upstream.putheader(name, value)
        upstream.endheaders()
        answer = upstream.getresponse()
        body = answer.read().replace(b"seen ", b"seem ")
        head = "HTTP/1.1 200 OK\r\n" + "".join(f"{name}: {value}\r\n" for name, value in answer.getheaders()) + "\r\n"
        self.wfile.write(head.encode() + body)

    def log_message(self, *_):
        pass


server = http.server.ThreadingHTTPServer(("0.0.0.0", 8080), Middle)
print("ready", flush=True)
server.serve_forever()
