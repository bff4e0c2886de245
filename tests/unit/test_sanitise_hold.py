"""Contents held packed in memory: what goes in comes out, in order, up to the limit."""

from __future__ import annotations

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from forerun.stages.sanitise_hold import Hold


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.binary(max_size=40), st.integers(0, 9000)), max_size=30))
def test_contents_come_back_in_their_order(given_: list[tuple[bytes, int]]) -> None:
    """Empty ones, and ones larger than a block, included."""
    contents = [content * times for content, times in given_]
    hold = Hold(1 << 30)
    assert all(hold.put(content) for content in contents)
    assert [hold.get(len(content)) for content in contents] == contents


def test_the_limit_counts_packed_bytes() -> None:
    """Text that shrinks fits many times over; noise does not; what no longer
    fits is refused, what is smaller may still fit, and nothing held is harmed."""
    hold = Hold(400_000)
    text = b"the same line again and again\n" * 10_000
    noise = random.Random(1).randbytes(500_000)
    assert all(hold.put(text) for _ in range(5))
    assert not hold.put(noise)
    assert hold.put(b"small")
    assert hold.packed_bytes <= hold.limit
    assert all(hold.get(len(text)) == text for _ in range(5))
    assert hold.get(5) == b"small"
    assert "again" not in repr(hold)
