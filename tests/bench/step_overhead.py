"""One package command in a step's session with all meters, against by hand, paired."""

from __future__ import annotations

import time

from forerun.events import Discard
from forerun.model.profile import UnknownPrompt
from forerun.ports.guest import Guest
from forerun.ports.prober import Prober
from forerun.stages.build import Clone, open_clone
from forerun.stages.measure import DiskWatch, StepMeter
from forerun.stages.session import PromptPolicy, StepSession
from tests.bench.bench_common import empty_tar, make_blueprint, open_ground, say_pairs

PAIRS = 4
COMMAND = (
    "apt-get -q -y -o Dpkg::Options::=--force-confold install --reinstall "
    "coreutils findutils gpgv less sed"
)


def in_a_step(clone: Clone, meter: StepMeter, disk: DiskWatch, number: int) -> float:
    """The step's wall seconds as a rehearsal records them."""
    policy = PromptPolicy((), (), UnknownPrompt.STOP, 4.0)
    session = StepSession(
        clone.guest,
        name=f"bench-{number}",
        policy=policy,
        clock=disk._clock,
        sink=Discard(),
        origin_s=0.0,
        transcript=lambda _: None,
        between=disk.sample,
    )
    before = meter.mark()
    end = session.run(COMMAND, {"LC_ALL": "C.UTF-8"}, allowed_s=900, exits=(0,))
    after = meter.mark()
    if end.exit_code != 0:
        raise SystemExit(f"the command failed: {end.last_lines}")
    return after.at_s - before.at_s


def by_hand(guest: Guest) -> float:
    """The same command over a plain connection, nothing else looking."""
    began = time.monotonic()
    done = guest.run(f"{COMMAND} >/dev/null 2>&1", timeout_s=900)
    if done.exit_code != 0:
        raise SystemExit("the command failed by hand")
    return time.monotonic() - began


def main() -> None:
    """Alternate the two, after one run that fills the caches."""
    with open_ground() as ground:
        blueprint = make_blueprint(ground)
        with open_clone(blueprint, ground.template, empty_tar(), ground.yard) as clone:
            clock = ground.bench.clock
            meter = StepMeter(
                clone.guest,
                ground.gateway,
                ground.bench.lab,
                clock,
                host_cpu=lambda: ground.yard.hypervisor.cpu_seconds(clone.name),
                blocks=lambda: ground.yard.hypervisor.block_counts(clone.name),
                sent=clone.guest.sent_bytes,
                mac=clone.mac,
            )
            disk = DiskWatch(clone.guest, clock, origin_s=0.0)
            clone.guest.run("apt-get -q update", timeout_s=600)
            by_hand(clone.guest)
            pairs: list[tuple[float, float]] = []
            with Prober((), clock=clock, origin_s=0.0):
                for number in range(PAIRS):
                    pairs.append((in_a_step(clone, meter, disk, number), by_hand(clone.guest)))
            say_pairs("A package command", "in a step", "by hand", pairs)


if __name__ == "__main__":
    main()
