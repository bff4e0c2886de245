"""Which patterns stand before which rule: none of them in a text, nothing for the rule.

A rule that reads a text without any of these patterns matching first must not be listed
here: what is not listed is always asked. A test goes through all patterns of the rules'
modules, so that a new one cannot be forgotten.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache

from forerun.stages import (
    sanitise_addresses,
    sanitise_base64,
    sanitise_certs,
    sanitise_detect,
    sanitise_forms,
    sanitise_keys,
    sanitise_names,
    sanitise_places,
    sanitise_services,
)
from forerun.stages.sanitise_prefilter import Prefilter

# Blocks that the second treatment sees whole must not be nibbled at by the first.
BLOCK = re.compile(
    r"-----BEGIN ([A-Z0-9 ]*(?:CERTIFICATE|PUBLIC KEY|CRL|PARAMETERS|PGP[A-Z ]*|PKCS7|CMS))-----"
    r".*?-----END \1-----"
    r"|(?:sk-)?(?:ssh-|ecdsa-)[\w@.-]+[ \t]+AAAA[A-Za-z0-9+/=]+",
    re.DOTALL,
)

Patterns = dict[str, tuple[re.Pattern[str], ...]]


def list_first() -> Patterns:
    """Rules of the first treatment, which finds secrets."""
    detect, forms, keys = sanitise_detect, sanitise_forms, sanitise_keys
    return {
        "private-keys": (keys.PEM,),
        "wireguard": (keys._WIREGUARD,),
        "blocks": (BLOCK,),
        "hashes": (forms.CRYPT_HASH, forms._DIGEST_USER, *(row[-1] for row in forms._HASHES)),
        "credentials": (
            detect._URL,
            detect._BASIC,
            *(row[-1] for row in sanitise_services.COMMANDS),
        ),
        "service-tokens": (forms._JWT, forms._PREFIXED),
        "named-values": (detect._KEYWORD, detect._DIRECTIVE),
        "encoded": (sanitise_base64.CODED,),
        "random-tokens": (detect._CANDIDATE,),
    }


def list_second() -> Patterns:
    """Rules of the second treatment, which finds names, addresses and public keys."""
    return {
        "certificates": (sanitise_certs._CERTIFICATE,),
        "public-keys": (sanitise_keys.SSH_PUBLIC,),
        "wireguard": (sanitise_keys._WIREGUARD,),
        "names": (sanitise_names._MAIL,),
        "encoded": (sanitise_base64.CODED,),
        "addresses": (sanitise_addresses.V4, sanitise_addresses.V6_HINT),
        "hardware": (sanitise_addresses.HARDWARE,),
    }


@cache
def first_filter() -> Prefilter:
    """The filter before the first treatment: the same for every survey."""
    return Prefilter(list_first())


@cache
def second_filter() -> Prefilter:
    """The filter before the second treatment, without the names of one server."""
    return Prefilter(list_second())


def make_name_filter(words: Iterable[str]) -> Prefilter:
    """The filter for a server's names and domains; not kept longer than the survey."""
    return Prefilter({}, {"names": words})


@cache
def _places() -> re.Pattern[str]:
    return re.compile("|".join(f"(?:{pattern.pattern})" for pattern, _ in sanitise_places._RULES))


def has_place_rule(path: str) -> bool:
    """Whether some rule reads a file because of its path alone."""
    return _places().fullmatch(path) is not None
