"""A receiver of OTLP metrics over HTTP on loopback: decodes one request with the published definitions and prints, as JSON, what it holds.

usage: receiver.py MODE, one of ok, partial, refuse, busy, away, silent. Prints its port first. Answers one request and ends.
"""

import json
import sys
import time
from http.server import BaseHTTPRequestHandler, HTTPServer

from opentelemetry.proto.collector.metrics.v1 import metrics_service_pb2 as service

MODE = sys.argv[1]


def status(code, message):
    """google.rpc.Status as octets: 1 the code, 2 the message (protobuf encoding, by hand)."""
    text = message.encode()
    return bytes([0x08, code, 0x12, len(text)]) + text


class Receiver(BaseHTTPRequestHandler):
    def log_message(self, *_):
        pass

    def answer(self, code, body, **headers):
        self.send_response(code)
        self.send_header("Content-Type", "application/x-protobuf")
        self.send_header("Content-Length", str(len(body)))
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(body)

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if MODE == "silent":
            time.sleep(25)
            return
        if MODE == "refuse":
            return self.answer(400, status(3, "no such tenant"))
        if MODE == "busy":
            return self.answer(503, b"", Retry_After="30")
        if MODE == "away":
            return self.answer(307, b"", Location="http://127.0.0.1:1/elsewhere")
        request = service.ExportMetricsServiceRequest()
        request.ParseFromString(body)
        answer = service.ExportMetricsServiceResponse()
        if MODE == "partial":
            answer.partial_success.rejected_data_points = 2
            answer.partial_success.error_message = "two are too old"
        self.answer(200, answer.SerializeToString())
        points, unknown = [], 0
        for resource in request.resource_metrics:
            named = {one.key: one.value.string_value for one in resource.resource.attributes}
            for scope in resource.scope_metrics:
                for metric in scope.metrics:
                    unknown += metric.WhichOneof("data") != "gauge"
                    for point in metric.gauge.data_points:
                        points.append({
                            "metric": metric.name, "unit": metric.unit, "described": bool(metric.description), "service": named.get("service.name"),
                            "scope": scope.scope.name, "of": {one.key: one.value.string_value for one in point.attributes},
                            "from": point.start_time_unix_nano, "at": point.time_unix_nano, "value": point.as_double,
                        })
        print(json.dumps({"path": self.path, "type": self.headers["Content-Type"], "points": points, "unknown": unknown}), flush=True)


server = HTTPServer(("127.0.0.1", 0), Receiver)
server.timeout = 30
print(server.server_port, flush=True)
server.handle_request()
