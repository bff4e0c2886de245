"""What of two surveys is compared: for each subject a table from names to a short text."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from forerun.model.survey import ArchiveSource, CleanSurvey, Mount, Package
from forerun.model.system import Block, Interface


def _always(before: str, after: str) -> bool:
    return before != after


def _never(before: str, after: str) -> bool:
    return before == after


@dataclass(frozen=True, slots=True)
class Table:
    """One subject: `read` gives names and their text, `matters` tells from the texts
    before and after whether a rehearsal may no longer hold, `why` says why."""

    subject: str
    why: str
    read: Callable[[CleanSurvey], Mapping[str, str]]
    matters: Callable[[str, str], bool] = _always


def _read_release(survey: CleanSurvey) -> dict[str, str]:
    return {"release": f"{survey.release.family} {survey.release.version}"}


def _read_point(survey: CleanSurvey) -> dict[str, str]:
    return {"point release": survey.release.point}


def _read_machine(survey: CleanSurvey) -> dict[str, str]:
    machine = survey.machine
    return {"boot mode": machine.boot_mode, "architecture": machine.architecture}


def _read_capacity(survey: CleanSurvey) -> dict[str, str]:
    """Memory in whole 64 MiB: what the kernel keeps for itself varies by its version."""
    machine, system = survey.machine, survey.system
    return {
        "processors": str(machine.cpus),
        "memory": f"{machine.memory_bytes // (64 << 20) * 64} MiB",
        "running kernel": machine.kernel,
        "processor": system.processor.model,
        "time service": system.time_sync,
        "naming of interfaces": system.naming_scheme,
    }


# -- packages and archives -------------------------------------------------------------------


def _walk_present(survey: CleanSurvey) -> Iterable[tuple[str, Package]]:
    """Packages with files on the disk, by name and architecture."""
    for package in survey.packages:
        if package.state[1:2] not in ("", "n", "c"):
            yield f"{package.name}:{package.architecture}", package


def _read_versions(survey: CleanSurvey) -> dict[str, str]:
    return {name: package.version for name, package in _walk_present(survey)}


def _read_holds(survey: CleanSurvey) -> dict[str, str]:
    return {name: "held" for name, package in _walk_present(survey) if package.held}


def _read_states(survey: CleanSurvey) -> dict[str, str]:
    """Only what is not plainly installed: unpacked, half configured, waiting for triggers."""
    return {
        name: package.state
        for name, package in _walk_present(survey)
        if package.state[1:3].strip() != "i"
    }


def _read_marks(survey: CleanSurvey) -> dict[str, str]:
    return {name: "automatic" for name, package in _walk_present(survey) if package.automatic}


def _read_sources(survey: CleanSurvey) -> dict[str, str]:
    found: dict[str, str] = {}
    for source in survey.sources:
        for uri in source.uris:
            for suite in source.suites:
                name = f"{uri} {suite}"
                found[name] = "; ".join(filter(None, (found.get(name), _show_source(source))))
    return found


def _show_source(source: ArchiveSource) -> str:
    options = [f"{key}={value}" for key, value in sorted(source.options)]
    words = [*sorted(source.types), *sorted(source.components), *options]
    return " ".join(words) + ("" if source.enabled else " (disabled)")


def _read_pins(survey: CleanSurvey) -> dict[str, str]:
    found: dict[str, str] = {}
    for pin in survey.system.pins:
        text = f"{pin.what} at {pin.priority}"
        found[pin.packages] = "; ".join(filter(None, (found.get(pin.packages), text)))
    return found


# -- services, disks, network ----------------------------------------------------------------


def _read_units(survey: CleanSurvey) -> dict[str, str]:
    return {unit.name: unit.enabled for unit in survey.units if unit.enabled}


_STARTED = ("enabled", "enabled-runtime", "masked", "masked-runtime", "disabled")


def _is_choice(before: str, after: str) -> bool:
    """Somebody enabled, disabled or masked it, or a started one came or went."""
    if not before or not after:
        return (before or after) in _STARTED[:4]
    return before in _STARTED or after in _STARTED


def _read_failures(survey: CleanSurvey) -> dict[str, str]:
    return {unit.name: "failed" for unit in survey.units if unit.active == "failed"}


_PLAIN_SPECS = ("UUID=", "LABEL=", "PARTUUID=", "PARTLABEL=", "/dev/")
_PRIVATE_OPTIONS = ("addr", "user", "pass", "cred", "domain")


def _read_mounts(survey: CleanSurvey) -> dict[str, str]:
    return {_name_mount(mount): _show_mount(mount) for mount in survey.mounts}


def _name_mount(mount: Mount) -> str:
    return mount.target if mount.target != "none" else f"swap {mount.fstab_spec or mount.uuid}"


def _show_mount(mount: Mount) -> str:
    spec = mount.fstab_spec if mount.fstab_spec.startswith(_PLAIN_SPECS) else ""
    if "/by-id/" in spec:
        spec = "/dev/disk/by-id"
    options = [
        option
        for option in mount.options.split(",")
        if not any(word in option.partition("=")[0] for word in _PRIVATE_OPTIONS)
    ]
    listed = "in fstab" if mount.in_fstab else "not in fstab"
    words = (mount.fstype, mount.uuid, mount.label, spec, ",".join(sorted(options)), listed)
    return " ".join(filter(None, words))


def _read_room(survey: CleanSurvey) -> dict[str, str]:
    """Free room in steps of a factor of two, so that everyday writing is no change."""
    return {
        mount.target: f"{1 << (mount.free_bytes.bit_length() - 1)} bytes or more free"
        for mount in survey.mounts
        if mount.free_bytes > 0
    }


def _read_blocks(survey: CleanSurvey) -> dict[str, str]:
    found: dict[str, str] = {}
    for block in survey.system.blocks:
        name = block.mapped or block.partition_uuid or block.name
        found[name] = _show_block(block)
    return found


def _show_block(block: Block) -> str:
    words = (block.kind, f"{block.size_bytes} bytes", block.table, block.fstype, block.uuid)
    return " ".join(filter(None, (*words, block.label)))


def _read_loader(survey: CleanSurvey) -> dict[str, str]:
    loader = survey.system.loader
    if loader is None:
        return {}
    places = ", ".join(place or "gone" for place in loader.resolved)
    secure = {None: "", True: "secure boot", False: "no secure boot"}[loader.secure_boot]
    return {"boot loader": "; ".join(filter(None, (loader.package, places, secure)))}


def _read_interfaces(survey: CleanSurvey) -> dict[str, str]:
    return {_name_interface(one): _show_interface(one) for one in survey.system.interfaces}


def _name_interface(one: Interface) -> str:
    """Without the hardware address that some names hold: what stands for it is drawn anew."""
    bare = one.mac.replace(":", "")
    return one.name.replace(bare, "MAC") if bare else one.name


def _show_interface(one: Interface) -> str:
    lengths = sorted(address.rpartition("/")[2] for address in one.addresses)
    shown = f"addresses /{', /'.join(lengths)}" if lengths else "no address"
    return " ".join(filter(None, (one.driver, one.bus, shown)))


def _read_accounts(survey: CleanSurvey) -> dict[str, str]:
    return {
        account.name: f"user {account.number}, group {account.group}, {account.shell}"
        for account in survey.system.accounts
    }


# -- what stands beside the packages ---------------------------------------------------------


def _read_diversions(survey: CleanSurvey) -> dict[str, str]:
    return {row.path: f"{row.to} for {row.package}" for row in survey.system.diversions}


def _read_overrides(survey: CleanSurvey) -> dict[str, str]:
    return {row.path: f"{row.owner}:{row.group} {row.mode:04o}" for row in survey.system.overrides}


def _read_alternatives(survey: CleanSurvey) -> dict[str, str]:
    return {row.name: row.target for row in survey.system.alternatives if row.mode == "manual"}


def _read_modules(survey: CleanSurvey) -> dict[str, str]:
    return {f"{row.name} {row.version}": row.state for row in survey.system.modules}


def _read_pending(survey: CleanSurvey) -> dict[str, str]:
    return {reason: "waits" for reason in survey.system.reboot_pending}


TABLES = (
    Table("release", "the rehearsal started from another release", _read_release),
    Table("release", "package versions say what it means", _read_point, _never),
    Table("machine", "a clone is made for one boot mode and architecture", _read_machine),
    Table("machine", "durations may differ", _read_capacity, _never),
    Table("package", "other packages or versions were rehearsed", _read_versions),
    Table("hold", "a held package is not upgraded", _read_holds),
    Table("package state", "an interrupted package must be finished first", _read_states),
    Table("automatic mark", "what counts as no longer needed may differ", _read_marks, _never),
    Table("archive", "packages come from other archives", _read_sources),
    Table("pin", "other versions may be chosen", _read_pins),
    Table("unit", "another set of services starts", _read_units, _is_choice),
    Table("failed unit", "a service that failed before is no finding", _read_failures, _never),
    Table("mount", "the clone has other file systems", _read_mounts),
    Table("free room", "the room for the upgrade may not suffice", _read_room, _never),
    Table("block device", "the clone has other disks", _read_blocks),
    Table("boot loader", "it may be installed to another place", _read_loader),
    Table("interface", "the network comes up otherwise", _read_interfaces, _never),
    Table("account", "packages may meet other users or numbers", _read_accounts, _never),
    Table("diversion", "a file of a package lies elsewhere", _read_diversions, _never),
    Table("override", "a file of a package has another owner or mode", _read_overrides, _never),
    Table("alternative", "another program answers to this name", _read_alternatives, _never),
    Table("kernel module", "it is built again for each kernel", _read_modules, _never),
    Table("pending reboot", "the running system is not the installed one", _read_pending, _never),
)
