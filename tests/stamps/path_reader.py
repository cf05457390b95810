"""An independent reader of probes along a path: sees frames on a port, pairs echoes and datagrams with what is said of them.

Usage: path_reader.py PORT_NAME OUR_ADDRESS DESTINATION SECONDS
Prints "ready" when it listens, then one JSON object a probe or answer, and ends after SECONDS or when its input is closed.
It shares no code with the program under test: RFC 791, 768 and 792 say where the fields lie; an error quotes the datagram it is about.
"""

import json
import select
import socket
import struct
import sys
import time

SO_TIMESTAMPNS = 35  # Linux, asm-generic/socket.h


def probe(ip, destination):
    """What tells one probe of ours from another: number of an echo, or data of a datagram; None for anything else."""
    header = (ip[0] & 15) * 4
    if len(ip) < header + 8 or socket.inet_ntoa(ip[16:20]) != destination:
        return None
    if ip[9] == 1 and ip[header] == 8:
        return "echo " + ip[header + 4 : header + 8].hex()
    if ip[9] == 17 and struct.unpack_from("!H", ip, header + 2)[0] >= 49152:
        return "datagram " + ip[header + 8 : header + 20].hex()
    return None


def main():
    port, ours, destination, seconds = sys.argv[1], sys.argv[2], sys.argv[3], float(sys.argv[4])
    sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
    sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 8 << 20)
    sock.bind((port, 0))
    print("ready", flush=True)
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        # Once nobody wants more, what the queue still holds is told.
        ready = select.select([sock, sys.stdin], [], [], 0.5)[0]
        if sys.stdin in ready and sock not in ready:
            break
        if sock not in ready:
            continue
        frame, control, _, _ = sock.recvmsg(2048, 256)
        if len(frame) < 42 or frame[12:14] != b"\x08\x00":
            continue
        ip = frame[14:]
        header = (ip[0] & 15) * 4
        stamp = next((d for level, kind, d in control if (level, kind) == (socket.SOL_SOCKET, SO_TIMESTAMPNS)), None)
        whole, nanos = struct.unpack("qq", stamp[:16])
        at = whole * 10**9 + nanos
        if socket.inet_ntoa(ip[12:16]) == ours:
            key = probe(ip, destination)
            if key:
                print(json.dumps({"probe": key, "hop": ip[8], "at": at}), flush=True)
        elif ip[9] == 1 and ip[header] in (3, 11):
            key = probe(ip[header + 8 :], destination)
            if key:
                print(json.dumps({"answer": key, "at": at}), flush=True)
        elif ip[9] == 1 and ip[header] == 0 and socket.inet_ntoa(ip[12:16]) == destination:
            print(json.dumps({"answer": "echo " + ip[header + 4 : header + 8].hex(), "at": at}), flush=True)


main()
