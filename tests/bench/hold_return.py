"""Coming back to a hold point, against a cold boot of the same clone.

    python -m tests.bench.hold_return

Paired and alternating: the clone's power is cut and it is switched on until it answers; it
is returned to its hold point until it answers. Also told: what keeping the point took.
"""

from __future__ import annotations

from forerun.stages.build import open_clone
from forerun.stages.hold import Holder
from tests.bench.bench_common import MIB, empty_tar, make_blueprint, open_ground, say_pairs

PAIRS = 5


def main() -> None:
    """Keep one point, then alternate."""
    with open_ground() as ground:
        blueprint = make_blueprint(ground)
        with open_clone(blueprint, ground.template, empty_tar(), ground.yard) as clone:
            clone.guest.run("timeout 240 systemctl is-system-running --wait", timeout_s=260)
            holder = Holder(clone, ground.yard, ground.bench.command)
            point = holder.take("bench", memory_bytes=blueprint.memory_bytes)
            print(
                f"hold point: {point.took_s:.1f} s, memory {point.memory_bytes / MIB:.0f} MiB, "
                f"disks {point.disk_bytes / MIB:.0f} MiB"
            )
            pairs: list[tuple[float, float]] = []
            for _ in range(PAIRS):
                holder.cut_power()
                cold = holder.switch_on()
                pairs.append((holder.return_to(point), cold))
        say_pairs("Until it answers", "back at the hold point", "cold boot", pairs)


if __name__ == "__main__":
    main()
