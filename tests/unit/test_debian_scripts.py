"""What stands literally in maintainer scripts, and what only they can decide."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.distro.debian_scripts import (
    fill_words,
    find_conffile_calls,
    find_input_calls,
    find_ucf_calls,
    match_words,
    read_calls,
)


def ucf(text: str, name: str = "postinst") -> list[tuple[str, str, bool]]:
    calls = find_ucf_calls(read_calls([(name, f"#!/bin/sh\nset -e\n{text}\n")]))
    return [(call.source, call.target, call.sure) for call in calls]


@pytest.mark.parametrize(
    "text",
    [
        "ucf --three-way --debconf-ok /usr/share/a /etc/a",
        "ucf --three-way --debconf-ok /usr/share/a /etc/a </dev/null >&2 || true",
        "/usr/bin/ucf --sum-file /usr/share/a.md5sum --src-dir=/usr/share /usr/share/a /etc/a",
        "ucf /usr/share/a \\\n    /etc/a",
        'FILE=/etc/a\nucf /usr/share/a "$FILE"',
        "NAME=a\nFILE=/etc/$NAME\nucf /usr/share/${NAME} ${FILE}",
        "A=/usr/share/b\nA=/usr/share/a\nB=/etc/a\nucf $A $B",
        'if [ "$1" = configure ]; then\n A=/etc/a\n LC_ALL=C ucf /usr/share/a $A\nfi',
        "for f in a; do\n  ucf /usr/share/$f /etc/$f\ndone",
        'if [ "$1" = "configure" ]; then\n ucf /usr/share/a /etc/a\nfi',
        "if [ $1 = configure ] ; then ucf /usr/share/a /etc/a; fi",
        'case "$1" in\n  reconfigure|configure)\n ucf /usr/share/a /etc/a\n ;;\nesac',
        'case "$1" in configure)\n ucf /usr/share/a /etc/a ;;\nesac',
        "if which ucf >/dev/null 2>&1; then\n ucf /usr/share/a /etc/a\nfi",
        "if command -v ucf >/dev/null; then ucf /usr/share/a /etc/a; fi",
        "# ucf /x /y\nucf /usr/share/a /etc/a # as it is",
        "cat <<EOF\nucf /x /y\nEOF\nucf /usr/share/a /etc/a",
    ],
)
def test_a_literal_call_that_every_upgrade_makes_is_sure(text: str) -> None:
    """Options, quotes, variables with one value, loops over literal words, continued
    lines, here-documents, and the conditions of Debian Policy 6.5."""
    assert ucf(text) == [("/usr/share/a", "/etc/a", True)]


@pytest.mark.parametrize(
    "text",
    [
        'if [ -n "$2" ]; then ucf /usr/share/a /etc/a; fi',
        '[ -n "$2" ] && ucf /usr/share/a /etc/a',
        "if [ $1 = configure ]; then :; else ucf /usr/share/a /etc/a; fi",
        'if [ "$1" = configure ] && [ -e /x ]; then ucf /usr/share/a /etc/a; fi',
        'case "$1" in\n  abort-upgrade)\n ucf /usr/share/a /etc/a\n ;;\nesac',
        'case "$2" in\n  configure)\n ucf /usr/share/a /etc/a\n ;;\nesac',
        "install_it() {\n  ucf /usr/share/a /etc/a\n}",
        "while read x; do ucf /usr/share/a /etc/a; done",
        "test -e /x || ucf /usr/share/a /etc/a",
        "env $ucf_env ucf /usr/share/a /etc/a",  # as grub-pc does
        "UCF_FORCE_CONFFOLD=1 ucf /usr/share/a /etc/a",
    ],
)
def test_a_call_under_a_condition_is_not_sure(text: str) -> None:
    """It may be made or not: the script decides."""
    assert ucf(text) == [("/usr/share/a", "/etc/a", False)]


def test_after_a_condition_calls_are_sure_again() -> None:
    """The end of a block, and the second arm of a case, count."""
    text = (
        'case "$1" in\n abort-upgrade) ucf /a1 /etc/1;;\n configure) ucf /a2 /etc/2;;\nesac\n'
        "if [ -e /x ]; then ucf /a3 /etc/3; fi\nucf /a4 /etc/4"
    )
    assert [row[2] for row in ucf(text)] == [False, True, False, True]


@pytest.mark.parametrize(
    ("text", "target"),
    [
        ("new=$(mktemp)\nucf $new /etc/a", "/etc/a"),
        ("A=1\nif [ -e /x ]; then A=2; fi\nucf /usr/share/a /etc/$A", "/etc/$A"),
        ("if [ -e /x ]; then A=1; else ucf /usr/share/a /etc/$A; fi", "/etc/$A"),
        ('ucf "`mktemp`" /etc/a', "/etc/a"),
        ("for f in $LIST; do ucf /usr/share/$f /etc/$f; done", "/etc/$f"),
    ],
)
def test_a_word_that_cannot_be_resolved_is_not_sure(text: str, target: str) -> None:
    """The output of a command, a variable that a condition may have changed, a computed
    list."""
    ((_, found, sure),) = ucf(text)
    assert (found, sure) == (target, False)


def test_purging_is_no_offer() -> None:
    """ucf --purge in a postinst forgets a file and asks nothing (ucf(1))."""
    assert ucf("ucf --purge /etc/a\nucf -p /etc/a") == []


def test_the_words_of_dh_installdeb_are_understood() -> None:
    """The form that dh_installdeb(1) writes, with its escaped tilde (as in Debian's own
    packages), and the longer form of dpkg-maintscript-helper(1)."""
    text = (
        "#!/bin/sh\nset -e\n# Automatically added by dh_installdeb/13.11.4\n"
        'dpkg-maintscript-helper rm_conffile /etc/sysctl.conf 2:4.0.4-4\\~ procps -- "$@"\n'
        "if dpkg-maintscript-helper supports mv_conffile 2>/dev/null; then\n"
        '  dpkg-maintscript-helper mv_conffile /etc/a /etc/b -- "$@"\nfi\n'
        'dpkg-maintscript-helper dir_to_symlink /etc/d /etc/e 1.0 -- "$@"\n'
    )
    first, second = find_conffile_calls(read_calls([("preinst", text)]))
    assert (first.path, first.prior, first.owner) == ("/etc/sysctl.conf", "2:4.0.4-4~", "procps")
    assert (second.path, second.new_path, second.prior) == ("/etc/a", "/etc/b", "")
    assert first.sure and second.sure


def test_questions_have_priority_and_mark() -> None:
    """db_input with a literal priority; db_fset NAME seen false asks anew."""
    text = (
        "#!/bin/sh\n. /usr/share/debconf/confmodule\ndb_input high a/b || true\n"
        'db_input "$PRIORITY" a/c || true\ndb_fset a/b seen false\n'
    )
    scripts = [("config", text)]
    first, second = find_input_calls(scripts, read_calls(scripts))
    assert (first.name, first.priority, first.sure, first.again) == ("a/b", "high", True, True)
    assert (second.name, second.priority, second.sure, second.again) == ("a/c", "", False, False)


def test_scripts_in_other_languages_are_never_sure() -> None:
    """Perl's Debconf::Client::ConfModule has the same commands as functions."""
    scripts = [("config", "#!/usr/bin/perl\ninput('critical', 'a/b');\n")]
    (call,) = find_input_calls(scripts, read_calls(scripts))
    assert (call.name, call.priority, call.sure) == ("a/b", "critical", False)


def test_variables_follow_from_the_path() -> None:
    """What a loop over computed names would do for one file."""
    table = match_words("/etc/dovecot/$conf", "/etc/dovecot/conf.d/10-mail.conf")
    assert table == {"conf": "conf.d/10-mail.conf"}
    assert fill_words("/usr/share/dovecot/$conf", table) == (
        "/usr/share/dovecot/conf.d/10-mail.conf"
    )
    assert match_words("/etc/${a}/${a}.conf", "/etc/x/x.conf") == {"a": "x"}
    assert match_words("/etc/${a}/${a}.conf", "/etc/x/y.conf") is None
    assert match_words("$file", "/etc/x") is None


@given(
    st.text(alphabet="if then else fi case esac in done do ;|&(){}$'\"`\\\n<#=ucf/", max_size=200)
)
def test_no_script_breaks_the_reader(text: str) -> None:
    """Whatever the shell's own syntax, reading ends without an exception."""
    calls = read_calls([("postinst", f"#!/bin/sh\n{text}")])
    find_ucf_calls(calls)
    find_conffile_calls(calls)
    find_input_calls([("config", text)], calls)
