"""The server's own names, the names in its domains, and mail addresses.

`web1.corp.example.com` becomes `host-ab12cd.host-34ef56.dom-78ab90.test`: every label
under one of the server's domains has one other, so names that belonged together still do.
Reserved names (RFC 2606, RFC 6761) are kept.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable, Iterator

from forerun.model.raw import ServerNames
from forerun.stages.sanitise_edit import Edit
from forerun.stages.sanitise_people import PeopleMap, swap_login
from forerun.stages.sanitise_vault import COMMON_VALUES, Vault

_LOCAL = frozenset({"localhost", "localdomain", "localhost.localdomain", "ip6-localhost"})
_NAME_PLACES = re.compile(r"/etc/(?:hostname|mailname|hosts)|name:.*")
# Labels that say what a host does, not whose it is.
_KEPT_LABELS = frozenset({
    "www", "mail", "smtp", "imap", "pop", "pop3", "mx", "ns", "ns1", "ns2", "ftp", "ldap", "dns",
    "ntp", "vpn", "db", "api", "cdn", "*", "_tcp", "_udp", "_dmarc", "_domainkey",
})  # fmt: skip
# Second-level labels under which others register: their child is the owner's domain.
_REGISTRY_LABELS = frozenset({
    "co", "com", "org", "net", "ac", "gov", "edu", "or", "ne", "go", "gob", "gv", "mil",
    "sch", "nom",
})  # fmt: skip
_RESERVED = ("test", "example", "invalid", "localhost", "example.com", "example.net", "example.org",
             "localdomain")  # fmt: skip
# Domains in names of algorithms and in packaged files: nobody's mail address.
_KEPT_MAIL = ("openssh.com", "libssh.org", "lysator.liu.se", "debian.org", "ietf.org", "kernel.org")
_ROLES = frozenset({
    "root", "postmaster", "hostmaster", "webmaster", "abuse", "admin", "noreply", "no-reply",
    "mailer-daemon", "nobody", "www-data", "info", "support",
})  # fmt: skip
_UNIT_ENDINGS = ("service", "socket", "timer", "target", "mount", "device", "slice", "path",
                 "scope", "swap", "conf", "automount")  # fmt: skip


class NameMap:
    """The server's names and domains, and what stands for them."""

    def __init__(self, vault: Vault) -> None:
        self._vault = vault
        self.people = PeopleMap(vault)
        self._nodes: set[str] = set()
        self._domains: list[str] = []
        self._node_pattern: re.Pattern[str] | None = None
        self._place_pattern: re.Pattern[str] | None = None

    def __repr__(self) -> str:
        return f"<NameMap of {len(self._domains)} domains>"

    def learn(self, names: ServerNames, host: str = "") -> None:
        """Take the server's names from its own files, and the name it was reached by."""
        full = {names.node.lower(), names.mail_name.lower()}
        if not _is_address(host):
            full.add(host.lower())
        node = names.node.lower().partition(".")[0]
        for line in names.hosts.splitlines():
            words = line.partition("#")[0].lower().split()[1:]
            if node in {word.partition(".")[0] for word in words}:
                full.update(words)
        for line in names.resolver.splitlines():
            words = line.lower().split()
            if words and words[0] in {"search", "domain"}:
                for domain in words[1:]:
                    self.add_domain(domain)
        for name in full:
            self._learn_name(name.strip("."), own=name != names.mail_name.lower())

    def _learn_name(self, name: str, *, own: bool) -> None:
        if not name or name in _LOCAL or _is_address(name):
            return
        labels = name.split(".")
        if len(labels) >= 3:
            self.add_domain(".".join(labels[1:]))
        elif len(labels) == 2:
            self.add_domain(name)
        if own and len(labels) != 2:
            self._nodes.add(labels[0])

    def add_domain(self, domain: str) -> None:
        """Take a domain as the server's own, with the domains above it that are owned
        by the same owner as far as their names tell."""
        labels = domain.strip(".").lower().split(".")
        if len(labels) < 2 or "arpa" in labels or labels[-1] == "localdomain":
            return
        while len(labels) > 2 and not _is_registry(labels[1:]):
            labels = labels[1:]
        root = ".".join(labels)
        if root not in self._domains:
            self._domains.append(root)
            self._vault.note(root, rule="domain-name")

    def close(self, vocabulary: Iterable[str]) -> None:
        """Fix what is a name everywhere, now that the words of the system are known: a
        short name that is also a package, a user or a common word is replaced only where
        names stand (/etc/hosts and the like)."""
        known = {word for word in vocabulary if not self.people.is_person(word)}
        self.people.close(known)
        words = {word.lower() for word in known} | COMMON_VALUES | _KEPT_LABELS
        telling = sorted(n for n in self._nodes if len(n) >= 4 and n not in words)
        self._node_pattern = _compile_words(telling)
        self._place_pattern = _compile_words(sorted(n for n in self._nodes if len(n) >= 2))

    def list_words(self) -> tuple[str, ...]:
        """All domains and short names, in small letters: a text without any of them (in
        any case) and without a mail address holds no name. A directory's name
        (`dc=corp,dc=example`) holds its domain's labels, so those are listed too."""
        labels = {f"dc={root.partition('.')[0]}" for root in self._domains}
        return (*self._domains, *self._nodes, *labels, *self.people.list_words())

    def swap_label(self, label: str) -> str:
        """What stands for one label under the server's domains."""
        low = label.lower()
        if low in _KEPT_LABELS or low.startswith("_"):
            return label
        return f"host-{self._vault.stream('label', low).take(3).hex()}"

    def swap_domain(self, root: str) -> str:
        """What stands for one whole domain."""
        return f"dom-{self._vault.stream('domain', root.lower()).take(3).hex()}.test"

    def swap_name(self, name: str) -> str:
        """What stands for a name under one of the domains; others stay."""
        low = name.lower()
        if low in self._nodes:
            return self.swap_label(name)
        root = next((r for r in self._domains if low == r or low.endswith("." + r)), "")
        if not root:
            return name
        before = name[: len(name) - len(root)].rstrip(".")
        labels = [self.swap_label(label) for label in before.split(".")] if before else []
        new = ".".join([*labels, self.swap_domain(root)])
        return new.upper() if name.isupper() else new

    def mentions(self, text: str) -> bool:
        """Whether the text holds one of the server's own names."""
        low = text.lower()
        if any(root in low for root in self._domains):
            return True
        return self._node_pattern is not None and self._node_pattern.search(text) is not None

    def find(self, path: str, text: str) -> Iterator[Edit]:
        """Mail addresses, names under the domains, and the short name."""
        if "@" in text:
            yield from self._find_mail(text)
        yield from self._find_domains(text)
        yield from self.people.find(path, text)
        pattern = self._place_pattern if _NAME_PLACES.fullmatch(path) else self._node_pattern
        for match in pattern.finditer(text) if pattern else ():
            new = self.swap_label(match[0])
            self._vault.note(match[0], rule="host-name")
            yield Edit(match.start(), match.end(), new, "host-name", "host name")

    def _find_domains(self, text: str) -> Iterator[Edit]:
        low = text.lower()
        for root in sorted(self._domains, key=len, reverse=True):
            at = low.find(root)
            while at >= 0:
                end = at + len(root)
                start = at
                while start > 0 and (text[start - 1].isalnum() or text[start - 1] in "-_.*"):
                    start -= 1
                start += len(text[start:at]) - len(text[start:at].lstrip(".-"))
                after = text[end : end + 1]
                joined = start == at or text[at - 1] == "."
                if joined and not (after.isalnum() or after in {"-", "_"}):
                    self._vault.note(text[start:end], rule="domain-name")
                    new = self.swap_name(text[start:end])
                    yield Edit(start, end, new, "domain-name", "domain name")
                at = low.find(root, end)
        if "dc=" in low:
            yield from self._find_directory_names(text)

    def _find_directory_names(self, text: str) -> Iterator[Edit]:
        """`dc=corp,dc=example,dc=com` (RFC 2247) for a domain of the server's."""
        for match in _DC.finditer(text):
            name = ".".join(_DC_PART.findall(match[0]))
            new = self.swap_name(name)
            if new != name:
                parts = iter(new.split("."))
                shown = ",".join(f"dc={part}" for part in parts)
                self._vault.note(match[0], rule="domain-name")
                yield Edit(match.start(), match.end(), shown, "domain-name", "directory name")

    def _find_mail(self, text: str) -> Iterator[Edit]:
        for match in _MAIL.finditer(text):
            local, domain = match[1], match[2]
            if domain.rpartition(".")[2].lower() in _UNIT_ENDINGS:
                continue
            new_domain = self._swap_mail_domain(domain)
            if new_domain == domain:
                continue
            new_local = local
            if local.lower() not in _ROLES:
                new_local = swap_login(local, self._vault)
            self._vault.note(match[0], rule="mail-address")
            yield Edit(
                match.start(),
                match.end(),
                f"{new_local}@{new_domain}",
                "mail-address",
                "mail address",
            )

    def _swap_mail_domain(self, domain: str) -> str:
        own = self.swap_name(domain)
        low = domain.lower()
        if own != domain or _ends_in(low, _RESERVED) or _ends_in(low, _KEPT_MAIL):
            return own
        return self.swap_domain(low)


_MAIL = re.compile(
    r"(?<![A-Za-z0-9._%+@-])([A-Za-z0-9._%+-]{1,64})@"
    r"([A-Za-z0-9](?:[A-Za-z0-9-]*[A-Za-z0-9])?(?:\.[A-Za-z0-9](?:[A-Za-z0-9-]*[A-Za-z0-9])?)*"
    r"\.[A-Za-z]{2,24})(?![A-Za-z0-9-]|\.[A-Za-z0-9])"
)
_DC = re.compile(r"\bdc=[\w-]+(?:\s*,\s*dc=[\w-]+)+", re.IGNORECASE)
_DC_PART = re.compile(r"dc=([\w-]+)", re.IGNORECASE)


def _ends_in(name: str, domains: Iterable[str]) -> bool:
    return any(name == domain or name.endswith("." + domain) for domain in domains)


def _is_registry(labels: list[str]) -> bool:
    """Whether these labels are where owners register (`co.uk`), by common practice."""
    return len(labels) == 1 or (
        len(labels) == 2 and labels[0] in _REGISTRY_LABELS and len(labels[1]) == 2
    )


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text.strip("[]"))
    except ValueError:
        return False
    return True


def _compile_words(words: list[str]) -> re.Pattern[str] | None:
    if not words:
        return None
    joined = "|".join(re.escape(word) for word in sorted(words, key=len, reverse=True))
    return re.compile(rf"(?<![A-Za-z0-9])(?:{joined})(?![A-Za-z0-9])", re.IGNORECASE)
