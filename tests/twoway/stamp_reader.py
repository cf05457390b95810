"""An independent reader of STAMP packets: sees frames on a port, decodes fields at the offsets of RFC 8762 and RFC 8972.

Usage: stamp_reader.py PORT_NAME UDP_PORT COUNT SECONDS [KEY]
Prints "ready" when it listens, then one JSON object a packet, and ends after COUNT packets or SECONDS.
It shares no code with the program under test. Only what RFC 8762 figures 2, 3, 5 and 6 and RFC 8972 sections 3, 4 and
4.4 say is written down here.
"""

import hashlib
import hmac
import json
import select
import socket
import struct
import sys
import time

SO_TIMESTAMPNS = 35  # Linux, asm-generic/socket.h
NTP_TO_UNIX = 2208988800  # RFC 5905 figure 4


def ntp_ns(octets):
    seconds, fraction = struct.unpack("!II", octets)
    return (seconds - NTP_TO_UNIX) * 10**9 + (fraction * 10**9 >> 32)


def u16(octets, at):
    return struct.unpack_from("!H", octets, at)[0]


def u32(octets, at):
    return struct.unpack_from("!I", octets, at)[0]


def tlvs(octets):
    found = []
    while len(octets) >= 4:
        flags, kind, length = struct.unpack_from("!BBH", octets)
        found.append({"flags": flags, "kind": kind, "value": octets[4 : 4 + length].hex()})
        octets = octets[4 + length :]
    return found


def follow_up(tlvs):
    # RFC 8972 section 4.7: number and time of the answer before this one; zeroes where that is not known.
    for tlv in tlvs:
        value = bytes.fromhex(tlv["value"])
        if tlv["kind"] == 7 and tlv["flags"] == 0 and len(value) == 16 and any(value[4:12]):
            return {"sequence": u32(value, 0), "at": ntp_ns(value[4:12]), "method": value[12], "reserved": value[13:].hex()}
    return None


def right(key, octets, tag):
    # RFC 8762 section 4.4: HMAC-SHA-256 cut to 128 bits.
    return hmac.new(key, octets, hashlib.sha256).digest()[:16] == tag


def tlv_hmac_right(key, udp):
    # RFC 8972 section 4.8: over the sequence number and all TLVs before it.
    at = 112
    while at + 4 <= len(udp):
        kind, length = udp[at + 1], u16(udp, at + 2)
        if kind == 8:
            return right(key, udp[0:4] + udp[112:at], udp[at + 4 : at + 4 + length])
        at += 4 + length
    return None


def sender(udp, key):
    # Figure 3 keeps octets 4 to 15 zero; figure 2 has the time stamp there.
    if len(udp) >= 112 and udp[4:16] == bytes(12):
        return {
            "form": "authenticated",
            "sequence": u32(udp, 0),
            "t1": ntp_ns(udp[16:24]),
            "error_estimate": u16(udp, 24),
            "ssid": u16(udp, 26),
            "reserved_zero": udp[28:96] == bytes(68),
            "hmac_right": right(key, udp[0:96], udp[96:112]),
            "tlv_hmac_right": tlv_hmac_right(key, udp),
            "tlvs": tlvs(udp[112:]),
        }
    return {
        "form": "unauthenticated",
        "sequence": u32(udp, 0),
        "t1": ntp_ns(udp[4:12]),
        "error_estimate": u16(udp, 12),
        "ssid": u16(udp, 14),
        "reserved_zero": udp[16:44] == bytes(28),
        "tlvs": tlvs(udp[44:]),
    }


def reflector(udp, key):
    if len(udp) >= 112 and udp[4:16] == bytes(12):
        return {
            "form": "authenticated",
            "sequence": u32(udp, 0),
            "t3": ntp_ns(udp[16:24]),
            "error_estimate": u16(udp, 24),
            "ssid": u16(udp, 26),
            "t2": ntp_ns(udp[32:40]),
            "sender_sequence": u32(udp, 48),
            "t1": ntp_ns(udp[64:72]),
            "sender_error_estimate": u16(udp, 72),
            "sender_ttl": udp[80],
            "reserved_zero": not any(udp[28:32] + udp[40:48] + udp[52:64] + udp[74:80] + udp[81:96]),
            "hmac_right": right(key, udp[0:96], udp[96:112]),
            "tlv_hmac_right": tlv_hmac_right(key, udp),
            "tlvs": tlvs(udp[112:]),
        }
    return {
        "form": "unauthenticated",
        "sequence": u32(udp, 0),
        "t3": ntp_ns(udp[4:12]),
        "error_estimate": u16(udp, 12),
        "ssid": u16(udp, 14),
        "t2": ntp_ns(udp[16:24]),
        "sender_sequence": u32(udp, 24),
        "t1": ntp_ns(udp[28:36]),
        "sender_error_estimate": u16(udp, 36),
        "sender_ttl": udp[40],
        "reserved_zero": not any(udp[38:40] + udp[41:44]),
        "tlvs": tlvs(udp[44:]),
    }


def main():
    key = sys.argv[5].encode() if len(sys.argv) > 5 else b""
    port, udp_port, count, seconds = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])
    sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
    sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 8 << 20)
    sock.bind((port, 0))
    print("ready", flush=True)
    end = time.monotonic() + seconds
    while count > 0:
        left = end - time.monotonic()
        if left <= 0 or not select.select([sock], [], [], left)[0]:
            break
        frame, control, _, _ = sock.recvmsg(2048, 256)
        if len(frame) < 42 or frame[12:14] != b"\x08\x00" or frame[23] != 17:
            continue
        ip = frame[14:]
        header = (ip[0] & 15) * 4
        source, destination, length, _ = struct.unpack_from("!HHHH", ip, header)
        if udp_port not in (source, destination):
            continue
        stamp = next((d for level, kind, d in control if (level, kind) == (socket.SOL_SOCKET, SO_TIMESTAMPNS)), None)
        seconds_part, nanos = struct.unpack("qq", stamp[:16])
        udp = ip[header + 8 : header + length]
        what = sender(udp, key) if destination == udp_port else reflector(udp, key)
        what["follow_up"] = follow_up(what["tlvs"])
        what.update(
            {
                "to_reflector": destination == udp_port,
                "at": seconds_part * 10**9 + nanos,
                "dscp": ip[1] >> 2,
                "ttl": ip[8],
                "udp_octets": len(udp),
            }
        )
        print(json.dumps(what), flush=True)
        count -= 1


main()
