"""Application names: the exporter's own first, else the registered service of the service end."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

# IANA service-name registry, well-known entries (from memory); RFC 6335: ports from 49152 up are never services.
SERVICES: Final = {
    20: "ftp-data", 21: "ftp", 22: "ssh", 23: "telnet", 25: "smtp", 53: "dns", 80: "http", 110: "pop3", 123: "ntp",
    137: "netbios-ns", 143: "imap", 161: "snmp", 179: "bgp", 389: "ldap", 443: "https", 445: "microsoft-ds",
    465: "submissions", 500: "isakmp", 514: "syslog", 554: "rtsp", 587: "submission", 636: "ldaps", 853: "domain-s",
    873: "rsync", 989: "ftps-data", 990: "ftps", 993: "imaps", 995: "pop3s", 1194: "openvpn", 1723: "pptp",
    1935: "macromedia-fcs", 2049: "nfs", 3306: "mysql", 3389: "ms-wbt-server", 3478: "stun", 4500: "ipsec-nat-t",
    5004: "avt-profile-1", 5060: "sip", 5061: "sips", 5222: "xmpp-client", 5432: "postgresql", 5900: "rfb",
    8080: "http-alt", 8443: "pcsync-https",
}  # fmt: skip
EPHEMERAL: Final = 49152


def applications(
    protocol: NDArray[np.int16], inside_port: NDArray[np.int32], outside_port: NDArray[np.int32]
) -> tuple[NDArray[np.int32], list[str], NDArray[np.int8]]:
    """Index into names, the names, and 1 where the inside end opened the conversation (0 outside, -1 unknown)."""
    known = np.zeros(65536, bool)
    known[list(SERVICES)] = True
    tcp_udp = (protocol == 6) | (protocol == 17)
    out, ins = np.clip(outside_port, 0, 65535), np.clip(inside_port, 0, 65535)
    service = np.where(
        known[out],
        out,
        np.where(
            known[ins],
            ins,
            np.where((out < EPHEMERAL) & (out > 0) & ((out < ins) | (ins >= EPHEMERAL)), out, 0),
        ),
    )
    service = np.where((service == 0) & (ins < EPHEMERAL) & (ins > 0) & (out >= EPHEMERAL), ins, service)
    opened = np.where(service == 0, -1, np.where(service == out, 1, 0)).astype(np.int8)
    opened[~tcp_udp] = -1
    code = np.where(tcp_udp & (service > 0), protocol.astype(np.int64) * 65536 + service, -1)
    icmp = (protocol == 1) | (protocol == 58)
    code[icmp] = -2
    values, index = np.unique(code, return_inverse=True)
    return index.astype(np.int32), [_name(int(v)) for v in values], opened


def _name(code: int) -> str:
    if code < 0:
        return "icmp" if code == -2 else "unknown"
    port = code % 65536
    return SERVICES.get(port) or f"{'tcp' if code // 65536 == 6 else 'udp'}/{port}"
