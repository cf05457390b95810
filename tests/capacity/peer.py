"""A peer of RFC 9946 written from the layouts of the standard, for tests: shares no code with the program.

peer.py serve ADDRESS PORT KEYNUMBER KEYHEX MBIT           two tests as server, either way, at a fixed rate
peer.py ask ADDRESS PORT KEYNUMBER KEYHEX up|down SECONDS  one test as client; prints a line of JSON
"""
import hashlib, hmac, json, os, select, socket, struct, sys, time

VERSION, HEADERS, PAYLOAD = 20, 28, 1222


def keys(secret, when):
    # SP 800-108r1 section 4.1: counter, label, 0, context, length in bits.
    block = lambda n: hmac.new(secret, struct.pack(">I", n) + b"UDPSTP\0" + struct.pack(">II", when, 512), hashlib.sha256).digest()
    return block(1), block(2)


def signed(packet, key):
    return packet[:-36] + hmac.new(key, packet, hashlib.sha256).digest() + packet[-4:]


def is_signed(packet, key):
    plain = packet[:-36] + bytes(32) + packet[-4:-2] + bytes(2)
    return hmac.compare_digest(hmac.new(key, plain, hashlib.sha256).digest(), packet[-36:-4])


def trailer(mode, when, number):
    return struct.pack(">BI", mode, when) + bytes(32) + struct.pack(">BBH", number, 0, 0)


def stamp():
    now = time.time_ns()
    return now // 10**9, now % 10**9


def load(sequence, action, echo, held):
    header = struct.pack(">HBBIHHIIIIHH", 0xBEEF, action, 0, sequence, PAYLOAD, 0, *echo, *stamp(), held, 0)
    return header + bytes(PAYLOAD - len(header))


RATE = ">7I"


def rate_for(mbit):
    interval = max(100, round((PAYLOAD + HEADERS) * 8 / mbit))
    return struct.pack(RATE, interval, PAYLOAD, 1, 0, 0, 0, 0)


class Receiver:
    """Counts load and writes status packets."""

    def __init__(self):
        self.began, self.highest, self.number = None, 0, 0
        self.total, self.bytes, self.lost, self.sub, self.saved, self.sub_number = 0, 0, 0, [0, 0, 0, None], bytes(56), 0
        self.results = []

    def take(self, packet):
        now = time.monotonic()
        if self.began is None:
            self.began = now
            self.sub[3] = now
        self.roll(now)
        sequence = struct.unpack_from(">I", packet, 4)[0]
        if sequence > self.highest:
            self.sub[2] += sequence - self.highest - 1 if self.highest else 0
            self.highest = sequence
        self.total += 1
        self.sub[0] += 1
        self.sub[1] += len(packet)

    def roll(self, now):
        while self.began is not None and now - self.sub[3] >= 1.0:
            count, octets, lost, begin = self.sub
            self.results.append({"datagrams": count, "octets": octets, "lost": lost})
            self.saved = struct.pack(">IQI3I4I2II", count, octets, 1_000_000, lost, 0, 0, 0, 0, 0, 0, 2**32 - 1, 2**32 - 1,
                                     round((begin + 1 - self.began) * 1000))
            self.sub_number += 1
            self.sub = [0, 0, 0, begin + 1.0]

    def status(self, action, rate, mode, when, number, key):
        self.roll(time.monotonic())
        self.number += 1
        packet = struct.pack(">HBBI", 0xFEED, action, 0, self.number) + rate + struct.pack(">I", self.sub_number) + self.saved
        packet += struct.pack(">3I", 0, 0, 0) + struct.pack(">5I", 0, 0, 0, 0, 0) + struct.pack(">2I", 2**32 - 1, 2**32 - 1)
        packet += bytes(4) + struct.pack(">3I", 50_000, 0, 0) + struct.pack(">II", *stamp()) + bytes(3) + trailer(mode, when, number)
        assert len(packet) == 204
        return signed(packet, key) if mode == 2 else packet


def serve(address, port, number, secret, mbit):
    control = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    control.bind((address, port))
    print("ready", flush=True)
    for _ in range(2):
        one_test(control, address, number, secret, mbit)


def one_test(control, address, number, secret, mbit):
    while True:
        packet, peer = control.recvfrom(2048)
        if len(packet) == 56 and packet[:2] == b"\xac\xe1" and packet[8] == 1:
            break
    mode, when = packet[15], struct.unpack_from(">I", packet, 16)[0]
    client, server = keys(secret, when)
    assert mode in (1, 2) and packet[52] == number and is_signed(packet, client), "the set-up's signature"
    up = packet[10] & 0x80 != 0
    test = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    test.bind((address, 0))
    answer = packet[:8] + b"\x02\x01" + packet[10:12] + struct.pack(">H", test.getsockname()[1]) + packet[14:20] + bytes(32) + packet[52:54] + bytes(2)
    control.sendto(signed(answer, server), peer)
    packet, peer = test.recvfrom(2048)
    assert len(packet) == 104 and packet[:2] == b"\xac\xe2" and is_signed(packet, client), "the activation's signature"
    assert packet[4] == (1 if up else 2)
    seconds = struct.unpack_from(">H", packet, 12)[0]
    plain = packet[:5] + b"\x01" + packet[6:28] + rate_for(mbit) + packet[56:68] + bytes(32) + packet[100:102] + bytes(2)
    test.connect(peer)
    test.send(signed(plain, server))
    end, sequence, due, echo, receiver, status_due = time.monotonic() + seconds, 0, time.monotonic(), (0, 0), Receiver(), None
    interval = struct.unpack(RATE, rate_for(mbit))[0] / 1e6
    while time.monotonic() < end + 1.0:
        now = time.monotonic()
        over = now >= end + 0.1
        if not up and now >= due:
            sequence += 1
            test.send(load(sequence, 1 if over else 0, echo, 0))
            due += 0.02 if over else interval
        if up and status_due and now >= status_due:
            test.send(receiver.status(1 if over else 0, rate_for(mbit), mode, when, number, server))
            status_due += 0.05
        readable, _, _ = select.select([test], [], [], max(0, min(due if not up else now + 0.005, status_due or now + 0.005) - time.monotonic()))
        if readable:
            try:
                packet = test.recv(65536)
            except ConnectionRefusedError:
                break
            if packet[:2] == b"\xfe\xed":
                assert mode != 2 or is_signed(packet, client), "the status's signature"
                echo = struct.unpack_from(">II", packet, 152)
                if packet[2] == 2:
                    break
            elif packet[:2] == b"\xbe\xef":
                if packet[2] == 2:
                    break
                receiver.take(packet)
                status_due = status_due or now + 0.05
    print(json.dumps({"up": up, "agreed": packet[2] == 2, "sent": sequence, "received": receiver.total}), flush=True)


def ask(address, port, number, secret, up, seconds):
    when = int(time.time())
    client, server = keys(secret, when)
    s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    s.settimeout(2)
    setup = struct.pack(">HHBBHBBHHB", 0xACE1, VERSION, 0, 1, int.from_bytes(os.urandom(2), "big"), 1, 0, 100 | (0x8000 if up else 0), 0, 0) + trailer(1, when, number)
    s.sendto(signed(setup, client), (address, port))
    null = None
    while True:
        answer, peer = s.recvfrom(2048)
        if answer[:2] == b"\xde\xad":
            null = len(answer)
            continue
        break
    assert len(answer) == 56 and answer[8] == 2, answer.hex()
    if answer[9] != 1:
        print(json.dumps({"refused": answer[9]}))
        return
    assert is_signed(answer, server), "the server's signature"
    test = (address, struct.unpack_from(">H", answer, 12)[0])
    activation = struct.pack(">HHBBHHHHBBHBBHHBBBB", 0xACE2, VERSION, 1 if up else 2, 0, 30, 90, 50, seconds, 0, 0, 0xFFFF, 0, 10, 3, 10, 0, 0, 0, 0)
    activation += bytes(28) + struct.pack(">H", 1000) + bytes(5) + trailer(1, when, number)
    assert len(activation) == 104
    s.sendto(signed(activation, client), test)
    rate, receiver, status_due, echo, heard = None, Receiver(), None, (0, 0), None
    sequence, due, end, stop, seen = 0, time.monotonic(), time.monotonic() + seconds + 3, False, {}
    s.connect(test)
    while time.monotonic() < end and not stop:
        now = time.monotonic()
        if up and rate and now >= due:
            interval, _, burst, interval2, _, burst2, _ = rate
            for _ in range(burst):
                sequence += 1
                held = int((now - heard) * 1000) if heard else 0
                s.send(load(sequence, 0, echo, held))
            due = max(due + interval / 1e6, now - 0.01)
        if status_due and now >= status_due and not up:
            s.send(receiver.status(0, bytes(28), 1, when, number, client))
            status_due += 0.05
        readable, _, _ = select.select([s], [], [], 0 if up and rate else 0.002)
        if not readable:
            continue
        packet = s.recv(65536)
        if packet[:2] == b"\xac\xe2":
            assert packet[5] == 1 and is_signed(packet, server), "the activation's answer"
            rate = struct.unpack_from(RATE, packet, 28)
            due = now
        elif packet[:2] == b"\xbe\xef":
            if packet[2] == 1:
                for _ in range(3):
                    s.send(receiver.status(2, bytes(28), 1, when, number, client))
                stop = True
            else:
                receiver.take(packet)
                status_due = status_due or now + 0.05
        elif packet[:2] == b"\xfe\xed":
            assert len(packet) == 204
            rate, echo, heard = struct.unpack_from(RATE, packet, 8), struct.unpack_from(">II", packet, 152), now
            number_of = struct.unpack_from(">I", packet, 36)[0]
            if number_of:
                count, octets, span = struct.unpack_from(">IQI", packet, 40)
                seen[number_of] = {"datagrams": count, "octets": octets, "span_us": span}
            if packet[2] == 1:
                for _ in range(3):
                    sequence += 1
                    s.send(load(sequence, 2, echo, 0))
                stop = True
    intervals = list(seen.values()) if up else receiver.results
    print(json.dumps({"agreed": stop, "null": null, "sub_intervals": intervals}), flush=True)


if __name__ == "__main__":
    what, address, port, number, secret = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), bytes.fromhex(sys.argv[5])
    if what == "serve":
        serve(address, port, number, secret, float(sys.argv[6]))
    else:
        ask(address, port, number, secret, sys.argv[6] == "up", int(sys.argv[7]))
