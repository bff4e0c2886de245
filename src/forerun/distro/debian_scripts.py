"""What a package's own scripts will do, as far as it stands in them literally.

Reads the calls of a few commands in maintainer scripts (Debian Policy 6) and debconf
config scripts without running anything. A call whose words are variables that cannot be
resolved, or which stands in a condition that an upgrade need not meet, is not `sure`.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice, product

_COMMANDS = ("ucf", "dpkg-maintscript-helper", "db_input", "db_fset", "db_reset")
_SEPARATORS = frozenset({";", ";;", "&", "&&", "||", "|", "(", ")", "{", "}", "()", "\n"})
_OPENERS = ("then", "do", "else", "{", "!")
_ASSIGNED = re.compile(r"([A-Za-z_]\w*)=(.*)", re.DOTALL)
_VARIABLE = re.compile(r"\$(?:\{([A-Za-z_]\w*)\}|([A-Za-z_]\w*))")
_HERE = re.compile(r"<<-?\s*(['\"]?)([A-Za-z_]\w*)\1")
_COMMENT = re.compile(r"(?:^|(?<=\s))#.*$")
# A command's output is a variable whose value nobody knows.
_COMPUTED = re.compile(r"\$\([^()]*\)|`[^`]*`")
_MOST_EXPANDED = 200

# Conditions that every upgrade of an installed package meets: Debian Policy 6.5 says how
# the scripts are called ("configure" or "upgrade"), dh_installdeb(1) and ucf(1) advise
# the tests for the tools.
_MET = re.compile(
    r"""(?:
      \[\s+"?\$\{?1\}?"?\s+={1,2}\s+"?(?:configure|upgrade)"?\s+\]
    | \[\s+-[efrx]\s+"?[\w/.-]*(?:confmodule|/ucf|dpkg-maintscript-helper)"?\s+\]
    | (?:which|command\s+-v|type)\s+(?:\S*/)?ucf
    | dpkg-maintscript-helper\s+supports\s+\w+
    )(?:\s+[\d&>/a-z]*null\S*|\s+[\d&>]+)*""",
    re.VERBOSE,
)
_MET_ARMS = frozenset({"configure", "upgrade", "*"})


@dataclass(frozen=True, slots=True)
class ScriptCall:
    """One call: its words, variables put in where they are literal, and the script."""

    words: tuple[str, ...]
    script: str
    sure: bool


@dataclass(frozen=True, slots=True)
class ConffileCall:
    """A call of dpkg-maintscript-helper(1): `new_path` is empty for rm_conffile; `prior`
    the last version whose upgrade it is for; `owner` the package that must own `path`."""

    path: str
    new_path: str
    prior: str
    owner: str
    script: str
    sure: bool


@dataclass(frozen=True, slots=True)
class UcfCall:
    """A call of ucf(1) that installs or offers `source` as `target`."""

    source: str
    target: str
    sum_file: str
    script: str
    sure: bool


@dataclass(frozen=True, slots=True)
class InputCall:
    """A debconf question that a script puts: `priority` is empty where it is not
    literal; `again` when the script takes away its mark "seen" first."""

    name: str
    priority: str
    script: str
    sure: bool
    again: bool = False


@dataclass(slots=True)
class _Block:
    """An open if, case, loop or function. `met` is whether its present part is run."""

    word: str
    met: bool = False
    condition: list[str] | None = None
    on_first: bool = False
    arms: list[str] | None = None
    branch: int = 0


# Where a command stands: the open blocks and which part of each.
_Place = tuple[tuple[int, int], ...]


@dataclass(slots=True)
class _Reader:
    """Walks the words of one script."""

    script: str
    blocks: list[_Block] = field(default_factory=list)
    values: dict[str, tuple[str, _Place]] = field(default_factory=dict)
    loops: dict[str, list[str]] = field(default_factory=dict)
    found: list[tuple[tuple[str, ...], bool]] = field(default_factory=list)

    def read(self, text: str) -> None:
        """Take the whole script."""
        words: list[str] = []
        chained = False
        for word in _split_words(text):
            if word in _SEPARATORS:
                self._take(words, chained=chained)
                chained = word in ("&&", "||") or (chained and word == "|")
                self._separate(word, words)
                words = []
            else:
                words.append(word)
        self._take(words, chained=chained)

    def _separate(self, mark: str, words: list[str]) -> None:
        block = self.blocks[-1] if self.blocks else None
        if block is not None and block.condition is not None:
            block.condition.append(mark)
        if mark in ("|", ")") and block is not None and block.arms is not None:
            block.arms += words
            if mark == ")":
                block.met = block.on_first and bool(_MET_ARMS & set(block.arms))
                block.arms = None
        elif mark == ";;" and block is not None:
            block.met, block.arms = False, []
            block.branch += 1
        elif mark == "{":
            self.blocks.append(_Block("{", met=False))
        elif mark == "}" and block is not None and block.word == "{":
            self.blocks.pop()

    def _take(self, words: list[str], *, chained: bool) -> None:
        """One simple command, with the reserved words before it."""
        while words and words[0] in (*_OPENERS, "if", "elif", "while", "until"):
            self._open(words[0])
            words = words[1:]
        if not words or (self.blocks and self.blocks[-1].arms is not None and words[0] != "esac"):
            return  # nothing, or the pattern of a case
        if words[0] in ("fi", "esac", "done"):
            if self.blocks:
                self.blocks.pop()
            return
        if words[0] in ("case", "for") and len(words) > 2:
            self._open_list(words)
            return
        if self.blocks and self.blocks[-1].condition is not None:
            self.blocks[-1].condition.extend(words)
        sure = not chained and all(block.met for block in self.blocks if block.condition is None)
        if words[0] in ("local", "export", "readonly") and len(words) == 2:
            words = words[1:]
        assigned = _ASSIGNED.fullmatch(words[0])
        if assigned and len(words) == 1:
            self.values[assigned[1]] = (_fill(assigned[2], self._find_values()), self._place())
            return
        words, plain = _drop_prefix(words)
        name = words[0].rsplit("/", 1)[-1] if words else ""
        if name in _COMMANDS:
            table = self._find_values()
            filled = tuple(_fill(word, table) for word in (name, *words[1:]))
            self.found.append((filled, sure and plain))

    def _place(self) -> _Place:
        return tuple((id(block), block.branch) for block in self.blocks)

    def _find_values(self) -> dict[str, str]:
        """The variables whose last assignment has been met on the way here."""
        here = self._place()
        return {
            name: value
            for name, (value, place) in self.values.items()
            if here[: len(place)] == place
        }

    def _open(self, word: str) -> None:
        block = self.blocks[-1] if self.blocks else None
        if word in ("if", "while", "until"):
            self.blocks.append(_Block(word, condition=[]))
        elif word in ("elif", "else") and block is not None:
            block.condition = [] if word == "elif" else None
            block.met = False
            block.branch += 1
        elif word in ("then", "do") and block is not None and block.condition is not None:
            condition = " ".join(block.condition).strip(" ;\n")
            block.met = word == "then" and bool(_MET.fullmatch(condition))
            block.condition = None

    def _open_list(self, words: list[str]) -> None:
        if words[0] == "case":
            first = words[1].strip('"') in ("$1", "${1}")
            rest = words[3:]  # `case "$1" in configure)` on one line
            self.blocks.append(_Block("case", on_first=first, arms=rest))
            return
        self.blocks.append(_Block("for", met=True))
        if words[2] == "in":
            self.loops.setdefault(words[1], []).extend(words[3:])

    def calls(self) -> Iterator[ScriptCall]:
        """All calls, once for each value of a literal loop."""
        for words, sure in self.found:
            for filled in self._expand(words):
                yield ScriptCall(filled, self.script, sure)

    def _expand(self, words: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
        names = {a or b for word in words for a, b in _VARIABLE.findall(word)}
        chosen = {
            name: values
            for name, values in sorted(self.loops.items())
            if name in names and not any(set("$`*?") & set(value) for value in values)
        }
        for combination in islice(product(*chosen.values()), _MOST_EXPANDED):
            table = dict(zip(chosen, combination, strict=True))
            yield tuple(_fill(word, table) for word in words)


def _drop_prefix(words: list[str]) -> tuple[list[str], bool]:
    """A simple command without what may stand before its name (`A=b`, env(1)), and
    whether that is known to change nothing."""
    plain = True
    for number, word in enumerate(words):
        if _ASSIGNED.fullmatch(word):
            plain = plain and not word.startswith("UCF_")
        elif word.startswith("$") and "env" in words[:number]:
            plain = False
        elif word not in ("env", "command", "exec"):
            return words[number:], plain
    return [], plain


def _fill(word: str, table: dict[str, str]) -> str:
    return _VARIABLE.sub(lambda match: table.get(match[1] or match[2], match[0]), word)


def _split_words(text: str) -> Iterator[str]:
    """Words and separators, quotes taken away; here-documents are left out."""
    lines = iter(text.replace("\\\n", " ").split("\n"))
    for raw in lines:
        line = _COMMENT.sub("", _COMPUTED.sub("$_", _COMPUTED.sub("$_", raw.strip())))
        here = _HERE.search(line)
        try:
            lexer = shlex.shlex(line, posix=True, punctuation_chars=";&|()<>")
            lexer.whitespace_split, lexer.commenters = True, ""
            words = list(lexer)
        except ValueError:  # a quotation that goes on in the next line
            words = line.split()
        for word in words:
            yield from ((";", word) if word in ("then", "do", "else") else (word,))
        yield "\n"
        if here:
            for skipped in lines:
                if skipped.strip() == here[2]:
                    break


def read_calls(scripts: Iterable[tuple[str, str]]) -> tuple[ScriptCall, ...]:
    """The calls of interest in shell scripts, given as (name, text)."""
    found: list[ScriptCall] = []
    for name, text in scripts:
        if is_shell(text):
            reader = _Reader(name)
            reader.read(text)
            found += reader.calls()
    return tuple(found)


def is_shell(text: str) -> bool:
    """Whether the script's first line names a shell."""
    return bool(re.match(r"#!\s*\S*\b(?:ba|da|)sh\b", text))


def find_conffile_calls(calls: Iterable[ScriptCall]) -> tuple[ConffileCall, ...]:
    """rm_conffile and mv_conffile of dpkg-maintscript-helper(1)."""
    found = []
    for call in calls:
        if call.words[0] != "dpkg-maintscript-helper" or len(call.words) < 3:
            continue
        kind, rest = call.words[1], list(call.words[2:])
        rest = rest[: rest.index("--")] if "--" in rest else rest
        count = {"rm_conffile": 1, "mv_conffile": 2}.get(kind, 0)
        if not count or len(rest) < count:
            continue
        prior, owner = [*rest[count:], "", ""][:2]
        literal = not any("$" in word for word in rest[:count])
        new_path = rest[1] if count == 2 else ""
        sure = call.sure and literal
        found.append(ConffileCall(rest[0], new_path, prior, owner, call.script, sure))
    return tuple(found)


_UCF_VALUED = frozenset(
    (
        *("-s", "--src-dir", "--sum-file", "-P", "--package"),
        *("--state-dir", "--debconf-template", "--dest-dir"),
    )
)


def find_ucf_calls(calls: Iterable[ScriptCall]) -> tuple[UcfCall, ...]:
    """ucf(1) calls that name a new file and its destination; purges are left out."""
    found = []
    for call in calls:
        if call.words[0] != "ucf" or {"-p", "--purge"} & set(call.words):
            continue
        places, sums = _split_ucf(call.words[1:])
        if len(places) < 2:
            continue
        literal = not any("$" in word for word in places[:2])
        found.append(UcfCall(places[0], places[1], sums, call.script, call.sure and literal))
    return tuple(found)


def _split_ucf(words: tuple[str, ...]) -> tuple[list[str], str]:
    places: list[str] = []
    sums = ""
    rest = iter(words)
    for word in rest:
        name, equals, value = word.partition("=")
        if name in _UCF_VALUED:
            value = value if equals else next(rest, "")
            sums = value if name == "--sum-file" else sums
        elif not word.startswith("-"):
            places.append(word)
    return places, sums


_PRIORITIES = ("low", "medium", "high", "critical")
# debconf-devel(7): the command INPUT in other languages' bindings.
_OTHER_INPUT = re.compile(
    r"\binput\s*\(?\s*['\"]?(low|medium|high|critical)['\"]?\s*,?\s*['\"]?([\w.+-]+/[\w./+-]+)",
    re.IGNORECASE,
)


def find_input_calls(
    scripts: Iterable[tuple[str, str]], calls: Iterable[ScriptCall]
) -> tuple[InputCall, ...]:
    """The questions that the scripts put by db_input (debconf-devel(7)), and those of
    scripts in other languages, which are never sure."""
    rows = list(calls)
    cleared = {
        call.words[1]
        for call in rows
        if call.words[0] == "db_fset" and call.words[2:4] == ("seen", "false")
    }
    found = []
    for call in rows:
        if call.words[0] == "db_input" and len(call.words) >= 3:
            priority = call.words[1] if call.words[1] in _PRIORITIES else ""
            name = call.words[2]
            sure = call.sure and bool(priority) and "$" not in name
            found.append(InputCall(name, priority, call.script, sure, name in cleared))
    for script, text in scripts:
        if not is_shell(text):
            for match in _OTHER_INPUT.finditer(text):
                found.append(InputCall(match[2], match[1].lower(), script, False))
    return tuple(found)


def match_words(word: str, path: str) -> dict[str, str] | None:
    """The values that variables left in `word` must have for it to be `path`, or None.

    A variable that stands twice must have one value."""
    pattern, at, seen = "", 0, set()
    for match in _VARIABLE.finditer(word):
        name = match[1] or match[2]
        pattern += re.escape(word[at : match.start()])
        pattern += f"(?P={name})" if name in seen else f"(?P<{name}>.+)"
        seen.add(name)
        at = match.end()
    found = re.fullmatch(pattern + re.escape(word[at:]), path)
    if found is None:
        return None
    # A bare variable fits every path and so tells nothing.
    literal = _VARIABLE.sub("", word)
    return found.groupdict() if len(literal.strip("/")) >= 3 else None


def fill_words(word: str, table: dict[str, str]) -> str:
    """`word` with the variables in `table` put in."""
    return _fill(word, table)
