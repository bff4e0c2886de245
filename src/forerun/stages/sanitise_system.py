"""The further facts of a server through the sanitiser.

Kept on purpose: kinds, sizes, file-system and partition UUIDs, labels, models, numbers of
accounts, names of packages, units and questions. Replaced: serial and world-wide numbers,
hardware addresses (also inside interface names), network addresses, and whatever the
sanitiser finds in paths, names and command lines. A clone is built from what is left.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable, Iterable
from dataclasses import replace

from forerun.model.digest import seal_digest
from forerun.model.speed import SpeedReading
from forerun.model.survey import Conffile
from forerun.model.system import Block, Interface, Loader, ManagedFile, SystemFacts
from forerun.stages.sanitise import Sanitiser
from forerun.stages.sanitise_vault import Vault

# A sealed digest takes some 25 ms: a server with more changed files than this has an
# owner who knows them, and its survey should not take minutes.
MOST_SEALED = 100

_MD5 = re.compile(r"[0-9a-f]{32}")
# World-wide names of disks, as udev writes them in /dev/disk/by-id.
_WORLD_WIDE = re.compile(
    r"(?<![A-Za-z0-9])(?:wwn-0x|nvme-eui\.|nvme-uuid\.|scsi-[0-9])([0-9a-f]{16,32})"
)


class SystemCleaner:
    """Cleans one survey's system facts with the sanitiser that cleaned its files. `text`
    is its way for free text under the name of a place."""

    def __init__(self, vault: Vault, sanitiser: Sanitiser, text: Callable[[str, str], str]) -> None:
        self._vault = vault
        self._sanitiser = sanitiser
        self._path = sanitiser.clean_path
        self._text = text

    def clean(self, raw: SystemFacts, seal: Sealer) -> SystemFacts:
        """All further facts that are stored."""
        path, login = self._path, self._sanitiser.clean_owner
        self._learn_hardware(raw)
        return replace(
            raw,
            accounts=tuple(
                replace(a, name=login(a.name), home=path(a.home), shell=path(a.shell))
                for a in raw.accounts
            ),
            groups=tuple(
                replace(g, name=login(g.name), members=tuple(login(name) for name in g.members))
                for g in raw.groups
            ),
            blocks=tuple(self._clean_block(block) for block in raw.blocks),
            interfaces=tuple(self._clean_interface(one) for one in raw.interfaces),
            diversions=tuple(replace(d, path=path(d.path), to=path(d.to)) for d in raw.diversions),
            overrides=tuple(
                replace(o, path=path(o.path), owner=login(o.owner), group=login(o.group))
                for o in raw.overrides
            ),
            alternatives=tuple(
                replace(a, name=path(a.name), link=path(a.link), target=path(a.target))
                for a in raw.alternatives
            ),
            pins=tuple(
                replace(
                    pin,
                    file=path(pin.file),
                    packages=path(pin.packages),
                    what=self._text("fact:pin", pin.what),
                )
                for pin in raw.pins
            ),
            managed=tuple(
                seal.close_managed(replace(m, path=path(m.path)), m) for m in raw.managed
            ),
            questions=tuple(replace(q, name=path(q.name)) for q in raw.questions),
            transactions=tuple(
                replace(t, command=self._text("fact:history", t.command)) for t in raw.transactions
            ),
            loader=self._clean_loader(raw.loader) if raw.loader else None,
            modules=tuple(replace(m, name=path(m.name)) for m in raw.modules),
            reboot_pending=tuple(path(reason) for reason in raw.reboot_pending),
            speed=self._clean_speed(raw.speed) if raw.speed else None,
        )

    def _clean_speed(self, raw: SpeedReading) -> SpeedReading:
        """Mount points and archives are named as everywhere in the survey."""

        def clean(words: str) -> str:
            return self._text("sources:uri", words) if "://" in words else self._path(words)

        return replace(
            raw,
            speeds=tuple(replace(one, subject=clean(one.subject)) for one in raw.speeds),
            left_out=tuple((clean(work), clean(reason)) for work, reason in raw.left_out),
        )

    def _learn_hardware(self, raw: SystemFacts) -> None:
        """Teach the vault all that names one piece of hardware, wherever it stands."""
        for block in raw.blocks:
            if block.serial:
                self._vault.swap(block.serial, rule="disk-serial")
                # udev writes other characters of a serial number as underscores.
                self._vault.swap(re.sub(r"[^\w#+.:=@-]", "_", block.serial), rule="disk-serial")
        for target in raw.loader.targets if raw.loader else ():
            for match in _WORLD_WIDE.finditer(target):
                self._vault.swap(match[1], rule="disk-serial", sweep=True)
        for one in raw.interfaces:
            bare, new = (
                one.mac.replace(":", ""),
                self._sanitiser.swap_hardware(one.mac).replace(":", ""),
            )
            if bare != new:
                self._vault.settle(bare, new, rule="hardware-address", sweep=True)

    def _clean_block(self, block: Block) -> Block:
        path, serial = self._path, block.serial
        return replace(
            block,
            serial=self._vault.swap(serial, rule="disk-serial") if serial else "",
            model=path(block.model),
            mapped=path(block.mapped),
            volume_group=path(block.volume_group),
            volume=path(block.volume),
        )

    def _clean_interface(self, one: Interface) -> Interface:
        bare, new = (
            one.mac.replace(":", ""),
            self._sanitiser.swap_hardware(one.mac).replace(":", ""),
        )

        def name(text: str) -> str:
            return self._path(text.replace(bare, new) if bare and bare != new else text)

        return replace(
            one,
            name=name(one.name),
            mac=self._sanitiser.swap_hardware(one.mac),
            # A link-local address is made of the hardware address (RFC 4291, appendix A).
            addresses=tuple(
                self._text("fact:address", address)
                for address in one.addresses
                if not address.lower().startswith("fe80:")
            ),
            names=tuple((entry, name(value)) for entry, value in one.names),
        )

    def _clean_loader(self, loader: Loader) -> Loader:
        return replace(
            loader,
            targets=tuple(self._text("fact:loader", target) for target in loader.targets),
            resolved=tuple(self._path(device) for device in loader.resolved),
        )


class Sealer:
    """Seals digests of files whose content may be secret. `public` maps a path to the
    digests that anyone can get from an archive; those stay as they are.

    The salt is drawn once for a vault, which also keeps what was sealed: facts are cleaned
    twice. With the `salt` of an earlier survey of the server both can be compared."""

    def __init__(
        self, vault: Vault, public: dict[str, frozenset[str]], *, salt: bytes = b""
    ) -> None:
        self._vault = vault
        self._public = public
        drawn = vault.keep_object("seal", b"salt", lambda: salt or secrets.token_bytes(16))
        self._salt: bytes = drawn
        self._sealed: set[str] = set()

    def __repr__(self) -> str:
        return "<Sealer>"

    def seal(self, md5: str) -> str:
        """The slow digest; empty for no digest, and beyond MOST_SEALED of them."""
        full = len(self._sealed) >= MOST_SEALED and md5 not in self._sealed
        if full or not _MD5.fullmatch(md5):
            return ""
        self._sealed.add(md5)
        return self._vault.keep_object("seal", md5.encode(), lambda: seal_digest(md5, self._salt))

    def _seal_shipped(self, path: str, md5: str) -> str:
        return md5 if md5 in self._public.get(path, frozenset()) else self.seal(md5)

    def close_conffiles(
        self, rows: Iterable[Conffile], path: Callable[[str], str]
    ) -> tuple[Conffile, ...]:
        """Conffiles as they may be stored."""
        return tuple(
            replace(
                row,
                path=path(row.path),
                shipped=self._seal_shipped(row.path, row.shipped),
                disk=self.seal(row.disk),
            )
            for row in rows
        )

    def close_managed(self, row: ManagedFile, raw: ManagedFile) -> ManagedFile:
        """`row` with the digests of `raw` as they may be stored. The file of an unchanged
        one is the recorded one: it needs no digest of its own."""
        disk = raw.disk if raw.state != "unchanged" else ""
        return replace(
            row,
            recorded=self._seal_shipped(raw.path, raw.recorded),
            disk=self.seal(disk),
        )
