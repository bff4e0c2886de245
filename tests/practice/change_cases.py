"""For each known change of Debian 12 to 13 a server, or a rehearsal, that shows it, and a
near miss that does not. Invented, but for lines quoted from the sources that the known
changes cite."""

from __future__ import annotations

from typing import Any

from forerun.model.inventory import JournalLine
from forerun.model.observation import KeptFile, PackageChange, PromptMet, StepEnd, StepRecord
from forerun.model.survey import ArchiveKey, Machine, Mount, Package, Unit
from forerun.model.system import Block, Diversion, Interface, Loader, Module, Pin
from tests.practice.known_host import (
    BIOS_BOOT,
    ESP,
    GIB,
    Host,
    check,
    deb,
    make_run,
    readings,
    source,
)

RAM = 2 * GIB
SASL = "/etc/default/saslauthd"
SSL_ON = "/etc/apache2/mods-enabled/ssl.load"
OWN_CNF, SMB = "/etc/mysql/mariadb.conf.d/60-own.cnf", "/etc/samba/smb.conf"
MARIADB, SAMBA = deb("mariadb-server", "1:11.8.2-1"), deb("samba", "2:4.17.12+dfsg-0+deb12u4")
FEWER = {"/etc/apt/apt.conf.d/50few": 'APT::Install-Recommends "false";\n'}
SLOT = Interface("ens3", "52:54:00:00:00:01", "e1000e", "pci", (), (("ID_NET_NAME_SLOT", "ens3"),))
DISKS = (
    Loader("grub-pc", ("/dev/sda",), ("/dev/sda",)),
    Loader("grub-pc", ("/dev/sda", "/dev/sdb"), ("/dev/sda", "/dev/sdb")),
)


def machine(boot: str = "bios", arch: str = "amd64", line: str = "quiet") -> Machine:
    return Machine(boot, "6.1.0-40-amd64", arch, 2, RAM, line)


def files(path: str, text: str, **more: Any) -> Host:
    return Host(files={path: text + "\n"}, **more)


def packages(*names: str, **more: Any) -> Host:
    """`NAME=VERSION`, of Debian's own."""
    return Host(packages=[deb(*name.split("=")) for name in names], **more)


def step(*lines: str, name: str = "full-upgrade") -> Host:
    record = StepRecord(
        name, name, "window", "commands", 1.0, 2.0, 1.0, 1.0, StepEnd.DONE, 0, "", lines
    )
    return Host(run=make_run(steps=(record,)))


def checked(name: str, before: str, after: str, output: str = "it says no") -> Host:
    return Host(run=check(name, before, after, output))


def journal(text: str) -> Host:
    return Host(run=readings({}, {"journal": (JournalLine("systemd", 4, text),)}))


def went(name: str, kind: str, old: str, new: str) -> Host:
    return Host(run=make_run(packages=(PackageChange(name, kind, old, new),)))


def blocks(kind: str, count: int, **more: Any) -> Host:
    made = tuple(
        Block(f"sd{letter}1", "part", 1 << 20, partition_type=kind) for letter in "abc"[:count]
    )
    system = {"blocks": made, **more.pop("system", {})}
    return Host(system=system, **more)


# name: (shows it, a near miss)
SURVEYED: dict[str, tuple[Host, Host]] = {
    "ssh-midway": (
        packages("openssh-server=1:9.2p1-2+deb12u6"),
        packages("openssh-server=1:9.2p1-2+deb12u7"),
    ),
    "ssh-dsa": (
        files("/etc/ssh/sshd_config.d/scanner.conf", "PubkeyAcceptedAlgorithms +ssh-dss"),
        files(
            "/etc/ssh/sshd_config.d/scanner.conf",
            "# PubkeyAcceptedAlgorithms +ssh-dss\nHostKey /etc/ssh/ssh_host_ecdsa_key",
        ),
    ),
    "ssh-dsa-logins": (
        files("/etc/ssh/authorized_keys/deploy", "ssh-dss AAAA deploy"),
        files("/etc/ssh/authorized_keys/deploy", "ssh-ed25519 AAAA deploy"),
    ),
    "ssh-log-tag": (
        files("/usr/local/sbin/logins", r"grep 'sshd\[' /var/log/auth.log"),
        files("/usr/local/sbin/logins", "systemctl status sshd"),
    ),
    "nic-rename": (
        files("/etc/network/interfaces", "iface ens3 inet dhcp", system={"interfaces": (SLOT,)}),
        files("/etc/network/interfaces", "iface ens30 inet dhcp", system={"interfaces": (SLOT,)}),
    ),
    "arch-i386": (Host(machine=machine(arch="i386")), Host(machine=machine(arch="amd64"))),
    "arch-mips": (Host(machine=machine(arch="mips64el")), Host(machine=machine(arch="armhf"))),
    "arch-armel": (Host(machine=machine(arch="armel")), Host(machine=machine(arch="armhf"))),
    "boot-space": (
        Host(
            mounts=[Mount("/dev/sda1", "/boot", "ext4", size_bytes=488 << 20, free_bytes=400 << 20)]
        ),
        Host(
            mounts=[Mount("/dev/sda1", "/boot", "ext4", size_bytes=1 << 30, free_bytes=400 << 20)]
        ),
    ),
    "cryptsetup-split": (
        files("/etc/crypttab", "data UUID=1f0c7e0a none luks"),
        files("/etc/crypttab", "# data UUID=1f0c7e0a none luks"),
    ),
    "disk-links-sg3": (
        files(
            "/etc/fstab",
            "/dev/disk/by-id/scsi-3600 /data xfs defaults 0 2",
            packages=[deb("sg3-utils", "1.46-3")],
        ),
        files(
            "/etc/fstab",
            "/dev/disk/by-id/wwn-0x600 /data xfs defaults 0 2",
            packages=[deb("sg3-utils", "1.46-3")],
        ),
    ),
    "loader-device-gone": (
        Host(system={"loader": Loader("grub-pc", ("/dev/disk/by-id/ata-GONE",))}),
        Host(system={"loader": Loader("grub-efi-amd64")}),
    ),
    "loader-other-disks": (
        blocks(BIOS_BOOT, 2, system={"loader": DISKS[0]}),
        blocks(BIOS_BOOT, 2, system={"loader": DISKS[1]}),
    ),
    "several-esp": (
        blocks(ESP, 2, machine=machine(boot="uefi")),
        blocks(ESP, 1, machine=machine(boot="uefi")),
    ),
    "no-kernel-package": (
        Host(without=["linux-image-amd64"]),
        Host(packages=[deb("linux-image-cloud-amd64", "6.1.153-1")], without=["linux-image-amd64"]),
    ),
    "built-modules": (
        Host(system={"modules": (Module("tape", "2.1", "installed"),)}),
        packages("dkms=3.0.10-8"),
    ),
    "disk-by-kernel-name": (
        files("/etc/fstab", "/dev/sdb1 /data xfs defaults 0 2"),
        files("/etc/fstab", "/dev/mapper/vg0-data /data xfs defaults 0 2"),
    ),
    "dmcrypt-plain": (
        files("/etc/crypttab", "swap /dev/vg0/swap /dev/urandom plain,swap"),
        files(
            "/etc/crypttab",
            "swap /dev/vg0/swap /dev/urandom"
            " plain,cipher=aes-cbc-essiv:sha256,hash=ripemd160,size=256",
        ),
    ),
    "rabbitmq-queues": (
        files(
            "/etc/rabbitmq/definitions.json",
            '"definition": {"ha-mode": "all"}',
            packages=[deb("rabbitmq-server", "3.10.8-1.1+deb12u1")],
        ),
        files("/etc/rabbitmq/definitions.json", '"definition": {"ha-mode": "all"}'),
    ),
    "rabbitmq-jump": (
        packages("rabbitmq-server=3.10.8-1.1+deb12u1"),
        packages("rabbitmq-server=4.0.5-6+deb13u2"),
    ),
    "mariadb-clean-stop": (
        packages("mariadb-server=1:10.11.19-0+deb12u1"),
        packages("mariadb-client=1:10.11.19-0+deb12u1"),
    ),
    "mariadb-options": (
        files(OWN_CNF, "innodb_change_buffering = all", packages=[MARIADB]),
        files(OWN_CNF, "#innodb_change_buffering = all\nport = 3306", packages=[MARIADB]),
    ),
    "postgresql-old-cluster": (
        packages("postgresql-15=15.14-0+deb12u1"),
        packages("postgresql-client-15=15.14"),
    ),
    "postgresql-sort-order": (
        packages("postgresql-15=15.14-0+deb12u1"),
        packages("postgresql-common=248"),
    ),
    "time-zone-names": (
        Host(links={"/etc/localtime": "/usr/share/zoneinfo/US/Eastern"}),
        Host(links={"/etc/localtime": "/usr/share/zoneinfo/America/New_York"}),
    ),
    "sysctl-conf": (
        files("/etc/sysctl.conf", "fs.inotify.max_user_watches=1048576"),
        files("/etc/sysctl.d/99-own.conf", "fs.inotify.max_user_watches=1048576"),
    ),
    "tmp-in-memory": (
        files("/usr/local/bin/stage", "work=$(mktemp -d /tmp/stage.XXXXXX)"),
        files(
            "/usr/local/bin/stage",
            "work=$(mktemp -d /tmp/stage.XXXXXX)",
            units=[Unit("tmp.mount", "inactive", "dead", "masked")],
        ),
    ),
    "dovecot-24": (
        Host(
            packages=[deb("dovecot-core", "1:2.3.19.1+dfsg1-2.1")],
            files={"/etc/dovecot/dovecot.conf": "protocols = imap\n"},
            edited=["/etc/dovecot/dovecot.conf"],
        ),
        Host(
            packages=[deb("dovecot-core", "1:2.3.19.1+dfsg1-2.1")],
            files={"/etc/dovecot/dovecot.conf": "protocols = imap\n"},
        ),
    ),
    "libvirt-split": (
        Host(packages=[deb("libvirt-daemon-system", "9.0.0-4")], files=FEWER),
        packages("libvirt-daemon-system=9.0.0-4"),
    ),
    "samba-domain": (
        files(SMB, "   server role = active directory domain controller", packages=[SAMBA]),
        files(SMB, "   server role = standalone server", packages=[SAMBA]),
    ),
    "samba-modules": (
        files(SMB, "   vfs objects = acl_xattr ceph", packages=[SAMBA]),
        files(SMB, "   vfs objects = acl_xattr ceph"),
    ),
    "ldap-tls": (
        files("/etc/ldap/ldap.conf", "TLS_CIPHER_SUITE SECURE256:-VERS-ALL"),
        files("/etc/ldap/ldap.conf", "TLS_CACERT /etc/ssl/certs/ca-certificates.crt"),
    ),
    "bacula-catalog": (packages("bacula-director-pgsql=9.6.7-7"), packages("bacula-fd=9.6.7-7")),
    "strongswan-daemon": (
        files("/etc/ipsec.conf", "conn branch", packages=[deb("strongswan", "5.9.8-5")]),
        files("/etc/ipsec.conf", "config setup", packages=[deb("strongswan", "5.9.8-5")]),
    ),
    "bind-files": (
        Host(
            packages=[deb("bind9", "1:9.18.49-1")],
            edited=["/etc/bind/named.conf.local"],
            files={"/etc/bind/named.conf.local": 'include "/etc/bind/zones.rfc1918";\n'},
        ),
        Host(
            packages=[deb("bind9", "1:9.18.49-1")],
            files={"/etc/bind/named.conf": 'include "/etc/bind/named.conf.default-zones";\n'},
        ),
    ),
    "postfix-instances": (
        files("/etc/postfix/main.cf", "multi_instance_directories = /etc/postfix-out"),
        files("/etc/postfix/main.cf", "multi_instance_directories ="),
    ),
    "apache-tls": (
        packages("apache2=2.4.68-1", links={SSL_ON: "../mods-available/ssl.load"}),
        files(
            "/etc/apache2/sites-available/default-ssl.conf",
            "  SSLEngine on",
            packages=[deb("apache2", "2.4.68-1")],
        ),
    ),
    "pam-limits": (
        files("/etc/security/limits.d/own.conf", "scan soft nofile 65536"),
        files("/etc/security/limits.d/own.conf", "scan soft core 0"),
    ),
    "php-version": (
        files("/etc/nginx/sites-enabled/own", "fastcgi_pass unix:/run/php/php8.2-fpm.sock;"),
        files("/etc/nginx/sites-enabled/own", "fastcgi_pass unix:/run/php/php-fpm.sock;"),
    ),
    "python-bound": (
        files("/etc/systemd/system/scan.service", "ExecStart=/opt/scan/venv/bin/python -m scan"),
        files("/etc/systemd/system/scan.service", "ExecStart=/usr/bin/python3 -m scan"),
    ),
    "python-modules-gone": (
        files("/usr/local/bin/report", "import telnetlib"),
        files("/usr/local/bin/report", "import telnetlib3"),
    ),
    "cyrus-tls": (packages("cyrus-imapd=3.6.1-4"), packages("cyrus-common=3.6.1-4")),
    "saslauthd-settings": (
        files(SASL, 'OPTIONS="-c -m /var/spool/postfix/var/run/saslauthd"', edited=[SASL]),
        files(SASL, 'START=yes\nOPTIONS="-c -m /var/run/saslauthd"', edited=[SASL]),
    ),
    "vendor-ceiling": (
        Host(
            packages=[
                Package(
                    "agent", "4.2", "all", stanza="Depends: python3 (>= 3.9),\n python3 (<< 3.12)"
                )
            ]
        ),
        Host(packages=[Package("agent", "4.2", "all", stanza="Depends: python3 (>= 3.9)")]),
    ),
    "local-packages": (
        Host(packages=[Package("agent", "4.2", "all")]),
        Host(packages=[deb("agent", "4.2")]),
    ),
    "other-archives": (
        Host(packages=[deb("agent", "4.2", origin="Shelf Works")]),
        Host(packages=[deb("agent", "4.2", origin="Debian-Security")]),
    ),
    "last-gone": (
        files("/usr/local/bin/usage", "logins=$(last -n 200)"),
        files("/usr/local/bin/usage", "at_last=1 # -n\necho the last -n lines"),
    ),
    "ping-for-users": (
        Host(files={**FEWER, "/usr/local/bin/alive": "ping -c 1 desk01\n"}),
        files("/usr/local/bin/alive", "ping -c 1 desk01"),
    ),
    "core-dumps": (
        Host(settings=[("/etc/sysctl.d/50-cores.conf kernel.core_pattern", "/var/cores/%e")]),
        files("/etc/security/limits.d/own.conf", "* hard core 0"),
    ),
    "isc-dhcp": (packages("isc-dhcp-client=4.4.3-P1-2"), packages("dhcpcd-base=9.4.1-24")),
    "behind-point-release": (
        Host(packages=[deb("rsync", "3.2.7-1", candidate="3.2.7-1+deb12u3")]),
        Host(packages=[deb("rsync", "3.2.7-1+deb12u3", candidate="3.2.7-1")]),
    ),
    "held-packages": (
        Host(packages=[deb("rsync", "3.2.7-1", state="hi", held=True)]),
        packages("rsync=3.2.7-1"),
    ),
    "package-states": (
        Host(packages=[deb("rsync", "3.2.7-1", state="iF")]),
        Host(packages=[deb("rsync", "3.2.7-1", state="hi")]),
    ),
    "leftover-configuration": (
        Host(packages=[deb("exim4-base", "4.96-15", state="rc")]),
        packages("exim4-base=4.96-15"),
    ),
    "backports": (
        packages("nano=7.2-1~bpo12+1"),
        packages("nano=7.2-1+deb12u1"),
    ),
    "mixed-suites": (
        Host(sources=[source("stable")]),
        Host(sources=[source("stable", enabled=False)]),
    ),
    "pins": (
        Host(system={"pins": (Pin("/etc/apt/preferences", 1, "agent", "version 1.4*", 1001),)}),
        Host(),
    ),
    "default-release": (
        files("/etc/apt/apt.conf.d/99own", 'APT::Default-Release "bookworm";'),
        files("/etc/apt/apt.conf.d/99own", '// APT::Default-Release "bookworm";'),
    ),
    "doubled-sources": (
        Host(sources=[source("bookworm", file="/etc/apt/sources.list", line=3)]),
        Host(sources=[source("bookworm", file="/etc/apt/sources.list", components=("contrib",))]),
    ),
    "unsigned-sources": (
        Host(sources=[source("bookworm", components=("contrib",), signed_by="")]),
        Host(sources=[source("bookworm", types=("deb-src",), signed_by="")]),
    ),
    "trusted-keys": (
        Host(parts={"archive_keys": (ArchiveKey("/etc/apt/trusted.gpg.d/old vendor.gpg", "AB"),)}),
        Host(parts={"archive_keys": (ArchiveKey("/etc/apt/trusted.gpg.d/vendor.gpg", "AB"),)}),
    ),
    "old-transports": (
        Host(sources=[source("shelf", uris=("ftp://archive.example/shelf",))]),
        Host(sources=[source("shelf", uris=("http://ftp.archive.example/shelf",))]),
    ),
    "disc-sources": (
        Host(sources=[source("bookworm", uris=("cdrom:[Debian 12]/",))]),
        Host(sources=[source("bookworm", uris=("cdrom:[Debian 12]/",), enabled=False)]),
    ),
    "firmware-component": (
        packages("firmware-misc-nonfree=20230210-5"),
        packages(
            "firmware-misc-nonfree=20230210-5",
            sources=[source("bookworm", line=9, components=("non-free-firmware",))],
        ),
    ),
    "release-file-diverted": (
        Host(system={"diversions": (Diversion("/etc/os-release", "/etc/os-release.own", ":"),)}),
        Host(system={"diversions": (Diversion("/usr/bin/perf", "/usr/bin/perf.own", ":"),)}),
    ),
    "package-timers": (
        Host(units=[Unit("unattended-upgrades.service", "active", "running", "enabled")]),
        Host(units=[Unit("unattended-upgrades.service", "inactive", "dead", "masked")]),
    ),
    "failed-before": (
        Host(units=[Unit("scan.service", "failed", "failed", "enabled")]),
        Host(units=[Unit("scan.service", "inactive", "dead", "enabled")]),
    ),
}

REHEARSED: dict[str, tuple[Host, Host]] = {
    "ssh-dsa": (
        checked("ssh-syntax", "pass", "fail", "/etc/ssh/x.conf line 3: Bad key types '+ssh-dss'."),
        checked("ssh-syntax", "pass", "fail", "no hostkeys available"),
    ),
    "ssh-user-environment": (
        checked("ssh-user-environment", "fail", ""),
        checked("ssh-user-environment", "pass", ""),
    ),
    "nic-rename": (
        Host(run=readings({"interfaces": ("ens3",)}, {"interfaces": ("enp1s0",)})),
        Host(run=readings({"interfaces": ("ens3",)}, {"interfaces": ("ens3", "ens4")})),
    ),
    "boot-space": (
        step("cp: error writing '/boot/initrd.img-6.12': No space left on device"),
        step("update-initramfs: Generating /boot/initrd.img-6.12.43+deb13-amd64"),
    ),
    "cryptsetup-split": (
        step("FAULT: /etc/crypttab is in use and systemd-cryptsetup is not installed"),
        step("FAULT: no boot loader on the EFI system partition /boot/efi"),
    ),
    "loader-device-gone": (
        step("/dev/disk/by-id/ata-A does not exist, so cannot grub-install to it!"),
        step("Installing for i386-pc platform."),
    ),
    "no-kernel-package": (
        step("FAULT: no kernel metapackage is installed: the old kernel would stay"),
        step("newest kernel: 6.12; running: 6.1"),
    ),
    "built-modules": (
        step("Error! Bad return status for module build on kernel: 6.12 (x86_64)"),
        step("dkms: running auto installation service for kernel 6.12"),
    ),
    "dmcrypt-plain": (
        checked("plain-encryption", "fail", ""),
        checked("plain-encryption", "skipped", ""),
    ),
    "rabbitmq-jump": (
        went("rabbitmq-server", "upgraded", "3.10.8-1.1+deb12u1", "4.0.5-6+deb13u2"),
        went("rabbitmq-server", "installed", "", "4.0.5-6+deb13u2"),
    ),
    "mariadb-clean-stop": (
        journal("InnoDB: Upgrade after a crash is not supported."),
        journal("InnoDB: Starting crash recovery."),
    ),
    "mariadb-options": (
        checked("mariadb-options", "fail", "fail"),
        checked("mariadb-options", "pass", "skipped"),
    ),
    "postgresql-old-cluster": (
        checked("postgresql-clusters", "", "fail"),
        checked("postgresql-clusters", "", "pass"),
    ),
    "postgresql-sort-order": (
        journal('database "own" has a collation version mismatch'),
        journal("database system is ready to accept connections"),
    ),
    "sysctl-conf": (
        Host(
            run=make_run(kept_files=(KeptFile("/etc/sysctl.conf.dpkg-bak", "/etc/sysctl.conf", 9),))
        ),
        Host(
            run=make_run(kept_files=(KeptFile("/etc/sysctl.d/a.dpkg-bak", "/etc/sysctl.d/a", 9),))
        ),
    ),
    "tmp-in-memory": (
        checked(
            "staging-job",
            "pass",
            "fail",
            "head: error writing '/tmp/s/image': No space left on device",
        ),
        checked(
            "staging-job",
            "pass",
            "fail",
            "head: error writing '/srv/image': No space left on device",
        ),
    ),
    "dovecot-24": (
        checked("dovecot-syntax", "pass", "fail"),
        checked("dovecot-syntax", "fail", "fail"),
    ),
    "bind-files": (
        checked("named-syntax", "pass", "fail"),
        checked("named-syntax", "skipped", "skipped"),
    ),
    "postfix-instances": (
        checked("postfix-instances", "fail", "fail"),
        checked("postfix-instances", "pass", "pass"),
    ),
    "php-version": (
        Host(
            run=readings(
                {"units": (Unit("php8.2-fpm.service", "active", "running", "enabled"),)},
                {"units": ()},
            )
        ),
        Host(
            run=readings(
                {"units": (Unit("php8.2-fpm.service", "active", "running", "enabled"),)},
                {"units": (Unit("php8.2-fpm.service", "active", "running", "enabled"),)},
            )
        ),
    ),
    "python-bound": (
        checked("python-environments", "pass", "fail", "/opt/scan/venv/pyvenv.cfg"),
        checked("python-environments", "pass", "pass"),
    ),
    "python-modules-gone": (
        checked(
            "report-job",
            "pass",
            "fail",
            "Traceback\nModuleNotFoundError: No module named 'telnetlib'",
        ),
        checked("report-job", "pass", "fail", "NameError: name 'telnetlib' is not defined"),
    ),
    "other-archives": (
        step("Signing key is not bound: SHA1 is not considered secure since 2026-02-01"),
        step("Get:1 http://archive.example trixie InRelease"),
    ),
    "last-gone": (
        checked("usage-job", "pass", "fail", "/usr/local/bin/shelf-usage: 4: last: not found"),
        checked("usage-job", "pass", "fail", "/usr/local/bin/shelf-usage: 4: blast: not found"),
    ),
    "ping-for-users": (
        checked("ping-for-users", "", "fail", "groups 1 to 0"),
        checked("ping-for-users", "", "pass"),
    ),
    "tainted-message": (
        journal("System is tainted: unmerged-bin"),
        journal("System is tainted: cgroupsv1"),
    ),
    "old-directories": (
        step("dpkg: warning: unable to delete old directory '/etc/a': Directory not empty"),
        step("dpkg: warning: while removing a, directory '/etc/a' not empty so not removed"),
    ),
    "immediate-configuration": (
        Host(
            run=make_run(
                prompts=(
                    PromptMet(
                        "full-upgrade",
                        1.0,
                        "E: Could not perform immediate configuration on 'a'.",
                        "apt",
                        False,
                        "",
                        "",
                        "nobody",
                        1.0,
                    ),
                )
            )
        ),
        step("E: Could not get lock"),
    ),
    "package-states": (
        checked("package-states", "pass", "fail"),
        checked("package-states", "pass", "pass"),
    ),
    "doubled-sources": (
        checked("sources-single", "pass", "fail"),
        checked("sources-single", "fail", "pass"),
    ),
    "unsigned-sources": (
        checked("sources-signed", "", "fail"),
        checked("sources-signed", "", "pass"),
    ),
    "trusted-keys": (checked("apt-keys", "fail", "fail"), checked("apt-keys", "pass", "pass")),
}

# What a survey cannot answer: a server that leaves it open, and one that it does not concern.
OPEN: dict[str, tuple[Host, Host]] = {
    "ssh-old-clients": (Host(), Host(without=["openssh-server"])),
    "ssh-dsa-logins": (Host(), Host(without=["openssh-server"])),
    "luks-hash": (files("/etc/crypttab", "data UUID=1f0c7e0a none luks"), Host()),
    "rabbitmq-queues": (
        packages("rabbitmq-server=3.10.8-1.1+deb12u1"),
        packages("rabbitmq-server=4.0.5-6+deb13u2"),
    ),
}
