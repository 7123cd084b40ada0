"""The lobetrace command: declarations only. What a command does is imported when it runs, so that `--help` costs next to nothing.

Exit codes: 0 done, 1 out of tolerance, 2 cannot tell (bad input, too little data): one sentence on stderr says what to do.
With `--json` results and nothing else go to stdout; words for people go to stderr.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from copy import copy
from pathlib import Path
from typing import Annotated

import typer

from acquire.cli import crash, second_screen, verbose
from acquire.cli.options import (
    Against,
    Baud,
    By,
    Force,
    JobPath,
    Json,
    Light,
    Nominal,
    Paper,
    Processes,
    Quiet,
    Roots,
    SecondScreen,
    Seed,
    Step,
    Tdc,
    Units,
    Valve,
)
from analysis.base.errors import LobetraceError
from analysis.base.foreign import harmless, shown

CANNOT_TELL = 2
_BY_THE_KEYBOARD = 130  # what newer versions of typer make of Ctrl-C while nothing of ours runs yet

app = typer.Typer(
    name="lobetrace",
    help="Degree a camshaft with a crank encoder and a digital indicator.",
    context_settings={"help_option_names": ["-h", "--help"]},
    rich_markup_mode=None,  # markup is a third of a second of imports
    pretty_exceptions_enable=False,
)


def _version(wanted: bool) -> None:
    if wanted:
        from analysis.base.version import version

        typer.echo(f"lobetrace {version()}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and end.")
    ] = False,
    debug: Annotated[bool, typer.Option(crash.DEBUG, help="If lobetrace itself fails, print the trace.")] = False,
    verbose: Annotated[
        bool, typer.Option("--verbose", "-v", help="Say on stderr what is opened, read and found; -vv: in more detail.")
    ] = False,
) -> None:
    """Degree a camshaft with a crank encoder and a digital indicator."""


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder to make; an existing job is never overwritten.")],
    units: Annotated[
        Units | None, typer.Option(help="What lengths are written in; else mm, or as in the job copied.", show_default=False)
    ] = None,
    like: Annotated[
        Path | None,
        typer.Option(metavar="JOB", help="Copy engine, rig and cam card from this job.", show_default=False),
    ] = None,
    plain: Annotated[
        bool, typer.Option("--plain", help="No form: write a job.toml to fill in with an editor. So it is without a terminal.")
    ] = False,
    light: Light = False,
    json: Json = False,
) -> None:
    """Set up a job in a form: a folder with a job.toml, every line explained, and captures/."""
    from acquire.cli import new

    new.run(folder, units.value if units else None, like, plain=plain, as_json=json, light=light)


@app.command()
def ports(
    addresses: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="PORT",
            help="Look only here: a port, socket://HOST:PORT or rfc2217://HOST:PORT. Exit code 2 if no board answers.",
        ),
    ] = None,
    ask: Annotated[
        bool, typer.Option("--ask/--no-ask", help="Say hello to each port and wait for an answer, or only list them.")
    ] = True,
    within: Annotated[float, typer.Option(min=0.1, help="Seconds that a board has to answer.")] = 3.0,
    baud: Baud = 115200,
    json: Json = False,
) -> int:
    """List the serial ports of this machine, and which boards answer there. A port that another program holds is left alone."""
    from acquire.cli import ports

    return ports.run(addresses or [], ask, within, baud, json)


@app.command()
def monitor(
    port: Annotated[str, typer.Argument(metavar="PORT", help="Serial port, socket://HOST:PORT or rfc2217://HOST:PORT.")],
    raw: Annotated[
        bool, typer.Option("--raw", help="The bytes themselves, and why a line is no frame: to bring a board up.")
    ] = False,
    every: Annotated[bool, typer.Option("--all", help="Each sample; else ten a second at most.")] = False,
    seconds: Annotated[float | None, typer.Option(min=0.1, help="End after so many seconds; else with Ctrl-C.")] = None,
    baud: Baud = 115200,
) -> None:
    """Show what comes over a port and how the link does. Records nothing."""
    from acquire.cli import monitor

    monitor.run(port, baud, raw, every, seconds)


@app.command()
def board(
    port: Annotated[str, typer.Argument(metavar="PORT", help="Serial port, socket://HOST:PORT or rfc2217://HOST:PORT.")],
    changes: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="KEY=VALUE",
            help="What to set: cpr, index, channels, kind, unit, step, name; kind2, unit2 and step2 for channel 2.",
            show_default=False,
        ),
    ] = None,
    seconds: Annotated[float | None, typer.Option(min=0.1, help="End the self-test after so many seconds.")] = None,
    baud: Baud = 115200,
    json: Json = False,
) -> int:
    """Show a board's settings and test its wiring live, or set them. Exit code 2 if the self-test finds something wrong."""
    from acquire.cli import board

    return board.run(port, baud, changes or [], seconds, json)


@app.command()
def capture(
    job: JobPath,
    step: Annotated[Step, typer.Option(help="What is recorded: piston stop, piston travel, or a valve sweep.")],
    valve: Annotated[
        Valve | None, typer.Option(help="For a sweep: what the indicator stands on; both: channel 1 intake, 2 exhaust.")
    ] = None,
    cylinder: Annotated[int | None, typer.Option(min=1, help="Of which cylinder; else the job's.", show_default=False)] = None,
    port: Annotated[str, typer.Option(help="Serial port or socket://HOST:PORT; else the job's.")] = "",
    contacts: Annotated[
        int | None,
        typer.Option(
            "--contacts", "--touches", min=1, help="End after so many contacts with the piston stop, both sides together."
        ),
    ] = None,
    passes: Annotated[
        int | None,
        typer.Option(min=1, help="End after so many whole passes over the lobe, or over the top of the piston's travel."),
    ] = None,
    seconds: Annotated[float | None, typer.Option(min=0.1, help="End after so many seconds.")] = None,
    until_still: Annotated[
        float | None, typer.Option(min=0.1, help="End when the crank, once moved, rests for so many seconds.")
    ] = None,
    note: Annotated[str, typer.Option(help="Text that goes into the capture's header.")] = "",
    json: Json = False,
) -> None:
    """Record one capture into the job. Ends at the limit given or with Ctrl-C; the file is closed either way."""
    from acquire.cli import capture
    from acquire.procedure.limits import Limits

    place = capture.place_of(step.value, valve.value if valve else None, cylinder)
    capture.run(job, place, port, Limits(contacts, passes, seconds, until_still), note, json)


@app.command()
def analyze(
    job: JobPath,
    captures: Annotated[
        list[Path] | None,
        typer.Argument(metavar="CAPTURE", help="Captures to use; else all of the job. Or further jobs.", show_default=False),
    ] = None,
    json: Json = False,
    budget: Annotated[
        bool, typer.Option("--budget", help="With what makes up every number's uncertainty, and what numbers share.")
    ] = False,
) -> int:
    """Work out top dead center, events, durations, centerlines and their uncertainty, and print the sheet."""
    from acquire.cli import analyze

    return analyze.run(job, captures or [], json, budget)


@app.command()
def check(
    roots: Roots,
    junit: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the verdicts as JUnit XML.", show_default=False)
    ] = None,
    processes: Processes = None,
    force: Force = False,
    json: Json = False,
) -> int:
    """Check jobs against their specification. Exit code 0: all within; 1: any outside; 2: it cannot be told."""
    from acquire.cli import check

    return check.run(roots, json, junit, processes=processes, force=force)


@app.command()
def table(
    roots: Annotated[
        list[str],
        typer.Argument(
            metavar="ROOT",
            help="Jobs, folders that are searched for job.toml, patterns, or addresses such as s3://bucket/jobs.",
            show_default=False,
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="OUT", help="A folder, or a .csv, .parquet or .arrow file.", show_default=False),
    ] = None,
    query: Annotated[
        str, typer.Option(metavar="SQL", help="Put a question to the tables in the folder ROOT.", show_default=False)
    ] = "",
    processes: Processes = None,
    cluster: Annotated[
        str,
        typer.Option(metavar="ADDRESS", help="Measure on the Dask cluster with this scheduler, e.g. tcp://host:8786."),
    ] = "",
    force: Force = False,
    json: Json = False,
) -> int:
    """Make one table of many jobs, and go on where it stopped; or put a question to it."""
    from acquire.cli import table

    return table.run(roots, out, query, json, processes=processes, cluster=cluster, force=force)


@app.command()
def verify(
    roots: Annotated[list[str], typer.Argument(metavar="ROOT", help="Jobs, folders of jobs, or patterns.", show_default=False)],
    baseline: Annotated[Path, typer.Option(metavar="FILE", help="What the jobs once came to.", show_default=False)],
    update: Annotated[bool, typer.Option("--update", help="Write what they come to now into FILE.")] = False,
    moved: Annotated[
        float, typer.Option(metavar="SHARE", min=0, help="How much of its uncertainty a number may have moved by.")
    ] = 0.1,
    true: Annotated[
        float,
        typer.Option(metavar="SHARE", min=0, help="How much of its uncertainty a number may lie from what FILE says is true."),
    ] = 1.0,
    processes: Processes = None,
    json: Json = False,
) -> int:
    """Hold jobs against what they once came to. Exit code 0: the same; 1: something differs; 2: it cannot be told."""
    from acquire.cli import verify
    from analysis.archive.baseline import Limits

    return verify.run(roots, baseline, Limits(moved, true), json, update=update, processes=processes)


@app.command()
def report(
    job: JobPath,
    out: Annotated[Path, typer.Option("--out", "-o", metavar="FILE", help="sheet.html or sheet.pdf.")],
    paper: Annotated[Paper, typer.Option(help="Paper size; auto: A4 for metric jobs, Letter for inch ones.")] = Paper.auto,
    force: Force = False,
    json: Json = False,
) -> None:
    """Write the sheet to hand over: verdict, table, curves, clearances and what to change, on one page."""
    from acquire.cli import report

    report.run(job, out, paper.value, json, force=force)


@app.command()
def compare(
    before: Annotated[Path, typer.Argument(metavar="BEFORE", help="The job as it was.")],
    after: Annotated[
        Path, typer.Argument(metavar="AFTER", help="The job measured again, or with the indicator at the other place.")
    ],
    advanced: Annotated[
        float | None,
        typer.Option(
            metavar="DEG",
            min=-90,
            max=90,
            help="Crank degrees it was advanced by; else what BEFORE asks for.",
            show_default=False,
        ),
    ] = None,
    json: Json = False,
) -> int:
    """Hold a re-check against its prediction; or, lifter against valve, work out the rocker ratio over lift."""
    from acquire.cli import compare

    return compare.run(before, after, advanced, json)


@app.command()
def overlay(
    paths: Annotated[
        list[Path],
        typer.Argument(
            metavar="JOB...", help="Jobs, each with all of its sweeps; or a job and those of its captures that count."
        ),
    ],
    against: Annotated[
        Against,
        typer.Option(
            help="What each lobe is held against: the first sweep, the mean of all lobes, the rest of them, or a nominal profile."
        ),
    ] = Against.first,
    nominal: Nominal = None,
    details: Annotated[bool, typer.Option("--details", help="Every sweep with its table, behind the summary.")] = False,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the differences as FILE.html, .svg or .png.", show_default=False)
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write each profile with three derivatives as CSV.", show_default=False),
    ] = None,
    step: Annotated[float, typer.Option(metavar="DEG", min=0.05, max=30, help="With --table: crank degrees a row.")] = 1.0,
    force: Force = False,
    json: Json = False,
) -> int:
    """Compare lobes: which differs from the others, in what, where and by how much. Exit code 0 once that is said."""
    from acquire.cli import overlay

    asked = overlay.Asked(against.value, nominal or (), table, step, plot, details)
    return overlay.run(paths, asked, json, force=force)


@app.command()
def profile(
    job: JobPath,
    nominal: Nominal = None,
    tolerance: Annotated[
        float | None,
        typer.Option(
            metavar="MM", min=0.001, max=5, help="Width of the zone about it (ISO 1101); else the job's.", show_default=False
        ),
    ] = None,
    valve: Annotated[Valve, typer.Option(help="Which lobes are held against it.")] = Valve.both,
    fit_zero: Annotated[bool, typer.Option("--fit-zero", help="Fit the height too, not the angle alone.")] = False,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the deviations as FILE.html, .svg or .png.", show_default=False)
    ] = None,
    table: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the deviations as CSV.", show_default=False)] = None,
    force: Force = False,
    json: Json = False,
) -> int:
    """Hold lobes against their nominal profile. Exit code 0: within, or no tolerance; 1: outside; 2: it cannot be told."""
    from acquire.cli import profile

    only = "" if valve is Valve.both else valve.value
    asked = profile.Asked(nominal or (), tolerance, only, fit_zero, plot, table)
    return profile.run(job, asked, json, force=force)


@app.command()
def repeatability(
    paths: Annotated[list[Path], typer.Argument(metavar="JOB...", help="Jobs, or a job and those of its captures that count.")],
    by: Annotated[By, typer.Option(help="What differs from one group of sweeps to the next.")] = By.setting,
    plot: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Draw the profile's spread as FILE.html, .svg or .png.", show_default=False),
    ] = None,
    table: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write every number of every sweep as CSV.", show_default=False)
    ] = None,
    force: Force = False,
    json: Json = False,
) -> int:
    """Work out how well the numbers repeat, and what the rig takes up of each tolerance. Exit code 0 once that is said."""
    from acquire.cli import repeatability

    return repeatability.run(paths, by.value, plot, table, json, force=force)


@app.command()
def dynamics(
    job: JobPath,
    rpm: Annotated[float, typer.Option(metavar="N", min=1, max=30000, help="Speed of the crank, turns a minute.")],
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the motion as FILE.html, .svg or .png.", show_default=False)
    ] = None,
    table: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the motion as CSV.", show_default=False)] = None,
    force: Force = False,
    json: Json = False,
) -> int:
    """Work out lift, velocity, acceleration and jerk at the valve at a speed, and what the spring has left of its force."""
    from acquire.cli import dynamics

    return dynamics.run(job, rpm, plot, table, json, force=force)


@app.command()
def trend(
    paths: Annotated[list[Path], typer.Argument(metavar="JOB...", help="The jobs of one camshaft, of three dates at least.")],
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw what drifts as FILE.html, .svg or .png.", show_default=False)
    ] = None,
    force: Force = False,
    json: Json = False,
) -> int:
    """Follow the lobes of one camshaft over the dates of its jobs: what drifts, what is wear and what is the set-up."""
    from acquire.cli import trend

    return trend.run(paths, plot, json, force=force)


@app.command()
def simulate(
    scenario: Annotated[str, typer.Option(help="Which rig, by name or as FILE.toml; without it, list those there are.")] = "",
    seed: Seed = None,
    pace: Annotated[float, typer.Option(min=0.1, help="How many times as fast as real time.")] = 1.0,
    fast: Annotated[bool, typer.Option("--fast", help="As fast as the reader takes it.")] = False,
    phases: Annotated[
        str,
        typer.Option(help="Phases to play, e.g. stop,intake,exhaust; one for each connection. -: named on stdin, line by line."),
    ] = "",
    socket: Annotated[bool, typer.Option("--socket", help="Serve on a local TCP port, not on a pseudo-terminal.")] = False,
    truth: Annotated[Path | None, typer.Option(help="Write the simulator's true values to this JSON file.")] = None,
    json: Json = False,
) -> None:
    """Serve a simulated rig and print where it can be reached."""
    from acquire.cli import simulate

    simulate.run(scenario, seed, None if fast else pace, socket, phases, truth, json)


@app.command()
def live(
    job: Annotated[Path | None, typer.Argument(metavar="JOB", help="The job's folder, or its job.toml.")] = None,
    port: Annotated[str, typer.Option(help="Serial port or socket://HOST:PORT; else the job's.")] = "",
    tdc: Annotated[
        Tdc | None, typer.Option(help="How top dead center is found; else by the stop, or as the job gives it.")
    ] = None,
    cylinders: Annotated[
        str, typer.Option(metavar="N,N|all", help="Which cylinders, in firing order; else the job's own.", show_default=False)
    ] = "",
    valves: Annotated[
        str, typer.Option(metavar="VALVES", help="intake, exhaust, or intake,exhaust (as without it).", show_default=False)
    ] = "",
    both: Annotated[bool, typer.Option("--both", help="Two indicators: intake and exhaust in one sweep.")] = False,
    simulate: Annotated[
        bool,
        typer.Option(
            "--simulate", help="On a simulated engine, in simulated-job or a folder named by the rig unless JOB is given."
        ),
    ] = False,
    scenario: Annotated[str, typer.Option(help="With --simulate: which rig, by name or as FILE.toml.")] = "workshop",
    seed: Seed = None,
    pace: Annotated[float, typer.Option(min=0.1, help="With --simulate: how many times as fast as real time.")] = 1.0,
    screen: SecondScreen = "",
    light: Light = False,
    no_bell: Quiet = False,
) -> None:
    """Measure on the live screen, guided step by step. Quit and come back: it goes on where it was. Without a job, set one up
    first.
    """
    from acquire.cli import live

    rig = scenario if simulate else ""
    found_by, bell = tdc.value if tdc else "", not no_bell
    what = {"cylinders": cylinders, "valves": valves}
    live.run(job, port, found_by, rig, seed, both=both, pace=pace, screen=screen, light=light, bell=bell, **what)


@app.command()
def replay(
    capture: Annotated[Path, typer.Argument(metavar="CAPTURE", help="A recorded capture.")],
    job: Annotated[Path | None, typer.Option(help="Its job; else the folder that it lies in.")] = None,
    speed: Annotated[float, typer.Option(min=0.1, help="How many times as fast as it was recorded.")] = 1.0,
    screen: SecondScreen = "",
    light: Light = False,
    no_bell: Quiet = False,
) -> None:
    """Play a recorded capture on the live screen."""
    from acquire.cli import replay

    replay.run(capture, job, speed, screen=screen, light=light, bell=not no_bell)


@app.command()
def demo(
    folder: Annotated[
        Path | None, typer.Option(help="The job's folder, without a job yet; else demo-job, demo-job-2 and so on.")
    ] = None,
    wrong: Annotated[
        bool, typer.Option("--wrong", help="With the camshaft a tooth late and lash that was forgotten: what is said of it.")
    ] = False,
    seed: Seed = None,
    json: Json = False,
) -> None:
    """Do the whole job on a simulated rig: record, analyze, and compare the sheet with what the simulator knows."""
    from acquire.cli import demo

    demo.run(folder, seed, json, wrong=wrong)


def run(arguments: Sequence[str]) -> int:
    """Run the command and return its exit code; every expected failure is one sentence on stderr."""
    try:
        asked, often = verbose.asked_for(crash.asked_for(second_screen.asked_for(arguments)))
        with verbose.said(often):
            code = _app_for(asked)(asked or ["--help"], prog_name="lobetrace", standalone_mode=False)
    except LobetraceError as error:
        return _cannot_tell(str(error))
    except (KeyboardInterrupt, typer.Abort):
        code = _BY_THE_KEYBOARD
    except BrokenPipeError:  # whoever read our output has gone, e.g. `| head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return CANNOT_TELL
    except Exception as error:
        # An error of use. The base class moved between versions of typer, so it is known by what it can do.
        if not hasattr(error, "format_message"):
            return _cannot_tell(crash.told(error, f"at {' '.join(map(shown, arguments))!r}"))
        sentence = " ".join(error.format_message().replace("Value error, ", "").split()).rstrip(".")
        command = getattr(getattr(error, "ctx", None), "command_path", "lobetrace")
        return _cannot_tell(f"{'' if command == 'lobetrace' else f'{command}: '}{sentence}. Try: {command} --help")
    if code == _BY_THE_KEYBOARD and not isinstance(code, crash.Signalled):
        return _cannot_tell("Ended by the keyboard before it was done.")
    return code if isinstance(code, int) else 0


def _app_for(arguments: Sequence[str]) -> typer.Typer:
    """Only the command that is asked for, if its name is the first word: to declare them all takes as long as to measure a lobe."""
    asked = [
        each for each in app.registered_commands if each.callback is not None and [each.callback.__name__] == [*arguments[:1]]
    ]
    if not asked:
        return app
    alone = copy(app)
    alone.registered_commands = asked
    return alone


def _cannot_tell(sentence: str) -> int:
    if sys.stderr is not None:
        with suppress(OSError, ValueError):
            print(harmless(sentence), file=sys.stderr)
    return CANNOT_TELL


def main() -> None:
    """Entry point of the `lobetrace` script."""
    sys.exit(run(sys.argv[1:]))
