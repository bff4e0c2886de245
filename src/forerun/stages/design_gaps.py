"""A row for every way in which a rehearsal may fail to predict production. Pure.

Each family is always there: a server without disks, peers or licences gets its row too,
with what was looked for. "matched" is said only where nothing of the family can differ;
what cannot be told from the survey is "unknown", never left out.
"""

from __future__ import annotations

import fnmatch
from collections.abc import Callable, Iterable, Sequence

from forerun.distro.debian_data import DATA_KEEPERS
from forerun.model.blueprint import Blueprint, Gap
from forerun.model.profile import Profile
from forerun.model.survey import CleanSurvey

_CLUSTERS = ("pacemaker", "corosync", "keepalived", "galera-*", "patroni", "etcd-server",
             "drbd-utils", "glusterfs-server", "ceph-mon", "ceph-osd", "rabbitmq-server",
             "redis-sentinel", "ucarp")  # fmt: skip
_LICENCES = ("*licen[cs]e*", "flexlm*", "*lmgrd*", "*hostid*", "*hasp*")
_CLOCKS = ("chrony", "ntp", "ntpsec", "openntpd", "systemd-timesyncd")
_DIRECTORY = ("sssd*", "libnss-ldap*", "libpam-ldap*", "winbind", "nslcd", "krb5-user", "autofs",
              "realmd")  # fmt: skip
_RULES = ("nftables", "iptables-persistent", "netfilter-persistent", "ufw", "firewalld",
          "shorewall", "fail2ban", "selinux-policy-*")  # fmt: skip
_CERTIFICATES = ("*.pem", "*.crt", "*.cer", "*.key", "*.keytab", "*.p12", "*.jks")
_SHARES = ("nfs", "nfs4", "cifs", "smb3", "fuse.sshfs")


def list_families(
    survey: CleanSurvey, profile: Profile, blueprint: Blueprint, *, emulated: bool
) -> tuple[Gap, ...]:
    """One row for each family, in a fixed order; `blueprint` is what is planned so far."""
    facts = _Facts(survey, profile, blueprint, emulated=emulated)
    return tuple(Gap(name, *judge(facts)) for name, judge in _FAMILIES)


class _Facts:
    """The survey, asked in the ways that the rules need."""

    def __init__(
        self, survey: CleanSurvey, profile: Profile, blueprint: Blueprint, *, emulated: bool
    ) -> None:
        self.survey = survey
        self.system = survey.system
        self.profile = profile
        self.blueprint = blueprint
        self.emulated = emulated
        self._installed = tuple(p.name for p in survey.packages if p.state.startswith(("i", "h")))

    def packages(self, patterns: Sequence[str]) -> str:
        """Names of installed packages that match, shortened."""
        return _show(
            name
            for name in self._installed
            if any(fnmatch.fnmatchcase(name, pattern) for pattern in patterns)
        )

    def paths(self, patterns: Sequence[str]) -> list[str]:
        """Paths of the copy, or withheld ones, whose last part matches."""
        paths = [e.path for e in self.survey.entries if e.kind == "file"]
        paths += [row.path for row in self.survey.withheld]
        return [
            path
            for path in paths
            if any(fnmatch.fnmatchcase(path.rpartition("/")[2], pattern) for pattern in patterns)
        ]


def _show(names: Iterable[str], most: int = 6) -> str:
    listed = list(dict.fromkeys(names))
    more = f" and {len(listed) - most} more" if len(listed) > most else ""
    return ", ".join(listed[:most]) + more


_Judged = tuple[str, str]


def _processor(facts: _Facts) -> _Judged:
    model = facts.system.processor.model
    name = f" of production's {model}" if model else ""
    if facts.emulated:
        return (
            "approximated",
            f"software stands in for the processor{name}: times of work are "
            "many times production's, and code for its special instructions is not used",
        )
    return "approximated", f"the lab host's processor, not production's{name}: times of work differ"


def _storage(_: _Facts) -> _Judged:
    return (
        "approximated",
        "flushes reach the lab host's own disk: a slower or busier store "
        "(package unpacking waits for it) does not show",
    )


def _mirror(_: _Facts) -> _Judged:
    return (
        "approximated",
        "packages come from the archive gateway's cache or the lab host's line, "
        "not over production's own: its speed and its way out are not tried",
    )


def _disks(facts: _Facts) -> _Judged:
    absent = [
        gap.subject for gap in facts.blueprint.gaps
        if gap.state == "absent" and gap.subject.startswith(("data disk", "file system", "swap"))
    ]  # fmt: skip
    if absent:
        return "absent", f"{_show(absent)}: what looks for them finds nothing"
    made = len(facts.blueprint.stand_ins) + len(facts.blueprint.swap_files)
    if made:
        return (
            "approximated",
            f"{made} stand-in disks and swap areas with production's UUIDs; "
            "serial numbers and paths of the hardware are not production's",
        )
    if not facts.survey.mounts:
        return "unknown", "the mount table was not read"
    return "approximated", "one system disk; its UUIDs and serial number are not production's"


def _boot(facts: _Facts) -> _Judged:
    loader = facts.system.loader
    mode = facts.survey.machine.boot_mode
    if loader is not None and loader.secure_boot:
        return (
            "approximated",
            f"{mode}, through its own boot loader; signatures are not checked "
            "at the start, as they are on production",
        )
    checked = "" if loader else "; whether signatures are checked on production is not known"
    return "approximated", f"{mode}, through its own boot loader on the clone's disk{checked}"


def _layers(facts: _Facts) -> _Judged:
    noted = [gap for gap in facts.blueprint.gaps if gap.subject == "layers under the root"]
    kinds = {block.kind for block in facts.system.blocks} - {"disk", "part", "loop", "rom"}
    if noted:
        return "absent", noted[0].note
    if kinds:
        return (
            "approximated",
            f"production has {_show(sorted(kinds))} layers, not under its root; "
            "only logical volumes are made again",
        )
    if not facts.system.blocks:
        return "unknown", "the tree of block devices was not read"
    return "matched", "production has no layers under its root"


def _third_party(facts: _Facts) -> _Judged:
    names = _show(package.name for package in facts.blueprint.recipe.stand_ins)
    if names:
        return (
            "absent",
            f"{names}: stand-ins without content; their scripts and services are not rehearsed",
        )
    if any(p.state.startswith("i") and p.stanza for p in facts.survey.packages):
        return "absent", "old kernels that no archive offers are left out"
    return "matched", "every package comes from an archive that the clone reaches"


def _data_size(facts: _Facts) -> _Judged:
    names = facts.packages([one for keeper in DATA_KEEPERS for one in keeper.packages])
    if names:
        sizes = ", ".join(
            f"{one.size_bytes / 1e9:.1f} GB in {one.path}" for one in facts.system.data
        )
        return (
            "absent",
            f"{names}: steps that convert or index data run on empty or made-up data"
            f"{f'; production has {sizes}' if sizes else ''}",
        )
    return (
        "unknown",
        "no known store of data found by package; conversions of other data show "
        "only by their empty case",
    )


def _drivers(facts: _Facts) -> _Judged:
    built = _show(f"{m.name} {m.version}" for m in facts.system.modules)
    if built:
        return (
            "approximated",
            f"{built}: built on the clone for its kernel; whether they drive "
            "production's hardware under the new one is not known",
        )
    return (
        "absent",
        "the clone has virtual devices only: a driver dropped or firmware lacking "
        "under the new kernel does not show",
    )


def _cards(facts: _Facts) -> _Judged:
    real = _show(f"{i.name} ({i.driver or i.bus})" for i in facts.system.interfaces if i.bus)
    if not real:
        return (
            "unknown",
            "the network cards were not read: their names under the new release "
            "are not foretold by a clone",
        )
    return (
        "absent",
        f"{real}: the clone has one virtual card, so a new name or a lost driver "
        "would first show on production",
    )


def _licences(facts: _Facts) -> _Judged:
    found = facts.paths(_LICENCES)
    if found:
        return (
            "unknown",
            f"{_show(found)}: what is bound to hardware does not run on a clone; ask the vendor",
        )
    return (
        "unknown",
        "no licence file found by name; software bound to a hardware address or "
        "board would refuse the clone",
    )


def _clusters(facts: _Facts) -> _Judged:
    names = facts.packages(_CLUSTERS)
    if names:
        return (
            "absent",
            f"{names}: one member alone; quorum, failover and mixed versions are not rehearsed",
        )
    return (
        "unknown",
        "no cluster software found by package; peers named in configuration do not answer",
    )


def _clock(facts: _Facts) -> _Judged:
    name = facts.system.time_sync or facts.packages(_CLOCKS)
    if name:
        return "absent", f"{name}: its servers do not answer; the clone has the lab host's clock"
    return "unknown", "no time service found; the clone has the lab host's clock"


def _certificates(facts: _Facts) -> _Judged:
    found = facts.paths(_CERTIFICATES)
    if found:
        return (
            "approximated",
            f"{len(found)} files of keys and certificates: stand-ins of the same "
            "kind; a clone does not know production's authorities",
        )
    return "approximated", "keys are stand-ins of the same kind; none was found by file name"


def _names(facts: _Facts) -> _Judged:
    shares = _show(m.target for m in facts.survey.mounts if m.fstype in _SHARES)
    directory = facts.packages(_DIRECTORY)
    asked = "; ".join(part for part in (shares and f"shares {shares}", directory) if part)
    return "absent", "names in the configuration resolve on the clone, and no peer answers" + (
        f": {asked}" if asked else ""
    )


def _load(_: _Facts) -> _Judged:
    return (
        "absent",
        "the clone is idle and freshly started: production's load and warm caches "
        "are not rehearsed",
    )


def _data(facts: _Facts) -> _Judged:
    if facts.blueprint.samples:
        folders = _show(sample.folder for sample in facts.blueprint.samples)
        return "approximated", f"made-up files in {folders}; users' own data is never copied"
    return "absent", "never copied: files with odd owners, modes or names do not show"


def _rules(facts: _Facts) -> _Judged:
    names = facts.packages(_RULES)
    if names:
        return (
            "approximated",
            f"{names}: configuration is copied with stand-in addresses; rules "
            "made at run time are not",
        )
    return "unknown", "no firewall package found; rules loaded by hand are not read"


def _front_end(facts: _Facts) -> _Judged:
    chosen = dict(facts.profile.environment).get("DEBIAN_FRONTEND", "")
    return (
        "approximated",
        f"questions are asked by the front end {chosen or 'of the profile'}; "
        "another one, or another terminal, words and orders them otherwise",
    )


def _people(_: _Facts) -> _Judged:
    return (
        "absent",
        "answers come at once, by rule: reading, deciding and mistakes take time on the night",
    )


def _repositories(_: _Facts) -> _Judged:
    return (
        "approximated",
        "the archives as they are today: what they receive until the change is not rehearsed",
    )


def _survivors(_: _Facts) -> _Judged:
    return "matched", "every run is kept, failed ones too; count them before trusting one"


_FAMILIES: tuple[tuple[str, Callable[[_Facts], _Judged]], ...] = (
    ("processor speed", _processor),
    ("storage sync", _storage),
    ("network and mirror speed", _mirror),
    ("missing disks, ids and labels", _disks),
    ("boot mode and loader", _boot),
    ("layered root", _layers),
    ("third-party and local packages", _third_party),
    ("steps that grow with data", _data_size),
    ("kernel drivers and modules", _drivers),
    ("network cards and interface names", _cards),
    ("licences bound to hardware", _licences),
    ("clusters and peers", _clusters),
    ("time sync", _clock),
    ("certificates and keys", _certificates),
    ("name service, directory, shares and proxy", _names),
    ("load and caches", _load),
    ("users' data and permissions", _data),
    ("access rules and firewall", _rules),
    ("front end and terminal", _front_end),
    ("people", _people),
    ("repository changes", _repositories),
    ("survivorship", _survivors),
)
FAMILIES = tuple(name for name, _ in _FAMILIES)
