"""Which network addresses a webhook may go to: public ones, and private networks named in the settings.

Without this rule a subscription could make this server call services that only it can reach
(server-side request forgery).  Names are checked where they are resolved, by whoever connects.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from urllib.parse import urlsplit

from shared.errors import UrlRefused

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network
URL_LIMIT = 2000  # characters
# IANA special-purpose address registries (RFC 6890 and its updates): what versions of Python judge differently,
# and tunnels, whose inner address could be a private one.
SPECIAL: tuple[Network, ...] = (
    ipaddress.IPv4Network("192.0.0.0/24"),  # protocol assignments
    ipaddress.IPv4Network("192.88.99.0/24"),  # 6to4 relays
    ipaddress.IPv6Network("64:ff9b:1::/48"),  # local-use translation
    ipaddress.IPv6Network("2001::/23"),  # protocol assignments, Teredo among them
    ipaddress.IPv6Network("2002::/16"),  # 6to4
    ipaddress.IPv6Network("3fff::/20"),  # documentation
    ipaddress.IPv6Network("5f00::/16"),  # segment routing
)
NAT64 = ipaddress.IPv6Network("64:ff9b::/96")  # RFC 6052: the last 32 bits are an IPv4 address


@dataclass(frozen=True)
class Destination:
    """The parts of a URL that decide who is called."""

    scheme: str
    host: str
    port: int


@dataclass(frozen=True)
class AddressRules:
    """``allowed`` : networks in CIDR notation, separated by commas, that may be called though they are not public."""

    allowed: str = ""

    @cached_property
    def networks(self) -> tuple[Network, ...]:
        """The allowed networks; raises ValueError for what is none."""
        return tuple(ipaddress.ip_network(item.strip()) for item in self.allowed.split(",") if item.strip())

    def is_listed(self, text: str) -> bool:
        """Whether the address lies in a network the settings name."""
        inner = _plain(text)
        return any(inner.version == network.version and inner in network for network in self.networks)

    def may_call(self, text: str) -> bool:
        """Whether the address is public or listed; IPv4 inside IPv6 is judged as the IPv4 address."""
        return self.is_listed(text) or _is_public(_plain(text))

    def check_url(self, url: str) -> Destination:
        """What can be told from the URL alone; raises UrlRefused.

        Plain http is for listed networks only: bodies are signed, not encrypted.
        """
        destination = _destination(url)
        if destination.scheme == "http" and not self.networks:
            raise UrlRefused("The address begins with http://.", advice="Use https://.")
        if _is_literal(destination.host):
            self.check_resolved(destination, [destination.host])
        return destination

    def check_resolved(self, destination: Destination, addresses: Iterable[str]) -> None:
        """Whether all addresses a name stands for may be called; one that may not spoils them all."""
        found = list(addresses)
        if not all(self.may_call(address) for address in found):
            raise UrlRefused(  # without the address: what private names stand for is nobody's business
                f"{destination.host} leads to an address that is not public.",
                advice="Use a public address, or have it listed in FIRSTPOUR_WEBHOOK_NETWORKS.",
            )
        if destination.scheme == "http" and not all(self.is_listed(address) for address in found):
            raise UrlRefused(f"{destination.host} is public and would be called by http.", advice="Use https://.")


def _destination(url: str) -> Destination:
    try:
        parts = urlsplit(url)
        scheme, host, port = parts.scheme, parts.hostname, parts.port
    except ValueError as error:
        raise UrlRefused("That is no address.", advice="Give one such as https://example.org/hook.") from error
    if scheme not in {"https", "http"} or not host or not _is_plain(url):
        raise UrlRefused("That is no address of a web server.", advice="Give one such as https://example.org/hook.")
    if parts.username is not None or parts.password is not None:
        raise UrlRefused("The address carries a user name.", advice="Leave it out: messages are signed.")
    if parts.fragment or port == 0:
        raise UrlRefused("The address has a part that no server sees.", advice="Leave out what begins with #, port 0.")
    return Destination(scheme, host, port or (443 if scheme == "https" else 80))


def _is_plain(url: str) -> bool:
    """ASCII without blanks or control characters: two programs must not read it in two ways."""
    return len(url) <= URL_LIMIT and all("!" <= character <= "~" and character != "\\" for character in url)


def _is_literal(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _plain(text: str) -> Address:
    """The address that is really called: the IPv4 one inside a mapped or translated IPv6 address."""
    address = ipaddress.ip_address(text)
    if isinstance(address, ipaddress.IPv4Address):
        return address
    if address in NAT64:
        return ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
    return address.ipv4_mapped or address


def _is_public(address: Address) -> bool:
    is_special = (
        address.is_private
        or address.is_loopback
        or address.is_link_local
        or address.is_multicast
        or address.is_reserved
        or address.is_unspecified
        or getattr(address, "is_site_local", False)
        or any(address.version == network.version and address in network for network in SPECIAL)
    )
    return address.is_global and not is_special
