"""What will be built: the template recipe and the clone's blueprint."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class PinnedPackage:
    """A package wanted in a template, at one version where the archive has it."""

    name: str
    version: str
    architecture: str
    automatic: bool = False
    held: bool = False


@dataclass(frozen=True, slots=True)
class StandInPackage:
    """A package no archive offers: a package of the same name, version and
    relations with no content takes its place. `stanza` is that package's own control
    stanza: what differs from survey to survey without need is no part of it."""

    name: str
    version: str
    architecture: str
    stanza: str
    automatic: bool = False
    held: bool = False


@dataclass(frozen=True, slots=True)
class RecipeSource:
    """An archive that a template is built from: one-line style fields. `key` is the
    keyring that checks it (base64), empty where the lab host's own keyrings do."""

    uri: str
    suite: str
    components: tuple[str, ...]
    key: str = ""


@dataclass(frozen=True, slots=True)
class SystemId:
    """The number that a system user or group has on production. `group` is a user's own
    group number, -1 for a group."""

    name: str
    number: int
    group: int = -1


@dataclass(frozen=True, slots=True)
class TemplateRecipe:
    """Everything a template's content depends on; its digest names the template.

    `boot_mode` is "bios" or "uefi"; `size_bytes` the virtual disk size; `kernel_words`
    are added to the kernel's command line; `ids` are the numbers of system users and
    groups, which packages would draw anew; `root_uuid`, `root_label` and
    `root_partition` are production's ids of the root file system and its partition
    (PARTUUID), where they are known; `maker` counts changes of the way templates are made.
    """

    family: str
    codename: str
    architecture: str
    boot_mode: str
    size_bytes: int
    sources: tuple[RecipeSource, ...]
    packages: tuple[PinnedPackage, ...] = ()
    stand_ins: tuple[StandInPackage, ...] = ()
    variant: str = "plain"
    kernel_words: str = ""
    ids: tuple[SystemId, ...] = ()
    root_uuid: str = ""
    root_label: str = "root"
    root_partition: str = ""
    maker: int = 6


@dataclass(frozen=True, slots=True)
class TemplateInfo:
    """A finished template. `digest` is SHA-256 of the disk file; `versions` maps
    package to installed version; `imported` templates have no recipe."""

    id: str
    title: str
    codename: str
    boot_mode: str
    size_bytes: int
    disk_bytes: int
    digest: str
    built_at: str
    build_seconds: float
    root_uuid: str
    packages: tuple[tuple[str, str], ...]
    imported: bool = False
    schema: str = "forerun.template/1"


@dataclass(frozen=True, slots=True)
class StandInPart:
    """A partition of a stand-in disk: its number, type and UUID, and what it holds (as
    for `StandInDisk`)."""

    number: int
    partition_type: str
    partition_uuid: str
    target: str
    fstype: str
    uuid: str
    label: str
    size_bytes: int
    fstab_line: str


@dataclass(frozen=True, slots=True)
class StandInDisk:
    """A thin disk in place of a data disk: same type, label and UUID.

    With `parts` it has a partition table of the kind `table` ("gpt", "dos") and no file
    system of its own; with `group` it is the one physical volume of that volume group,
    and `uuid` is the physical volume's. `size_bytes` is the size of the whole disk.
    """

    target: str
    fstype: str
    uuid: str
    label: str
    size_bytes: int
    fstab_line: str
    group: str = ""
    table: str = ""
    parts: tuple[StandInPart, ...] = ()


@dataclass(frozen=True, slots=True)
class StandInVolume:
    """A logical volume on a stand-in disk; the other fields as for `StandInDisk`."""

    group: str
    name: str
    target: str
    fstype: str
    uuid: str
    label: str
    size_bytes: int
    fstab_line: str


@dataclass(frozen=True, slots=True)
class StandInLink:
    """A link without a wire that has the addresses of one of production's interfaces,
    as ADDRESS/PREFIX. `name` is the clone's, `production` production's."""

    name: str
    production: str
    addresses: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LoaderPlan:
    """How the clone answers where its boot loader belongs. `links` are names below /dev
    that lead to the system disk; `answers` are (owner, question, value) of debconf."""

    serial: str = ""
    links: tuple[str, ...] = ()
    answers: tuple[tuple[str, str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class SampleFiles:
    """Made-up files below a folder: how many, and (bytes, share) of their sizes."""

    folder: str
    files: int
    sizes: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class PortMap:
    """A loopback port of the lab host that leads to a port of the clone."""

    host_port: int
    guest_port: int
    purpose: str


@dataclass(frozen=True, slots=True)
class AllowedArchive:
    """One allow-list entry of the gateway. `scheme` is how the gateway asks."""

    scheme: str
    host: str
    port: int
    path_prefix: str


@dataclass(frozen=True, slots=True)
class Gap:
    """One row of the fidelity statement: `state` is "matched", "approximated",
    "absent" or "unknown"; `note` says what the difference may hide."""

    subject: str
    state: str
    note: str


@dataclass(frozen=True, slots=True)
class Blueprint:
    """A clone before it exists.

    `merged_paths` are files of the copy that are read for what they say (accounts, the
    mount table, host names) instead of being laid over the clone's own. `table_lines` are
    production's other lines of the mount table, made harmless. `disable_units` are off on
    production, whatever their packages say; `stop_units` did not run there.
    """

    run_id: str
    survey_id: str
    hostname: str
    recipe: TemplateRecipe
    cpus: int
    memory_bytes: int
    stand_ins: tuple[StandInDisk, ...]
    guest_ports: tuple[tuple[int, str], ...]
    allowed: tuple[AllowedArchive, ...]
    copy_paths: tuple[str, ...]
    held_back_paths: tuple[tuple[str, str], ...]
    enable_units: tuple[str, ...]
    gaps: tuple[Gap, ...]
    merged_paths: tuple[str, ...] = ()
    volumes: tuple[StandInVolume, ...] = ()
    table_lines: tuple[str, ...] = ()
    swap_files: tuple[str, ...] = ()
    root_options: str = ""
    links: tuple[StandInLink, ...] = ()
    disable_units: tuple[str, ...] = ()
    stop_units: tuple[str, ...] = ()
    loader: LoaderPlan = LoaderPlan()
    samples: tuple[SampleFiles, ...] = ()


@dataclass(frozen=True, slots=True)
class DomainPlan:
    """What the hypervisor port needs to write a domain: all paths absolute. `owner` is the
    run it is made for, `state` the mark of the state folder (`Store.mark`): a sweep ends
    domains of its own state folder only."""

    name: str
    uuid: str
    mac: str
    cpus: int
    memory_bytes: int
    boot_mode: str
    accelerator: str
    disks: tuple[DomainDisk, ...]
    console_log: str
    ports: tuple[PortMap, ...] = ()
    kernel: str = ""
    initrd: str = ""
    command_line: str = ""
    nvram: str = ""
    owner: str = ""
    no_link: bool = False
    state: str = field(kw_only=True)


@dataclass(frozen=True, slots=True)
class DomainDisk:
    """One disk of a domain. `format` "qcow2" or "raw"; `cache` "writeback" or
    "unsafe"; `serial` shows as /dev/disk/by-id/virtio-SERIAL in the guest. The firmware sees
    the first disk and those with `loads`, no other: a boot loader cannot read what it does
    not see."""

    path: str
    format: str
    serial: str
    read_only: bool = False
    cache: str = "writeback"
    loads: bool = False
