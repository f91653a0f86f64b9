"""The profile that tests change, and what is said of one with mistakes."""

from __future__ import annotations

import pytest

from flowdiag.errors import ProfileError
from flowdiag.site.reading import profile_from_text

GOOD = """
[site]
name = "Harbour Lane Clinic"
timezone = "Pacific/Auckland"
lan = ["192.168.40.0/24", "2001:db8:40::/48"]
exporters = ["192.0.2.10"]
hours = "Mon-Fri 08:00-18:00"

[[link]]
name = "fibre"
role = "primary"
interfaces = [2]
down_mbps = 100
up_mbps = 40
framing = "ethernet"
variable = false

[[link]]
name = "lte"
role = "backup"
interfaces = [3]
down_mbps = 30
up_mbps = 5.5
variable = true
allowance_gb = 50

  [[link.keepalive]]
  destination = "198.51.100.1"
  protocol = "icmp"
  port = 0
  interval_s = 10
  packet_bytes = 84

[[label]]
network = "192.168.40.20/32"
name = "imaging archive"

[plan_catalogue]
"Fibre 250" = [250, 100]

[thresholds]
full = 0.95
"""


def lines(text: str) -> list[str]:
    with pytest.raises(ProfileError) as raised:
        profile_from_text(text, "site.toml")
    return str(raised.value).splitlines()


def only_line(text: str) -> str:
    (line,) = lines(text)
    return line


def changed(old: str, new: str) -> str:
    assert GOOD.count(old) == 1, old
    return GOOD.replace(old, new)
