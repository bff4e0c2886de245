"""The part of the seed that makes disks, volumes and the mount table of a clone. Pure text.

It runs inside the clone before any file system but the root is mounted, because the lab
host may lack the tools and the kernel's device mapper. Running it again changes nothing
that is there. What could not be made gets `noauto,nofail` and is told in `NOT_MADE`.

Programs: blkid(8), sfdisk(8), mkswap(8), mount(8) of util-linux; lvm(8); mke2fs(8),
mkfs.xfs(8), mkfs.btrfs(8), mkfs.fat(8); udevadm(8); perl(1).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from forerun.model.blueprint import Blueprint, Gap, StandInDisk, StandInPart, StandInVolume
from forerun.stages.design_disks import SWAP_FILE_BYTES, name_place
from forerun.stages.mount_table import make_harmless
from forerun.stages.template_scripts import LOADER_DEVICE

NOT_MADE = "/run/forerun-not-made"
STAND_INS_NAME = "stand-ins.sh"
SERIAL = "forerun-data"
_PHYSICAL = re.compile(r"[A-Za-z0-9]{6}(?:-[A-Za-z0-9]{4}){5}-[A-Za-z0-9]{6}")

_HEAD = r"""merge=$1
not_made() { echo "not made: $*" >> @NOT_MADE@; }
disk_of() {
  for file in /sys/block/*/serial; do
    [ -r "$file" ] || continue
    [ "$(cat "$file")" = "$1" ] || continue
    file=${file%/serial}; echo "/dev/${file##*/}"; return 0
  done
  return 1
}
holds() { blkid -p -s "$2" -o value "$1" 2>/dev/null || :; }
# make DEVICE TYPE UUID LABEL
make() {
  [ -b "$1" ] || return 1
  [ "$(holds "$1" UUID)" != "$3" ] || return 0
  case $2 in
    ext*) mke2fs -q -F -t "$2" -U "$3" ${4:+-L "$4"} "$1" ;;
    swap) mkswap -U "$3" ${4:+-L "$4"} "$1" ;;
    xfs) mkfs.xfs -q -f -m "uuid=$3" ${4:+-L "$4"} "$1" ;;
    btrfs) mkfs.btrfs -q -f -U "$3" ${4:+-L "$4"} "$1" ;;
    vfat) mkfs.fat -i "$(echo "$3" | tr -d -)" ${4:+-n "$4"} "$1" ;;
  esac >/dev/null 2>&1
}
# works DEVICE UUID TYPE OPTIONS: it is there, and can be mounted as production does
works() {
  [ "$(holds "$1" UUID)" = "$2" ] || return 1
  [ "$3" != swap ] || return 0
  mkdir -p /run/forerun-trial
  mount -t "$3" -o "$4" "$1" /run/forerun-trial 2>/dev/null || return 1
  umount /run/forerun-trial
}
# tell DEVICE UUID TARGET TYPE OPTIONS LINE HARMLESS-LINE: the line of the mount table,
# with the last two fields that production has for it
tell() {
  line=$6
  works "$1" "$2" "$4" "$5" || { line=$7; not_made "$3"; }
  passes=
  [ ! -r "$merge/etc/fstab" ] || passes=$(awk -v target="$3" \
    '$1 !~ /^#/ && $2 == target && NF >= 4 { print ($5 == "" ? 0 : $5), ($6 == "" ? 0 : $6)
     exit }' "$merge/etc/fstab")
  [ "$3" = none ] || [ -z "$passes" ] || line="${line% * *} $passes"
  grep -qxF -e "$line" /etc/fstab || printf '%s\n' "$line" >> /etc/fstab
  [ "$3" = none ] || mkdir -p "$3"
}
any='devices { filter=["a|.*|"] global_filter=["a|.*|"] }'
# group NAME DEVICE PHYSICAL-UUID: production's own filter of devices may shut ours out
group() {
  vgs "$1" >/dev/null 2>&1 && return 0
  [ -b "$2" ] || return 1
  { pvcreate --config "$any" -y ${3:+--uuid "$3" --norestorefile} "$2" &&
    vgcreate --config "$any" "$1" "$2"; } >/dev/null 2>&1
  vgs "$1" >/dev/null 2>&1 || not_made "volume group $1"
}
# volume GROUP NAME BYTES
volume() {
  lvs "$1/$2" >/dev/null 2>&1 || lvcreate -y -W n -n "$2" -L "${3}b" "$1" >/dev/null 2>&1
}
"""

# Everything mounted once below one folder of our own, so that folders of the root that a
# stand-in will cover (/var, /home) move onto it, and made-up files land where they belong.
_FILL_HEAD = r"""tree=/run/forerun-tree
mkdir -p "$tree" && mount --bind / "$tree" && mount --make-private "$tree"
# cover DEVICE TYPE TARGET
cover() {
  mkdir -p "$tree$3"
  mount -t "$2" "$1" "$tree$3" 2>/dev/null || return 0  # told already
  [ -d "$3" ] || return 0
  kept=$(ls -A "$tree$3" | grep -vx lost+found | head -n 1)
  [ -n "$kept" ] || cp -a --one-file-system "$3/." "$tree$3/"
}
"""
_FILL_TAIL = r"""umount -R "$tree" 2>/dev/null || umount -l "$tree"
rmdir "$tree" 2>/dev/null || :
"""

# The loader finds its menu and the kernels where it was installed from, so it is written
# again from the new place (grub-install(8)); where that fails, the clone keeps starting from
# its root, and the mount table must not hide that.
_OWN_BOOT = r"""own_boot() {
  mountpoint -q /boot || mount /boot || return 1
  if [ -d /sys/firmware/efi ]; then
    mkdir -p /boot/efi && { mountpoint -q /boot/efi || mount /boot/efi; } || return 1
    set -- --target=x86_64-efi --efi-directory=/boot/efi --no-nvram --removable
  else
    set -- --target=i386-pc @LOADER_DEVICE@
  fi
  grub-install "$@" && update-grub
}
own_boot >/run/forerun-own-boot 2>&1 || {
  not_made /boot
  umount /boot/efi /boot 2>/dev/null || :
  grep -vxF -e @LINE@ /etc/fstab > /run/forerun-fstab
  printf '%s\n' @HARMLESS@ >> /run/forerun-fstab
  cat /run/forerun-fstab > /etc/fstab
}
"""

# Homes of production's people: empty, theirs alone (adduser(8), DIR_MODE of Debian 12).
_HOMES = r"""[ ! -r "$merge/etc/passwd" ] || awk -F: \
  '$3 >= 1000 && $3 < 60000 && $6 ~ "^/." && $7 !~ /(nologin|false)$/ { print $3, $4, $6 }' \
  "$merge/etc/passwd" | while read -r user group home; do
  [ ! -e "$tree$home" ] || continue
  mkdir -p "$tree$home" && chown "$user:$group" "$tree$home" && chmod 700 "$tree$home"
done
"""

# Deterministic: the same numbers in the same order on every clone (a linear congruential
# generator with the constants of Numerical Recipes, 2nd edition, 7.1).
_SAMPLES = r"""use strict; use warnings;
my ($folder, $files, @sizes) = @ARGV;
my ($state, $all) = (20260131, 0);
sub draw { $state = ($state * 1664525 + 1013904223) % 4294967296 }
my $block = pack('N*', map { draw() } 1 .. 16384);
my @kinds = map { my ($bytes, $share) = split /:/; $all += $share; [$bytes, $all] } @sizes;
for my $number (0 .. $files - 1) {
  my $below = sprintf('%s/%02d', $folder, $number % 100);
  -d $below || mkdir($below) || die "$below: $!\n";
  my $path = sprintf('%s/file-%06d', $below, $number);
  next if -e $path;
  my $drawn = draw() % $all;
  my ($kind) = grep { $drawn < $_->[1] } @kinds;
  my $left = $kind->[0];
  open(my $out, '>:raw', $path) or die "$path: $!\n";
  print $out pack('N', $number) if $left >= 4;
  $left -= 4 if $left >= 4;
  while ($left > 0) {
    my $part = $left < length($block) ? $left : length($block);
    print $out substr($block, 0, $part) or die "$path: $!\n";
    $left -= $part;
  }
  close($out) or die "$path: $!\n";
}
"""

Space = StandInDisk | StandInPart | StandInVolume


def quote(text: str) -> str:
    """One word for the shell, whatever is in it."""
    return "'" + text.replace("'", "'\\''") + "'"


def note_not_made(blueprint: Blueprint, told: str) -> Blueprint:
    """The blueprint with what the clone said, when settling, that it could not make: its
    row of the statement becomes "absent", or is added."""
    gaps = {gap.subject: gap for gap in blueprint.gaps}
    for line in told.splitlines():
        mark, _, what = line.partition(": ")
        if mark == "not made" and what:
            subject = name_place(what) if what.startswith("/") else what
            note = "could not be made or mounted inside the clone; no start waits for it"
            gaps[subject] = Gap(subject, "absent", note)
    return replace(blueprint, gaps=tuple(gaps.values()))


def write_stand_ins(blueprint: Blueprint) -> str:
    """The script; its argument is the folder with the files of the copy that are read."""
    spaces = list(_list_spaces(blueprint))
    lines = [_HEAD.replace("@NOT_MADE@", NOT_MADE)]
    if spaces:
        lines.append("systemctl start systemd-udevd.service systemd-udev-trigger.service")
        lines.append("udevadm settle --timeout=30")
    lines += _write_groups(blueprint)
    for device, space in spaces:
        lines.append(f"device={device}")
        label = quote(space.label)
        lines.append(f'make "$device" {space.fstype} {quote(space.uuid)} {label}')
    if spaces:
        # A device that was written to without a listener is not known by its UUID yet.
        lines.append("udevadm trigger --subsystem-match=block --action=change")
        lines.append("udevadm settle --timeout=30")
    lines += [
        f'device={device}; tell "$device" {quote(space.uuid)} {quote(space.target)} '
        f"{space.fstype} {quote(_read_options(space.fstab_line))} "
        f"{quote(space.fstab_line)} {quote(_write_harmless(space.fstab_line))}"
        for device, space in sorted(spaces, key=lambda pair: pair[1].target)
    ]
    lines += [_write_plain(line) for line in blueprint.table_lines]
    lines += [_write_swap_file(path) for path in blueprint.swap_files]
    if blueprint.root_options:
        lines.append(
            f"sed -i 's#^LABEL=root / ext4 [^ ]*#LABEL=root / ext4 {blueprint.root_options}#' "
            "/etc/fstab; mount -o remount / || :"
        )
    lines += [_write_crypttab(), _write_resume(blueprint)]
    lines += _write_filling(blueprint, spaces)
    lines += _write_own_boot(spaces)
    # swap.target waits for nothing, so it is reached before the seed has told of any swap.
    lines.append("swapon --all 2>/dev/null || :")
    return "\n".join(lines) + "\n"


def _list_spaces(blueprint: Blueprint) -> Iterator[tuple[str, Space]]:
    """(shell words for the device, what it holds)."""
    for number, disk in enumerate(blueprint.stand_ins):
        own = f'"$(disk_of {SERIAL}{number})"'
        if disk.parts:
            yield from ((f"{own}{part.number}", part) for part in disk.parts)
        elif not disk.group:
            yield own, disk
    for volume in blueprint.volumes:
        yield quote(f"/dev/{volume.group}/{volume.name}"), volume


def _write_groups(blueprint: Blueprint) -> Iterator[str]:
    for number, disk in enumerate(blueprint.stand_ins):
        if disk.group:
            known = disk.uuid if _PHYSICAL.fullmatch(disk.uuid) else ""
            yield f'group {quote(disk.group)} "$(disk_of {SERIAL}{number})" {quote(known)}'
    for volume in blueprint.volumes:
        yield f"volume {quote(volume.group)} {quote(volume.name)} {volume.size_bytes}"


def _read_options(line: str) -> str:
    """Options of a line of fstab(5), without those that forbid mounting now."""
    fields = [*line.split(" "), "defaults"]
    return ",".join(o for o in fields[3].split(",") if o != "noauto") or "defaults"


def _write_harmless(line: str) -> str:
    spec, target, fstype, options, *_ = [*line.split(" "), "defaults"]
    return " ".join((spec, target, fstype, make_harmless(options), "0 0"))


def _write_plain(line: str) -> str:
    target = line.split(" ")[1]
    folder = target.replace("\\040", " ")
    made = f"mkdir -p {quote(folder)}; " if folder.startswith("/") else ""
    word = quote(line)
    return f"{made}grep -qxF -e {word} /etc/fstab || printf '%s\\n' {word} >> /etc/fstab"


def _write_swap_file(path: str) -> str:
    word = quote(path)
    return (
        f"[ -e {word} ] || {{ dd if=/dev/zero of={word} bs=1M count={SWAP_FILE_BYTES >> 20} "
        f"status=none && chmod 600 {word} && mkswap {word} >/dev/null; }} || "
        f"not_made {word}"
    )


def _write_crypttab() -> str:
    """crypttab(5): the mappings stay known and none is waited for."""
    return (
        '[ ! -r "$merge/etc/crypttab" ] || {\n'
        "  awk '/^[ \\t]*(#|$)/ { print; next }\n"
        '    { print $1, $2, ($3 == "" ? "none" : $3), ($4 == "" ? "luks" : $4) '
        '",noauto,nofail" }\' \\\n'
        '    "$merge/etc/crypttab" > /etc/crypttab; }'
    )


def _write_resume(blueprint: Blueprint) -> str:
    """initramfs-tools(7): an initial RAM disk waits for a swap area that is not there."""
    plain = any(
        space.fstype == "swap" and not isinstance(space, StandInVolume)
        for _, space in _list_spaces(blueprint)
    )
    if plain:
        return ":"
    return (
        "[ ! -d /etc/initramfs-tools/conf.d ] || "
        "echo RESUME=none > /etc/initramfs-tools/conf.d/zz-forerun"
    )


def _write_filling(blueprint: Blueprint, spaces: list[tuple[str, Space]]) -> list[str]:
    if not (spaces or blueprint.samples or "/etc/passwd" in blueprint.merged_paths):
        return []
    mounts = [pair for pair in spaces if pair[1].fstype != "swap"]
    lines = [_FILL_HEAD]
    lines += [
        f'device={device}; cover "$device" {space.fstype} {quote(space.target)}'
        for device, space in sorted(mounts, key=lambda pair: pair[1].target)
        if "noauto" not in space.fstab_line
    ]
    lines.append(_HOMES)
    for sample in blueprint.samples:
        sizes = " ".join(f"{size}:{share}" for size, share in sample.sizes)
        folder = quote(sample.folder)
        lines.append(
            f'mkdir -p "$tree"{folder}; perl "${{0%/*}}/{SAMPLES_NAME}" "$tree"{folder} '
            f"{sample.files} {sizes} || not_made 'sample files in '{folder}"
        )
    lines.append(_FILL_TAIL)
    return lines


def _write_own_boot(spaces: list[tuple[str, Space]]) -> Iterator[str]:
    if any(space.target == "/boot" for _, space in spaces):
        yield _OWN_BOOT.replace("@LOADER_DEVICE@", LOADER_DEVICE)


SAMPLES_NAME = "samples.pl"
SAMPLES_PROGRAM = _SAMPLES
