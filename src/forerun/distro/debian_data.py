"""Where the packages of Debian that keep data keep them, and what an upgrade does with them."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DataKeeper:
    """Packages (patterns of fnmatch(3)) that work on data of their own. `path` is where those
    lie, "" where that is not looked at. `converts` is true where the maintainer scripts, or
    the program at its first start, go through all data when the version changes (from memory)."""

    packages: tuple[str, ...]
    path: str = ""
    converts: bool = False

    def list_packages(self, names: Iterable[str]) -> list[str]:
        """Those of these packages that keep such data, sorted."""
        return sorted(
            {
                name
                for name in names
                if any(fnmatch.fnmatchcase(name, pattern) for pattern in self.packages)
            }
        )


DATA_KEEPERS = (
    DataKeeper(
        ("mariadb-server", "mariadb-server-[0-9]*", "default-mysql-server",
         "mysql-server", "mysql-server-[0-9]*"),
        "/var/lib/mysql",
        converts=True,
    ),
    # A new version leaves the old one's data alone until somebody moves them
    # (pg_upgradecluster(1)).
    DataKeeper(("postgresql", "postgresql-[0-9]*"), "/var/lib/postgresql"),
    DataKeeper(("slapd",), "/var/lib/ldap", converts=True),
    DataKeeper(("mongodb-server",), "/var/lib/mongodb", converts=True),
    DataKeeper(("cyrus-imapd",), "/var/lib/cyrus", converts=True),
    # A package script does not go through these (from memory): their sizes are not asked for.
    DataKeeper(("dovecot-core",)),
    DataKeeper(("bacula-director*",)),
    DataKeeper(("zabbix-server*",)),
    DataKeeper(("elasticsearch",)),
)  # fmt: skip
