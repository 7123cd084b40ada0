"""Rigs with a name. The engine is our own: a small four-cylinder launch engine, cylinder 1 on the bench."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from acquire.simulator.board import BenchBoard
from acquire.simulator.cam import Cam, Flank, LawLobe
from acquire.simulator.encoder import Encoder, Lost
from acquire.simulator.indicator import Indicator
from acquire.simulator.piston_stop import SliderCrank
from acquire.simulator.rig import Rig
from acquire.simulator.train import Train
from analysis.base.errors import UsageError

ENGINE = "Tidewater 4, launch engine, 1.9 litre"


@dataclass(frozen=True)
class Scenario:
    """A rig, what is to be seen on it in one sentence, and the phases to work through. `meant`: the rig that a job says it is, where
    the real one is another.
    """

    name: str
    text: str
    rig: Rig
    phases: tuple[str, ...] = ("stop", "intake", "exhaust")
    engine: str = ENGINE
    meant: Rig | None = None

    @property
    def as_the_job_says(self) -> Rig:
        """The rig that a card and a job.toml describe."""
        return self.meant or self.rig


_CLEAN = Rig()
_GAUGE = Indicator(where="valve", step=0.01, noise_mm=0.003, latency_s=0.060, per_s=10.0)


def _unsymmetrical() -> Cam:
    quick = Flank("4-5-6-7", 62.0, ramp_mm=0.10, ramp_deg=12.0)
    slow = Flank("3-4-5", 70.0, ramp_mm=0.20, ramp_deg=24.0)
    return Cam(LawLobe(7.6, quick, slow), LawLobe(7.4, quick, slow))


def _launch() -> Cam:
    """A brisk camshaft for a launch: 271 and 215 crank degrees at 0.15 and 1.27 mm, short ramps, closing a little slower."""
    intake = LawLobe(7.6, Flank("modified sine", 72.0, 0.06, 8.0), Flank("modified sine", 75.0, 0.06, 9.0))
    exhaust = LawLobe(7.4, Flank("modified sine", 73.0, 0.06, 8.0), Flank("modified sine", 76.0, 0.06, 9.0))
    return Cam(intake, exhaust, separation_deg=106.0, advance_deg=2.0)


def _workshop() -> Rig:
    return Rig(
        cam=_launch(),
        train=Train(ratio=1.5, slack_deg=0.8, runout_mm=0.004),
        encoder=Encoder(eccentric=0.0004),
        indicators=(Indicator(where="valve", noise_mm=0.004, latency_s=0.025, tilt_deg=2.0, drift_mm_s=5e-5, spike_share=2e-4),),
        crank=SliderCrank(43.0, 143.0, 0.8),
        seed=7,
    )


# Teeth of the camshaft's wheel: one is 17.1 crank degrees. And the lash that somebody forgot to take out.
TEETH, FORGOTTEN_LASH_MM = 42, 0.25


def _wrong(rig: Rig) -> Rig:
    late = replace(rig.cam, advance_deg=rig.cam.advance_deg - 720.0 / TEETH)
    return replace(rig, cam=late, train=replace(rig.train, lash_mm=FORGOTTEN_LASH_MM))


def _all() -> tuple[Scenario, ...]:
    clean = _CLEAN
    return (
        Scenario(
            "workshop",
            "Everything as it is in a workshop, a little of each.",
            _workshop(),
            ("stop", "travel", "intake", "exhaust", "backward"),
        ),
        Scenario(
            "wrong-job",
            f"The workshop's engine with the camshaft a tooth late, and {FORGOTTEN_LASH_MM:g} mm of lash that the job does not give.",
            _wrong(_workshop()),
            meant=_workshop(),
        ),
        Scenario("clean", "A good rig: 0.15 degree encoder, 0.01 mm indicator, a tight drive.", clean),
        Scenario(
            "slow-indicator", "A gauge that sends ten readings a second, each 60 ms old.", replace(clean, indicators=(_GAUGE,))
        ),
        Scenario(
            "slack",
            "A worn timing chain: 2.4 crank degrees of play.",
            replace(clean, train=Train(slack_deg=2.4)),
            ("stop", "intake", "exhaust", "backward"),
        ),
        Scenario(
            "lost-counts",
            "Forty counts go lost in the middle of a sweep, and the board notices.",
            replace(clean, encoder=Encoder(lost=(Lost(900.0, 40),))),
        ),
        Scenario(
            "bleed-down", "A hydraulic lifter that sinks while the crank rests.", replace(clean, train=Train(bleed_mm=0.35))
        ),
        Scenario(
            "inch-lifter",
            "An indicator of 0.0005 inch on the lifter.",
            replace(clean, indicators=(Indicator(where="lobe", step=0.0005, unit="in"),)),
        ),
        Scenario(
            "reverse", "The encoder counts down in the direction of rotation.", replace(clean, encoder=Encoder(direction=-1))
        ),
        Scenario(
            "off-center",
            "The encoder sits off center: 0.2 degrees of error once a turn.",
            replace(clean, encoder=Encoder(eccentric=0.0035)),
            ("stop", "travel", "intake", "exhaust"),
        ),
        Scenario(
            "two-channel",
            "Two indicators, intake and exhaust in one sweep.",
            replace(clean, indicators=(Indicator(), Indicator())),
            ("stop", "both"),
        ),
        Scenario(
            "unsymmetrical", "Quick opening, slow closing: the four centerlines differ.", replace(clean, cam=_unsymmetrical())
        ),
        Scenario(
            "time-latched",
            "A board that latches two hundred times a second, moving or not.",
            replace(clean, board=BenchBoard(latch="time", per_s=200)),
        ),
        Scenario(
            "faulty-indicator",
            "An indicator that jumps now and then, and sticks once in the first lobe.",
            replace(clean, indicators=(Indicator(spike_share=0.002, stuck=((0.12, 0.14),)),)),
        ),
        Scenario(
            "slipping-coupling",
            "The encoder's coupling slips by two degrees in a sweep; no index pulse shows it.",
            replace(clean, encoder=Encoder(slip_deg=2.0, slip_after_deg=900.0)),
        ),
        Scenario(
            "restarting-board",
            "A board that starts anew whenever its port is opened, and an encoder without an index.",
            replace(clean, encoder=Encoder(index=False), board=BenchBoard(resets=True)),
        ),
        Scenario(
            "run-over",
            "Counters that run over, and an encoder without an index.",
            replace(
                clean,
                encoder=Encoder(index=False),
                board=BenchBoard(start_seq=2**32 - 5000, start_time_us=2**32 - 60_000_000, start_count=2**31 - 3000),
            ),
        ),
    )


SCENARIOS: Mapping[str, Scenario] = {scenario.name: scenario for scenario in _all()}


def scenario_named(name: str, seed: int | None = None) -> Scenario:
    """The scenario called `name`, with another seed if one is given. Raises UsageError naming those there are."""
    if name not in SCENARIOS:
        raise UsageError(f"there is no scenario {name!r}", do=f"Choose one of: {', '.join(SCENARIOS)}.")
    found = SCENARIOS[name]
    return found if seed is None else replace(found, rig=replace(found.rig, seed=seed))
