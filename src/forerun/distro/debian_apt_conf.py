"""apt's configuration language, read without apt. Pure.

apt itself must not read a server's or a clone's configuration on the lab host: `apt-config
dump` alone runs the program that `Dir::Bin::dpkg` names (observed, apt 2.6). Source:
apt.conf(5), "Syntax" and the order of files; apt-pkg/contrib/configuration.cc.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

_MAIN = "/etc/apt/apt.conf"
_PARTS = "/etc/apt/apt.conf.d/"
# run-parts(8)-like names, with no extension or ".conf" (apt.conf(5)).
_PART_NAME = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9_.-]*")
_TOKEN = re.compile(
    r"//[^\n]*|/\*.*?(?:\*/|\Z)|#(?!clear|include)[^\n]*"  # comments
    r'|"(?P<text>[^"\n]*)"|(?P<mark>[{};])|(?P<word>#(?:clear|include)|(?:(?!//|/\*)[^\s"{};#])+)',
    re.DOTALL | re.IGNORECASE,
)
_DEEPEST = 20


def order_files(files: Mapping[str, bytes]) -> Iterator[tuple[str, bytes]]:
    """The files that apt would read, in its order: the parts by name, then the main file."""
    for path in sorted(files):
        name = path.removeprefix(_PARTS)
        plain = path.startswith(_PARTS) and _PART_NAME.fullmatch(name)
        if plain and ("." not in name or name.endswith(".conf")):
            yield path, files[path]
    if _MAIN in files:
        yield _MAIN, files[_MAIN]


def read_settings(text: str) -> Iterator[tuple[str, str]]:
    """(name, value) of each setting, in the order of the text; an item of a list has a name
    that ends in `::`. Directives (`#clear`, `#include`) are passed over."""
    scope: list[str] = []
    words: list[str] = []
    for match in _TOKEN.finditer(text):
        mark = match["mark"]
        if mark is None:
            found = match["word"] if match["text"] is None else match["text"]
            words += [] if found is None else [found]
            continue
        directive = bool(words) and words[0].startswith("#")
        if words and not directive:
            yield from _read_statement(scope, words, opens=mark == "{")
        if mark == "{":
            scope.append("" if directive or not words else words[0])
            if len(scope) > _DEEPEST:
                return
        elif mark == "}" and scope:
            scope.pop()
        words = []


def _read_statement(
    scope: list[str], words: list[str], *, opens: bool
) -> Iterator[tuple[str, str]]:
    if len(words) > 1:
        yield "::".join((*scope, words[0])), words[1]
    elif scope and not opens:
        yield "::".join((*scope, "")), words[0]
