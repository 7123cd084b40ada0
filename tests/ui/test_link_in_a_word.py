"""How the link does, as the screen says it: one counter with `lobetrace monitor`, and a word for it."""

from __future__ import annotations

from acquire.link.outcomes import Batch, Broken, Ended
from acquire.procedure.link_state import DISCONNECTED, ENDED, LIVE, STALLED, WAITING, LinkWatch
from acquire.wire import Damage, Event, Hello, Index
from analysis.base.errors import LinkError
from analysis.base.samples import Board

HELLO = Hello(Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", boot=57), 0, 0)


def batch(first: int, count: int, arrived: float, *more: Event) -> Batch:
    return Batch((*more, *(Index(n, n, 0) for n in range(first, first + count))), 30 * count, arrived)


def test_the_rate_is_there_with_the_first_frames_and_silence_pulls_it_down() -> None:
    now = [10.0]
    watch = LinkWatch(lambda: now[0])
    assert (watch.state().state, watch.state().age_s) == (WAITING, None)
    watch.connected(HELLO)
    assert (watch.state().state, watch.state().age_s) == (LIVE, 0.0)
    for tick in range(1, 4):
        now[0] = 10.0 + tick / 10
        watch.batch(batch(100 * tick, 10, now[0]))
    steady = watch.state().frames_s
    assert 50.0 < steady <= 110.0
    now[0] += 1.0
    assert watch.state().frames_s < steady / 3
    assert watch.state().state == LIVE
    now[0] += 0.6
    assert (watch.state().state, watch.state().frames_s) == (STALLED, 0.0)


def test_what_was_lost_stays_counted_over_a_loss_of_the_link() -> None:
    now = [0.0]
    watch = LinkWatch(lambda: now[0])
    watch.connected(HELLO)
    watch.batch(batch(0, 5, 0.0, Damage(3, 40, 0)))
    watch.gone(Broken(LinkError("the link was lost")))
    assert watch.tries == 1
    watch.gone(Broken(LinkError("still")))
    assert watch.tries == 2
    now[0] = 4.0
    lost = watch.state()
    assert (lost.state, lost.frames_s, lost.lost, lost.refused, lost.age_s) == (DISCONNECTED, 0.0, 3, 40, 4.0)
    watch.connected(HELLO)
    assert watch.state().state == LIVE
    watch.gone(Ended("over"))
    assert watch.state().state == ENDED
