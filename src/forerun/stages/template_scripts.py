"""The words a template build says to other programs: package tool arguments and the
scripts that run inside the new tree. Pure text."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

from forerun.model.blueprint import RecipeSource, TemplateRecipe
from forerun.stages.account_numbers import IDS_ONLY, NUMBER_ACCOUNTS, write_ids_files
from forerun.stages.first_boot import READER, READER_PATH, READER_UNIT, UNIT

LOADER_MARK = "forerun: boot loader written"
LOADER_DEVICE = "/dev/vda"

# Kernel words of an emulated machine (kernel-parameters.txt). It has none of the flaws
# that the guards against processor flaws are for and pays dearly for them. Its time stamp
# counter is the host's, and reading any other clock stops the emulation. QEMU keeps what
# it has translated by address, so that programs which lie elsewhere at each start are
# translated anew each time: without that a process starts in 16 to 18 ms instead of 45 to
# 53 (200 of /bin/true, QEMU 7.2; the tsc clock was in use).
EMULATED_WORDS = "mitigations=off tsc=reliable norandmaps"

# What every clone needs to be started, reached and driven, whatever production has.
BASE_PACKAGES = (
    "cron",
    "dbus",
    "e2fsprogs",
    "initramfs-tools",
    "iproute2",
    "kmod",
    "less",
    "logrotate",
    "openssh-server",
    "procps",
    "systemd-sysv",
    "udev",
    "zstd",
)
_CONSOLES = "console=tty0 console=ttyS0,115200"
KERNEL_PACKAGE = "linux-image-cloud-amd64"
LOADER_PACKAGES = {"bios": "grub-pc", "uefi": "grub-efi-amd64"}


# The tree (a tar, standard input) as a file system on the disk (descriptor 3): UUID $2,
# at offset $3, $4 KiB; unpacked below $1 meanwhile. Whoever is not root does this under
# user numbers of his own, which may not enter his folders: hence open files, not names.
# Nor may they make device files ($5, left out): the kernel provides those at each boot.
FILL_DISK = """set -eu
work=$(mktemp -d "$1/forerun-tree.XXXXXX")
trap 'rm -rf "$work"' EXIT
tar -C "$work" -xp --numeric-owner ${5:+"--exclude=$5"}
mke2fs -q -F -t ext4 -d "$work" -L "$6" -U "$2" -O ^metadata_csum_seed,^orphan_file \\
  -E "offset=$3,assume_storage_prezeroed=1" /proc/self/fd/3 "$4k"
"""


def list_wanted(recipe: TemplateRecipe) -> tuple[str, ...]:
    """Names of all packages to install: the recipe's own and what every clone needs."""
    names = {package.name for package in recipe.packages}
    names.update(BASE_PACKAGES)
    if not any(name.startswith("linux-image-") for name in names):
        names.add(KERNEL_PACKAGE)
    names.add(LOADER_PACKAGES[recipe.boot_mode])
    return tuple(sorted(names))


def list_mmdebstrap(
    recipe: TemplateRecipe,
    *,
    target: Path,
    preferences: Path,
    customise: Path,
    stand_ins: Path,
    proxy_port: int,
    keys: Path | None = None,
) -> list[str]:
    """The package tool's argument list: a tar of the tree goes to `target`. `keys` is the
    folder with third parties' keyrings, named by `name_key`."""
    argv = [
        "mmdebstrap",
        "--variant=apt",
        f"--architectures={','.join(_list_architectures(recipe))}",
        "--format=tar",
        "--skip=cleanup/apt/lists",  # production has its indexes too
        f'--aptopt=Acquire::http::Proxy "http://127.0.0.1:{proxy_port}"',
        '--aptopt=Acquire::Languages "none"',
        '--aptopt=APT::Install-Recommends "false"',
        f"--include={','.join(list_wanted(recipe))}",
        f'--setup-hook=install -D -m 644 {preferences} "$1"/etc/apt/preferences.d/forerun',
        f'--customize-hook=mkdir -p "$1"/tmp/stand-ins && '
        f"find {stand_ins} -name '*.deb' -exec cp -t \"$1\"/tmp/stand-ins {{}} +",
        f'--customize-hook=install -m 755 {customise} "$1"/tmp/customise.sh',
        '--customize-hook=chroot "$1" /bin/sh -eu /tmp/customise.sh',
        recipe.codename,
        str(target),
    ]
    argv.extend(_write_source(source, keys) for source in recipe.sources)
    return argv


def _list_architectures(recipe: TemplateRecipe) -> tuple[str, ...]:
    """The native one first, then those of foreign packages (mmdebstrap(1))."""
    used = {package.architecture for package in recipe.packages}
    foreign = used - {recipe.architecture, "all", ""}
    return (recipe.architecture, *sorted(foreign))


def name_key(source: RecipeSource) -> str:
    """A file name for a third party's keyring: apt tells its two formats apart by the
    ending (apt-secure(8))."""
    content = base64.b64decode(source.key)
    ending = "asc" if content.startswith(b"-----BEGIN") else "gpg"
    return f"{hashlib.sha256(content).hexdigest()[:16]}.{ending}"


def _write_source(source: RecipeSource, keys: Path | None) -> str:
    """One-line form of sources.list(5); without `signed-by` the lab host's own keyrings
    check the archive."""
    checked = f"[signed-by={keys}/{name_key(source)}] " if source.key and keys else ""
    return f"deb {checked}{source.uri} {source.suite} {' '.join(source.components)}".rstrip()


def write_customise_script(recipe: TemplateRecipe) -> str:
    """Runs in the new tree after all packages are in."""
    automatic = [package.name for package in recipe.packages if package.automatic]
    automatic += [package.name for package in recipe.stand_ins if package.automatic]
    held = [package.name for package in recipe.packages if package.held]
    held += [package.name for package in recipe.stand_ins if package.held]
    lines = [
        "set -eu",
        "export DEBIAN_FRONTEND=noninteractive LC_ALL=C.UTF-8",
        'for deb in /tmp/stand-ins/*.deb; do [ -e "$deb" ] || continue; dpkg -i "$deb"; done',
        "rm -rf /tmp/stand-ins /etc/apt/preferences.d/forerun /etc/apt/apt.conf.d/99mmdebstrap",
        f"echo 'grub-pc grub-pc/install_devices multiselect {LOADER_DEVICE}'"
        " | debconf-set-selections",
        "echo 'grub-pc grub-pc/install_devices_empty boolean false' | debconf-set-selections",
        "echo 'grub-efi-amd64 grub2/force_efi_extra_removable boolean true'"
        " | debconf-set-selections",
        "mkdir -p /etc/default/grub.d",
        "cat > /etc/default/grub.d/forerun.cfg <<'END'",
        f'GRUB_CMDLINE_LINUX="{" ".join((_CONSOLES, recipe.kernel_words)).rstrip()}"',
        'GRUB_TERMINAL="serial console"',
        "GRUB_TIMEOUT=1",
        "END",
        _write_fstab(recipe),
        "systemctl enable systemd-networkd.service serial-getty@ttyS0.service",
        _write_seed_reader(),
        _WRITE_CLOUD_SETTINGS,
        "rm -f /etc/ssh/ssh_host_*_key /etc/ssh/ssh_host_*_key.pub",
        ": > /etc/machine-id",
        "rm -f /var/lib/dbus/machine-id",
        "cat > /forerun-loader <<'END'",
        write_loader_script(recipe.boot_mode),
        "END",
        "chmod 755 /forerun-loader",
    ]
    if automatic:
        lines.append(f"apt-mark auto {' '.join(automatic)} >/dev/null")
    if held:
        lines.append(f"apt-mark hold {' '.join(held)} >/dev/null")
    lines += _write_numbering(recipe)
    lines.append("rm -f /tmp/customise.sh")
    return "\n".join(lines) + "\n"


def _write_numbering(recipe: TemplateRecipe) -> list[str]:
    """System users and groups get production's numbers once all packages are in: made
    beforehand, they would lack what the packages' own scripts do when they make them."""
    if not recipe.ids:
        return []
    users, groups = write_ids_files(recipe.ids)
    return [
        "mkdir -p /tmp/numbers",
        f"cat > /tmp/numbers/passwd <<'END'\n{users}END",
        f"cat > /tmp/numbers/group <<'END'\n{groups}END",
        f"cat > /tmp/numbers/program <<'END'\n{NUMBER_ACCOUNTS}END",
        f"perl /tmp/numbers/program /tmp/numbers '' {IDS_ONLY}",
        "rm -rf /tmp/numbers",
    ]


# Where production has cloud-init, the clone has it too: it is kept to what a seed needs,
# for each further module costs a clone seconds of every boot.
_WRITE_CLOUD_SETTINGS = """if [ -d /etc/cloud/cloud.cfg.d ]; then
cat > /etc/cloud/cloud.cfg.d/90-seed-only.cfg <<'END'
datasource_list: [NoCloud, None]
cloud_init_modules: [bootcmd, set_hostname, ssh]
cloud_config_modules: []
cloud_final_modules: []
END
fi"""


def _write_seed_reader() -> str:
    return (
        f"cat > {READER_PATH} <<'END'\n{READER}END\n"
        f"cat > /etc/systemd/system/{READER_UNIT} <<'END'\n{UNIT}END\n"
        f"systemctl enable {READER_UNIT}"
    )


def _write_fstab(recipe: TemplateRecipe) -> str:
    lines = ["LABEL=root / ext4 errors=remount-ro 0 1"]
    if recipe.boot_mode == "uefi":
        lines.append("LABEL=ESP /boot/efi vfat umask=0077 0 2")
    made = "mkdir -p /boot/efi\n" if recipe.boot_mode == "uefi" else ""
    return made + "cat > /etc/fstab <<'END'\n" + "\n".join(lines) + "\nEND"


def write_loader_script(boot_mode: str) -> str:
    """Process 1 of the one boot with a given kernel: writes the loader, powers off."""
    if boot_mode == "uefi":
        install = (
            "mount -t vfat -L ESP /boot/efi 2>/dev/null || mount LABEL=ESP /boot/efi\n"
            "grub-install --target=x86_64-efi --efi-directory=/boot/efi --no-nvram --removable"
        )
    else:
        install = f"grub-install --target=i386-pc {LOADER_DEVICE}"
    return f"""#!/bin/sh
export PATH=/usr/sbin:/usr/bin:/sbin:/bin
mountpoint -q /proc || mount -t proc proc /proc
mountpoint -q /sys || mount -t sysfs sysfs /sys
mountpoint -q /dev || mount -t devtmpfs devtmpfs /dev
mkdir -p /run/udev
{install} && update-grub && rm -f /forerun-loader && sync && echo '{LOADER_MARK}'
[ ! -d /boot/efi/EFI ] || umount /boot/efi
mount -o remount,ro /
echo o > /proc/sysrq-trigger
sleep 60"""


def write_stand_in_control(stanza: str) -> str:
    """A control file with the same name, version and relations and nothing else; fields
    that belong to the installed database or to content are dropped (deb822, Debian
    Policy 5.3). So is the maintainer: each survey gives people other names."""
    keep = (
        "Package",
        "Version",
        "Architecture",
        "Depends",
        "Pre-Depends",
        "Recommends",
        "Suggests",
        "Conflicts",
        "Breaks",
        "Replaces",
        "Provides",
        "Section",
        "Priority",
        "Multi-Arch",
    )
    lines: list[str] = []
    keeping = False
    for line in stanza.splitlines():
        if line.startswith((" ", "\t")):
            if keeping:
                lines.append(line)
            continue
        keeping = line.split(":", 1)[0] in keep
        if keeping:
            lines.append(line)
    lines.append("Maintainer: forerun <root@localhost>")
    lines.append("Description: stand-in of the same name and relations, without content")
    return "\n".join(lines) + "\n"
