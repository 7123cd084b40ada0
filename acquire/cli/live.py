"""`lobetrace live`: the guided procedure on the live screen."""

from __future__ import annotations

from pathlib import Path

from acquire.cli import say
from acquire.cli.demo_job import job_text
from acquire.cli.second_screen import opened
from acquire.procedure.answers import to_measure
from acquire.procedure.session import Choice, Plan
from acquire.procedure.steps import DONE
from acquire.simulator.scenario_file import SUFFIX, scenario_of
from acquire.simulator.scenarios import Scenario
from acquire.simulator.truth import truth
from analysis.base.errors import UsageError
from analysis.base.version import version
from analysis.job import FILE_NAME, Job, load_job, parse_job
from analysis.job.folder import folder_of, has_job, make_job, refuse_where_none_can_be_made

WORKSHOP = "workshop"  # the scenario taken where none is named


# Textual is imported only where the screen is really shown: whoever imports a command need not have a terminal.


def run(
    job_path: Path | None,
    port: str,
    tdc: str,
    scenario: str,
    seed: int | None,
    *,
    both: bool = False,
    pace: float = 1.0,
    screen: str = "",
    light: bool = False,
    bell: bool = True,
    cylinders: str = "",
    valves: str = "",
) -> None:
    """Walk through the procedure. `cylinders` and `valves`: what to measure, if not the job's cylinder and both.

    `scenario` empty: on a real board; else on that simulated rig, in a job made for it if need be. `screen`: where the second
    screen listens, as of `acquire.screen.address.bound`; empty for none.
    """
    from acquire.dashboard import launch

    if not scenario:
        if job_path is None or not has_job(job_path):
            job_path = _set_up(job_path, light=light)
            if job_path is None:
                return
        job, rig = load_job(job_path), None
    else:
        rig = scenario_of(scenario, seed)
        job_path = job_path or _folder_for(scenario, seed)
        job = _job_for(job_path, rig)
        both = both or len(rig.rig.indicators) == 2
    plan = Plan(_tdc(tdc, job), ("both",) if both else ("intake", "exhaust"))
    simulated = None if rig is None else launch.Simulated(scenario, rig.rig.seed, pace)
    look = launch.Look(light=light, bell=bell, second=opened(screen))
    folder = folder_of(job_path)
    choice = _choice(cylinders, valves, job, plan)
    left = launch.live(job, folder, port, plan, f"lobetrace {version()}", look, simulated, choice)
    where = say.quoted(folder)
    if left.step == DONE:
        say.person(f"All is measured and recorded in {where}. The sheet: lobetrace analyze {where}")
    else:
        say.person(f"Left at: {left.title}. What is recorded lies in {where}; the same command goes on from there.")


def _set_up(path: Path | None, *, light: bool) -> Path | None:
    """The folder of a job that is set up in the form now; None if the form is left. UsageError where there is no terminal for it."""
    if not say.at_a_terminal():
        if path is None:
            raise UsageError("no job is given", do="Name the job's folder, or add --simulate to try it without an engine")
        load_job(path)  # which says what is missing
    from acquire.dashboard.launch import set_up

    folder = path.parent if path is not None and path.suffix == ".toml" else path
    if folder is not None:
        refuse_where_none_can_be_made(folder)
    saved = set_up(folder, "mm", light=light)
    if saved is None:
        say.person("Left without saving. Nothing was written.")
    return saved


def _choice(cylinders: str, valves: str, job: Job, plan: Plan) -> Choice | None:
    """What the options ask for; None if they do not. UsageError for a cylinder or a valve that there is not."""
    if not cylinders and not valves:
        return None
    if unknown := [word for word in valves.replace(",", " ").split() if word not in ("intake", "exhaust")]:
        raise UsageError(f"there is no valve {unknown[0]!r}", do="Choose intake, exhaust, or intake,exhaust")
    return to_measure(f"{cylinders} {valves}", job.engine.firing_order, job.measure.cylinder, plan.valves)


def _folder_for(scenario: str, seed: int | None) -> Path:
    """A folder for each rig, since a procedure goes on where it was: the results of one are not those of another. A file may have
    the name of a rig that there is already.
    """
    name = "simulated-job" if scenario == WORKSHOP else f"simulated-{scenario}"
    if scenario.endswith(SUFFIX):
        name = f"rehearsed-{Path(scenario).stem}"
    return Path(name if seed is None else f"{name}-{seed}")


def _job_for(path: Path, scenario: Scenario) -> Job:
    """The job there, made if there is none. UsageError if it is of another engine or rig: captures of two must not be mixed."""
    text = job_text(scenario, truth(scenario.rig))
    if not (folder_of(path) / FILE_NAME).exists():
        make_job(path, text)
    job, simulated = load_job(path), parse_job(text)
    if (job.engine, job.rig) != (simulated.engine, simulated.rig):
        raise UsageError(
            f"this job is of another engine or rig than the simulated {scenario.name}",
            where=str(path),
            do="Choose a folder that has no job yet, or leave the job out",
        )
    return job


def _tdc(wanted: str, job: Job) -> str:
    """How TDC is found: as asked, else as the job gives it, else by the stop."""
    return wanted or ("given" if job.rig.tdc_count is not None else "stop")
