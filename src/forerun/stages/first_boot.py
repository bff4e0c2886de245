"""How a machine made from a template reads its seed image at the first boot.

The image is laid out for cloud-init's NoCloud source, so that an imported cloud image
reads it too. forerun's own templates do without cloud-init: it brings some thirty
packages (Python, certificates) that production may not have and that an upgrade then
spends minutes on, and it costs each boot many seconds. One script on the image does the
work in both cases. A lasting mark, the instance's own meta-data, keeps it from running
again after a reboot; a disk that was seeded before and became a template is seeded again,
because the next seed is another instance's.

Programs used: blkid(8) and mount(8) of util-linux, timeout(1) of coreutils.
"""

from __future__ import annotations

from forerun.ports.disks import SEED_LABEL

SEED_MOUNT = "/run/seed"
SEED_SCRIPT = "seed.sh"
INSTANCE_FILE = "meta-data"
SEEDED_MARK = "/var/lib/seed-applied"
READER_PATH = "/usr/local/sbin/first-boot-seed"
READER_UNIT = "first-boot-seed.service"

# Disks may appear a moment later than this is run; a machine without a seed goes on.
READER = f"""patience=10
[ ! -e {SEEDED_MARK} ] || patience=2
timeout $patience sh -c 'until blkid -L {SEED_LABEL} >/dev/null; do sleep 1; done'
mkdir -p {SEED_MOUNT} && mount -o ro LABEL={SEED_LABEL} {SEED_MOUNT} || exit 0
cmp -s {SEED_MOUNT}/{INSTANCE_FILE} {SEEDED_MARK} ||
  {{ sh {SEED_MOUNT}/{SEED_SCRIPT} {SEED_MOUNT} &&
    cp {SEED_MOUNT}/{INSTANCE_FILE} {SEEDED_MARK}; }}
umount {SEED_MOUNT}
"""

# Before anything reads its configuration, so that nothing has to read it twice.
UNIT = f"""[Unit]
Description=Apply the seed image of a new instance
DefaultDependencies=no
After=systemd-remount-fs.service
Before=local-fs-pre.target sysinit.target
Before=systemd-modules-load.service systemd-sysctl.service systemd-networkd.service
Wants=local-fs-pre.target

[Service]
Type=oneshot
ExecStart=/bin/sh {READER_PATH}
StandardOutput=journal+console

[Install]
WantedBy=sysinit.target
"""


def write_network_file(mac: str, addresses: tuple[str, ...]) -> str:
    """A systemd.network(5) file for the interface with that MAC: names of interfaces
    differ by machine type and release. `addresses` as ADDRESS/PREFIX. Nothing answers on
    a sealed link, and waiting for a router would cost 13 s a boot."""
    lines = [
        "[Match]",
        f"MACAddress={mac}",
        "",
        "[Network]",
        "LinkLocalAddressing=no",
        "IPv6AcceptRA=no",
        *(f"Address={address}" for address in addresses),
    ]
    return "\n".join(lines) + "\n"
