"""Reflectors of the standards, written from their text and sharing nothing with the agent: for tests of its sender.

usage: standard_reflector.py KIND PORT SECONDS [KEY]
  stateful   RFC 8762 with the TLVs 1 to 5 of RFC 8972; counts its own packets; remarks what it sends when told to (environment REMARK)
  stateless  RFC 8762, repeats the sender's number; returns all TLVs as unrecognised
  plain      RFC 8762 alone: 44 octets, whatever followed is left out
  light      RFC 5357 section 4.2.1 and appendix I: 41 octets, then the sender's padding cut so that both packets have one size
  signed     RFC 8762 authenticated with KEY (hexadecimal); TLVs as unrecognised, without their HMAC being known

Listens on loopback, or at the address in the environment's AT. Ends by itself after SECONDS. Says 'ready', then at the end a line of JSON: packets by DSCP, and by payload size.
"""
import collections, hashlib, hmac, json, os, socket, struct, sys, time

kind, port, seconds = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
key = bytes.fromhex(sys.argv[4]) if len(sys.argv) > 4 else b""
s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
# Linux's ip(7); older versions of python have no name for the first.
IP_RECVTTL, IP_TTL = 12, 2
s.setsockopt(socket.IPPROTO_IP, IP_RECVTTL, 1)
s.setsockopt(socket.IPPROTO_IP, socket.IP_RECVTOS, 1)
s.setsockopt(socket.IPPROTO_IP, IP_TTL, 255)
s.bind((os.environ.get("AT", "127.0.0.1"), port))
s.settimeout(0.2)
print("ready", flush=True)


def ntp():
    seconds, nanos = divmod(time.time_ns(), 10**9)
    return struct.pack("!II", seconds + 2208988800, (nanos << 32) // 10**9)


def located(value, source):
    """Section 4.2: the ports as they came, and for sub-TLV 7 (source IP address) sub-TLV 8 with the IPv4 address and zeroes behind it."""
    out, subs = struct.pack("!HH", port, source[1]), value[4:]
    while len(subs) >= 4:
        flags, type_, length = struct.unpack("!BBH", subs[:4])
        inner, subs = subs[4 : 4 + length], subs[4 + length :]
        if type_ == 7 and length == 16:
            flags, type_, inner = 0, 8, socket.inet_aton(source[0]) + bytes(12)
        out += struct.pack("!BBH", flags, type_, length) + inner
    return out


def tlvs(extra, dscp, source, received):
    """Known to the stateful one: flags to zero, DSCP2 and ECN, ports, clock and counts filled in."""
    out, asked = b"", None
    while len(extra) >= 4:
        flags, type_, length = struct.unpack("!BBH", extra[:4])
        value, extra = extra[4 : 4 + length], extra[4 + length :]
        if kind == "stateful" and type_ == 4 and length == 4:
            asked = struct.unpack("!H", value[:2])[0] >> 10
            flags, value = 0, struct.pack("!HH", asked << 10 | dscp << 4, 0)
        elif kind == "stateful" and type_ == 2:
            flags, value = 0, located(value, source)
        elif kind == "stateful" and type_ == 3:
            # Set by NTP, stamped by software.
            flags, value = 0, bytes([1, 2, 1, 2])
        elif kind == "stateful" and type_ == 5:
            flags, value = 0, value[:4] + struct.pack("!II", received, received)
        elif kind == "stateful" and type_ == 7 and length == 16:
            # Section 4.7: number and time of the answer before this one, by software; nothing yet before the first.
            flags, value = 0, left.get(source, bytes(12)) + bytes([2 if source in left else 0, 0, 0, 0])
        elif kind == "stateful" and type_ == 1:
            flags = 0
        out += struct.pack("!BBH", flags, type_, length) + value
    return out + extra, asked


left = {}
counts, by_dscp, by_size, bad = collections.Counter(), collections.Counter(), collections.Counter(), 0
error = struct.pack("!BB", 0x00 | 10, 1)
until = time.monotonic() + seconds
while time.monotonic() < until:
    try:
        packet, ancillary, _, source = s.recvmsg(65536, 256)
    except TimeoutError:
        continue
    t2 = ntp()
    ttl = tos = 0
    for level, what, data in ancillary:
        if what == IP_TTL:
            ttl = struct.unpack("=i", data)[0]
        if what == socket.IP_TOS:
            tos = data[0]
    by_dscp[tos >> 2] += 1
    by_size[len(packet)] += 1
    marking = 0
    number = counts[source]
    counts[source] += 1
    if kind == "signed":
        if len(packet) < 112 or hmac.new(key, packet[:96], hashlib.sha256).digest()[:16] != packet[96:112]:
            bad += 1
            continue
        back = struct.pack("!I12x", number) + ntp() + error + packet[26:28] + bytes(4) + t2 + bytes(8)
        back += packet[0:4] + bytes(12) + packet[16:24] + packet[24:26] + bytes(6) + bytes([ttl]) + bytes(15)
        assert len(back) == 96
        back += hmac.new(key, back, hashlib.sha256).digest()[:16] + packet[112:]
    elif kind == "light":
        back = struct.pack("!I", number) + ntp() + error + bytes(2) + t2 + packet[0:4] + packet[4:12] + packet[12:14] + bytes(2)
        back += bytes([ttl])
        assert len(back) == 41
        back += packet[14 : 14 + max(0, len(packet) - 41)]
    else:
        if kind != "stateful":
            number = struct.unpack("!I", packet[:4])[0] if kind == "stateless" else number
        back = struct.pack("!I", number) + ntp() + error + packet[14:16] + t2 + packet[0:4] + packet[4:12] + packet[12:14]
        back += bytes(2) + bytes([ttl]) + bytes(3)
        assert len(back) == 44
        if kind != "plain":
            extra, asked = tlvs(packet[44:], tos >> 2, source, counts[source])
            back += extra
            marking = asked or 0
    if "REMARK" in os.environ and marking:
        marking = int(os.environ["REMARK"])
    s.setsockopt(socket.IPPROTO_IP, socket.IP_TOS, marking << 2)
    s.sendto(back, source)
    left[source] = struct.pack("!I", number) + ntp()
print(json.dumps({"by_dscp": by_dscp, "by_size": by_size, "refused": bad}), flush=True)
