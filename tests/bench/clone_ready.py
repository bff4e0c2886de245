"""A clone from the call to its first answer, against a raw QEMU boot of the same disk."""

from __future__ import annotations

import socket
import subprocess
import time
from dataclasses import replace

from forerun.ports.disks import make_seed_image
from forerun.ports.domain_xml import GUEST_ADDRESS
from forerun.ports.labhost import find_free_port
from forerun.stages.build import make_mac, open_clone
from forerun.stages.design import ACCESS_PORT
from forerun.stages.seed import make_keys, write_seed_files
from tests.bench.bench_common import Ground, empty_tar, make_blueprint, open_ground, say_pairs

PAIRS = 3


def time_clone(ground: Ground) -> float:
    """Seconds from the call to a clone that answers and has proved to be one."""
    blueprint = make_blueprint(ground)
    began = time.monotonic()
    with open_clone(blueprint, ground.template, empty_tar(), ground.yard):
        return time.monotonic() - began


def time_raw(ground: Ground) -> float:
    """Seconds from starting QEMU itself to the same service's banner."""
    blueprint = replace(make_blueprint(ground), run_id="bench-raw")
    folder = ground.bench.store.machines / "bench-raw"
    folder.mkdir(exist_ok=True)
    system, seed = folder / "system.qcow2", folder / "seed.iso"
    for old in (system, seed):
        old.unlink(missing_ok=True)
    ground.bench.disks.make_overlay(ground.bench.store.template_disk(ground.template.id), system)
    mac, port = make_mac(), find_free_port()
    files = write_seed_files(
        blueprint, make_keys(), instance=f"raw-{time.time()}", mac=mac, copy=empty_tar()
    )
    make_seed_image(seed, files)
    argv = ["qemu-system-x86_64", "-machine", "pc", "-accel", "tcg", "-smp", "2", "-m", "1024"]
    argv += ["-display", "none", "-serial", "null", "-nodefaults", "-vga", "std"]
    argv += ["-drive", f"file={system},if=virtio,format=qcow2"]
    argv += ["-drive", f"file={seed},if=virtio,format=raw,readonly=on"]
    argv += [
        "-netdev",
        f"user,id=n,restrict=on,hostfwd=tcp:127.0.0.1:{port}-{GUEST_ADDRESS}:{ACCESS_PORT}",
        "-device",
        f"virtio-net-pci,netdev=n,mac={mac},addr=0x10",
    ]
    began = time.monotonic()
    machine = subprocess.Popen(argv)
    try:
        while True:
            try:
                with socket.create_connection(("127.0.0.1", port), timeout=2) as link:
                    link.settimeout(2)
                    if link.recv(4) == b"SSH-":
                        return time.monotonic() - began
            except OSError:
                pass
            time.sleep(0.5)
    finally:
        machine.terminate()
        machine.wait(timeout=20)


def main() -> None:
    """Alternate the two."""
    with open_ground() as ground:
        pairs = [(time_clone(ground), time_raw(ground)) for _ in range(PAIRS)]
        say_pairs("Ready to be used", "clone through forerun", "raw QEMU boot", pairs)


if __name__ == "__main__":
    main()
