"""Site profiles made to hurt whoever reads them."""

from __future__ import annotations

from collections.abc import Callable

from tests.hostile.messages import repeated

SITE = b'[site]\nname = "s"\nlan = ["10.0.0.0/8"]\n'
LINK = b'[[link]]\nname = "l"\ninterfaces = [2]\ndown_mbps = 100\nup_mbps = 100\n'


def million_links(octets: int) -> bytes:
    """As many links as the file holds."""
    return SITE + repeated(octets, lambda n: b'[[link]]\nname = "%d"\ninterfaces = [%d]\n' % (n, n + 1))


def links_within_bound(octets: int) -> bytes:
    """As many links as a profile of the greatest size holds."""
    return million_links(1_000_000)


def prefixes(octets: int) -> bytes:
    """Thousands of networks inside, all that are allowed."""
    lan = b",".join(b'"10.%d.%d.0/24"' % (k // 256, k % 256) for k in range(4_096))
    return b'[site]\nname = "s"\nlan = [' + lan + b"]\n" + LINK


def too_many_prefixes(octets: int) -> bytes:
    """More networks than allowed."""
    lan = b",".join(b'"10.%d.%d.%d/32"' % (k >> 16, k >> 8 & 255, k & 255) for k in range(50_000))
    return b'[site]\nname = "s"\nlan = [' + lan + b"]\n" + LINK


def labels(octets: int) -> bytes:
    """All labels that are allowed, one within the other."""
    more = b"".join(
        b'[[label]]\nnetwork = "10.%d.%d.0/%d"\nname = "%s"\n' % (k // 256, k % 256, 16 + k % 17, b"n" * 150)
        for k in range(4_096)
    )
    return SITE + LINK + more


def huge_label(octets: int) -> bytes:
    """A name of a megabyte."""
    return SITE + LINK + b'[[label]]\nnetwork = "10.0.0.1"\nname = "' + b"n" * 900_000 + b'"\n'


def digits(octets: int) -> bytes:
    """A number of five thousand digits."""
    return SITE + LINK.replace(b"[2]", b"[" + b"9" * 5_000 + b"]")


def many_digits(octets: int) -> bytes:
    """A rate of nine hundred thousand digits, with a point."""
    return SITE + LINK.replace(b"100", b"9" * 900_000 + b".0", 1)


def hexadecimal(octets: int) -> bytes:
    """A number of nine hundred thousand hexadecimal digits."""
    return SITE + LINK.replace(b"[2]", b"[0x" + b"f" * 900_000 + b"]")


def endless_numbers(octets: int) -> bytes:
    """Infinity, no number, and exponents beyond any."""
    return SITE + LINK.replace(b"100", b"1e999999", 1).replace(b"100", b"inf", 1)


def unknown_keys(octets: int) -> bytes:
    """As many unknown keys as a profile of the greatest size holds."""
    return repeated(1_000_000, lambda n: b"k%d=1\n" % n) + SITE + LINK


def wrong_values(octets: int) -> bytes:
    """As many wrong entries of a list as a profile of the greatest size holds."""
    return SITE + LINK.replace(b"[2]", b"[" + b'"",' * 300_000 + b"1]")


def wrong_links(octets: int) -> bytes:
    """Sixty links in which everything is wrong."""
    return SITE + repeated(900_000, lambda n: b'[[link]]\nname = 1\nx%d = 1\nrole = "no"\n' % n)


def nested(octets: int) -> bytes:
    """Lists within lists, nine hundred thousand deep."""
    return SITE + b"x = " + b"[" * 450_000 + b"]" * 450_000


def nested_tables(octets: int) -> bytes:
    """Tables within tables."""
    return SITE + b"x = " + b"{a=" * 200_000 + b"1" + b"}" * 200_000


def dotted(octets: int) -> bytes:
    """Keys joined by dots."""
    return SITE + b".".join([b"a"] * 400_000) + b" = 1\n"


def many_dotted(octets: int) -> bytes:
    """Many keys of fifteen parts."""
    return SITE + repeated(900_000, lambda n: b"a%d." % n + b"b." * 14 + b"c = 1\n")


def long_key(octets: int) -> bytes:
    """A key of a megabyte."""
    return SITE + b"k" * 900_000 + b" = 1\n" + LINK


def array_tables(octets: int) -> bytes:
    """Headers of tables, each a level deeper."""
    return SITE + repeated(900_000, lambda n: b"[[a%s]]\n" % (b".b" * (n % 14)))


def binary(octets: int) -> bytes:
    """NUL octets in a name."""
    return SITE.replace(b'"s"', b'"s\0"') + LINK


def not_text(octets: int) -> bytes:
    """Octets that are no UTF-8."""
    return SITE.replace(b'"s"', b'"\xff\xfe"') + LINK


def too_long(octets: int) -> bytes:
    """A file of twenty megabytes."""
    return SITE + LINK + b"# " + b"x" * octets


def quotes(octets: int) -> bytes:
    """Strings that never end."""
    return SITE + b'x = """' + b'\\"' * 450_000


def dates(octets: int) -> bytes:
    """Dates where numbers belong, and years far off."""
    return SITE.replace(b'"s"', b"9999-12-31T23:59:59Z") + LINK.replace(b"100", b"0001-01-01", 1)


def applications(octets: int) -> bytes:
    """All applications and ports that are allowed, each port of two."""
    more = b"".join(
        b'[[application]]\nname = "a%d"\ntcp = [%s]\n' % (k, b",".join(b"%d" % (p + 1) for p in range(1_024)))
        for k in range(190)
    )
    return SITE + LINK + more


KINDS: tuple[Callable[[int], bytes], ...] = (
    million_links, links_within_bound, prefixes, too_many_prefixes, labels, huge_label, digits, many_digits,
    hexadecimal, endless_numbers, unknown_keys, wrong_values, wrong_links, nested, nested_tables, dotted, many_dotted,
    long_key, array_tables, binary, not_text, too_long, quotes, dates, applications,
)  # fmt: skip
