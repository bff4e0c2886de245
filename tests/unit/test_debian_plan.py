"""What apt is given for a plan, and what is read from its answer."""

from __future__ import annotations

from debian.deb822 import Deb822

from forerun.distro.debian_plan import (
    find_keyrings,
    list_architectures,
    parse_addresses,
    parse_plan,
    pick_settings,
    rename_keys,
    through_gateway,
    write_extended_states,
    write_plan_script,
    write_preferences,
    write_private_script,
    write_question,
    write_settings,
    write_status,
)
from forerun.model.likeness import PlannedPackage, PlannedStep
from forerun.model.survey import Package
from forerun.model.system import Pin


def test_a_status_file_has_state_and_relations() -> None:
    """deb822 as dpkg writes it: the states of dpkg-query(1), one stanza a package."""
    packages = (
        Package("a", "1:1", "amd64", relations=(("Depends", "b,\n c"), ("Installed-Size", "3"))),
        Package("b", "1", "all", state="hi", held=True),
        Package("c", "1", "all", state="rc"),
        Package("d", "1", "all", state="iFR"),
        Package("e", "1", "all", stanza="Package: e\nVersion: 9\nDepends: a\nX-Own: 1"),
    )
    rows = list(Deb822.iter_paragraphs(write_status(packages)))
    assert [row["Status"] for row in rows] == [
        "install ok installed",
        "hold ok installed",
        "deinstall ok config-files",
        "install reinstreq half-configured",
        "install ok installed",
    ]
    assert (rows[0]["Depends"], rows[0]["Installed-Size"]) == ("b, c", "3")
    assert (rows[4]["Version"], rows[4]["Depends"]) == ("1", "a")


def test_no_field_can_open_a_stanza_of_its_own() -> None:
    """A value with an empty line or a field's name with a colon stays in its place."""
    bad = (("Depends", "x\n\nPackage: evil\nStatus: y"), ("A: b\nC", "d"), ("status", "other"))
    [row] = Deb822.iter_paragraphs(write_status([Package("a", "1", "all", relations=bad)]))
    assert set(row) == {"Package", "Status", "Version", "Architecture", "Depends"}
    assert row["Status"] == "install ok installed"


def test_marks_pins_and_architectures() -> None:
    """apt files packages of architecture all under the native one."""
    packages = (
        Package("a", "1", "all", automatic=True),
        Package("b", "1", "i386", automatic=True),
        Package("c", "1", "amd64"),
    )
    text = write_extended_states(packages, "amd64")
    rows = [(r["Package"], r["Architecture"]) for r in Deb822.iter_paragraphs(text)]
    assert rows == [("a", "amd64"), ("b", "i386")]
    assert list_architectures(packages, "amd64") == ("amd64", "i386")
    [pin] = Deb822.iter_paragraphs(write_preferences([Pin("/f", 1, "*", "release a=x", -1)]))
    assert (pin["Package"], pin["Pin"], pin["Pin-Priority"]) == ("*", "release a=x", "-1")


def test_only_settings_of_a_plan_are_taken_over() -> None:
    """Commands, folders and proxies of the server never reach the lab host's apt."""
    dump = (
        'APT::Install-Recommends "0";\nAPT::NeverAutoRemove:: "^linux-.*";\n'
        'APT::Update::Post-Invoke:: "touch /x";\nDPkg::Pre-Invoke:: "x";\nDir::Bin::dpkg "/x";\n'
        'Acquire::http::Proxy "http://192.0.2.1";\nAPT::Get::AllowUnauthenticated "true";\n'
        'Acquire::AllowInsecureRepositories "true";\nAPT::Install-Recommends-Sections "";\n'
    )
    assert pick_settings(dump) == (
        ("APT::Install-Recommends", "0"),
        ("APT::NeverAutoRemove::", "^linux-.*"),
    )
    assert write_settings([("a", 'x"; b "y'), ("c", "d\ne"), ("f", "g")]) == 'f "g";\n'


def test_the_question_is_the_same_on_every_side() -> None:
    """Hooks are cleared before anything is set; both scripts ask the same four questions."""
    question = write_question("http://127.0.0.1:9")
    assert question.index("#clear APT::Update::Pre-Invoke;") < question.index("Debug::NoLocking")
    assert 'Acquire::http::Proxy "http://127.0.0.1:9";' in question
    assert 'Acquire::http::Proxy "DIRECT";' in write_question("")
    asked = [
        [line for line in script.splitlines() if "ask" in line]
        for script in (write_plan_script("x"), write_private_script())
    ]
    assert asked[0] == asked[1]
    assert "update" not in [line for line in write_private_script(fresh=False) if "ask" in line]
    for word in ("AllowUnauthenticated", "AllowInsecure", "trusted"):
        assert word.lower() not in question.lower()


def test_sources_are_bent_to_gateway_and_keys() -> None:
    """Addresses lose their https, keyrings get this host's place; keys of entries that are
    not in use are not asked for."""
    text = (
        "Types: deb\nURIs: https://a.test/d\nSuites: x\nSigned-By: /k/a.gpg\n\n"
        "Enabled: no\nTypes: deb\nURIs: http://b.test\nSuites: x\nSigned-By: /k/b.gpg\n"
    )
    assert find_keyrings(text) == ("/k/a.gpg",)
    bent = rename_keys(through_gateway(text), [("/k/a.gpg", "/here/0.gpg")])
    assert "URIs: http://a.test/d\n" in bent
    assert "Signed-By: /here/0.gpg\n" in bent


ANSWER = """-- forerun: manager
apt 2.6.1 (amd64)
-- forerun: update
Hit:1 http://a.test x InRelease
W: something about a key
-- forerun: exit 0
-- forerun: indexes
1
-- forerun: full
The following packages have been kept back:
  held
Inst new (2.0 A:x [all])
Inst up [1.0] (2.0 A:x [amd64])
Inst down [2.0+really1] (2.0 A:x [amd64])
Inst wide:i386 [1.0] (2.0 A:x [i386])
Remv old [1.0]
-- forerun: exit 0
-- forerun: first
Inst up [1.0] (2.0 A:x [amd64])
-- forerun: exit 0
-- forerun: addresses
'http://a.test/p/up_2.0_amd64.deb' up_1%3a2.0_amd64.deb 99 SHA256:ab
-- forerun: exit 0
"""


def test_a_plan_is_read_whole() -> None:
    """Forms as apt 2.6 prints them (recorded while the tests with apt were written)."""
    plan = parse_plan(ANSWER)
    assert (plan.manager, plan.reason, plan.kept) == ("2.6.1", "", ("held",))
    assert plan.problems == ("W: something about a key",)
    assert {(s.name, s.action) for s in plan.steps} == {
        ("new", "install"),
        ("up", "upgrade"),
        ("down", "downgrade"),
        ("wide:i386", "upgrade"),
        ("old", "remove"),
    }
    assert plan.first_part == (PlannedStep("up", "amd64", "upgrade", "1.0", "2.0"),)
    url = "http://a.test/p/up_2.0_amd64.deb"
    assert plan.uris == (PlannedPackage("up", "amd64", "1:2.0", url, "SHA256:ab", 99),)
    assert plan.download_bytes == 99


def test_an_answer_that_is_not_whole_is_no_plan() -> None:
    """Cut at any line before the addresses, there is a reason and no step."""
    lines = ANSWER.splitlines(keepends=True)
    end = lines.index("-- forerun: addresses\n")
    for count in range(end - 1):
        plan = parse_plan("".join(lines[:count]))
        assert plan.reason, count
        assert plan.steps == ()
    failed = ANSWER.replace(
        "exit 0\n-- forerun: first", "E: broken\n-- forerun: exit 100\n-- forerun: first"
    )
    assert "apt made no plan" in parse_plan(failed).reason
    assert "no package index" in parse_plan(ANSWER.replace("indexes\n1", "indexes\n0")).reason


def test_other_files_than_packages_are_no_packages() -> None:
    """Only NAME_VERSION_ARCHITECTURE.deb counts."""
    assert parse_addresses("'http://a/x' a_b.deb 1 x\n'http://a/x' a_InRelease 0\n") == ()
