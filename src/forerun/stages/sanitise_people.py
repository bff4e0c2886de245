"""People's accounts: login names, full names and telephone numbers.

An account is a person's when its number is 1000 to 64999 (Debian Policy 9.2.2 gives 1000
to 59999 to people and reserves the rest; sites use more). Its login name becomes another
one, the same that stands for it before the `@` of a mail address.

A login name of four letters or more that is no word of the system (package, unit, system
account, a word of a packaged file) is replaced wherever it stands as a word. One that is
such a word (`mark`, `will`) is replaced only where login names stand: the account files,
sudo's rules, crontabs, home folders, `User=`. Shorter ones stay: a replacement that misses
one place would break the account.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from forerun.stages.sanitise_edit import Edit
from forerun.stages.sanitise_prefilter import Prefilter
from forerun.stages.sanitise_vault import COMMON_VALUES, Stream, Vault

_ACCOUNT_PLACES = re.compile(
    r"/etc/(?:(?:passwd|group|shadow|gshadow|subuid|subgid)[-.\w]*|sudoers(?:\.d/.*)?|cron\.d/.*"
    r"|crontab|cron\.allow|cron\.deny|at\.allow|at\.deny|security/.*|aliases|doas\.conf"
    r"|ssh/sshd_config(?:\.d/.*)?|login\.(?:access|group)|ftpusers|vsftpd\..*)"
    r"|name:login"
)
# Where a word is a login name whatever the file; NAME stands for any of them.
_LOGIN_PLACES = (
    r"(?<=/home/)NAME(?![\w-])",
    r"(?<=/crontabs/)NAME(?![\w-])",
    r"(?<=/sudoers\.d/)NAME(?![\w-])",
    r"(?<=/mail/)NAME(?![\w-])",
    r"(?<=~)NAME(?=/)",
    r"(?<![\w.-])NAME(?=@[\w\[])",
    r"(?:(?<=User=)|(?<=Group=)|(?<=user=)|(?<=group=)|(?<=owner=)|(?<=user: )|(?<=owner: )"
    r"|(?<=group: )|(?<=username: )|(?<=user )|(?<=login ))NAME(?![\w-])",
    r"(?:(?<=chown )|(?<=su )|(?<=su - )|(?<=sudo -u )|(?<=runuser -u )|(?<=-l ))NAME(?![\w-])",
)
# Accounts above 999 that images and installers make: nobody's names.
_NOBODYS = frozenset({
    "user", "users", "test", "guest", "debian", "deploy", "backup",
    "operator", "nobody", "home", "data", "root", "git", "build", "ftpuser", "webuser", "svc",
    "app", "service", "sysadmin", "admin", "staff", "adm", "www", "node", "docker",
})  # fmt: skip
_WORD = re.compile(rb"[a-z][a-z0-9_-]{3,31}")
_PHONE = re.compile(r"\+?[\d][\d ()/.-]{4,}\d")


def swap_login(name: str, vault: Vault) -> str:
    """What stands for a login name, and for the name before a mail address's `@`."""
    return f"user-{vault.stream('person', name.lower()).take(3).hex()}"


class PeopleMap:
    """The people's accounts of one server."""

    def __init__(self, vault: Vault) -> None:
        self._vault = vault
        self._logins: set[str] = set()
        self._accounts: set[str] = set()
        self._words: tuple[str, ...] = ()
        self._public: set[bytes] = set()
        self._occurring: Prefilter | None = None
        self._lowered: set[bytes] = set()
        self._everywhere: re.Pattern[str] | None = None
        self._in_places: re.Pattern[str] | None = None
        self._where_logins_stand: re.Pattern[str] | None = None

    def __repr__(self) -> str:
        return f"<PeopleMap of {len(self._logins)} accounts>"

    @property
    def accounts(self) -> frozenset[str]:
        """All accounts' names, people's and the system's."""
        return frozenset(self._accounts)

    def learn_accounts(self, text: str) -> None:
        """Take the people, and the names of all accounts, from the text of a passwd file."""
        for line in text.splitlines():
            fields = line.split(":")
            self.learn_account(fields[0], fields[2] if len(fields) == 7 else "")

    def learn_account(self, name: str, number: str) -> None:
        """Take an account's login name and number."""
        self._accounts.add(name)
        if is_person(number) and name not in self._logins:
            self._logins.add(name)
            self._occurring = None

    def learn_public(self, content: bytes) -> None:
        """Whether people's login names known by now are words of a file that is still as
        its package delivered it. A name learned later is taken for no word."""
        if not self._logins:
            return
        if self._occurring is None:
            self._occurring = Prefilter({}, {"login": self._logins})
            self._lowered = {name.lower().encode() for name in self._logins}
        if self._occurring.scan(content):
            self._public.update(
                word for word in _WORD.findall(content.lower()) if word in self._lowered
            )

    def is_person(self, name: str) -> bool:
        """Whether this is a person's login name."""
        return name in self._logins

    def close(self, vocabulary: Iterable[str]) -> None:
        """Decide which names are replaced, and where."""
        words = {word.lower() for word in vocabulary} | COMMON_VALUES | _NOBODYS
        known = sorted(n for n in self._logins if len(n) >= 4 and n.lower() not in words)
        self._words = tuple(name.lower() for name in known)
        telling = [n for n in known if n.lower().encode() not in self._public]
        self._everywhere = _compile(r"(?<![A-Za-z0-9])NAME(?![A-Za-z0-9])", telling)
        self._in_places = _compile(r"(?<![\w.-])NAME(?![\w-])", known)
        self._where_logins_stand = _compile("|".join(_LOGIN_PLACES), known)
        for name in telling:
            # The scan looks for parts of words too: a name of letters only is in too many.
            if not name.isalpha():
                self._vault.note(name, rule="login-name")

    def list_words(self) -> tuple[str, ...]:
        """The names that `find` looks for, in small letters."""
        return self._words

    def find(self, path: str, text: str) -> Iterator[Edit]:
        """Login names of people."""
        patterns = [self._everywhere, self._where_logins_stand]
        if _ACCOUNT_PLACES.fullmatch(path):
            patterns.append(self._in_places)
        for pattern in patterns:
            for match in pattern.finditer(text) if pattern else ():
                new = swap_login(match[0], self._vault)
                yield Edit(match.start(), match.end(), new, "login-name", "login name")


def is_person(number: str) -> bool:
    """Whether an account's number is in the range of people's."""
    return number.isdigit() and 1000 <= int(number) < 65000


def _compile(pattern: str, names: list[str]) -> re.Pattern[str] | None:
    if not names:
        return None
    joined = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True))
    return re.compile(pattern.replace("NAME", f"(?:{joined})"), re.IGNORECASE)


# -- the comment field -----------------------------------------------------------------------


def swap_comment_field(field: str, vault: Vault) -> str:
    """A passwd comment field: full name, room, telephones, other; the number of commas
    stays. A full name of two words or more is swept for elsewhere too."""
    parts = field.split(",")
    return ",".join(
        _swap_part(number, part, vault) if part.strip() else part
        for number, part in enumerate(parts)
    )


def _swap_part(number: int, part: str, vault: Vault) -> str:
    if number and _PHONE.fullmatch(part.strip()):
        return vault.swap(
            part, rule="telephone", make=draw_telephone, sweep=sum(map(str.isdigit, part)) >= 7
        )
    if number:
        return vault.swap(part, rule="full-name", sweep=False)
    whole = len(part) >= 8 and len(part.split()) >= 2
    return vault.swap(
        part,
        rule="full-name",
        make=lambda stream: f"Person {stream.take(3).hex()}",
        sweep=whole,
    )


def draw_telephone(stream: Stream) -> str:
    """One of the numbers kept for fiction: 555-0100 to 555-0199 (North American Numbering
    Plan, ATIS-0300115; from memory), in an area code that is not given out."""
    return f"+1-{2 + stream.below(8)}00-555-01{stream.below(100):02d}"
