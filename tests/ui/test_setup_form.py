"""The set-up form as a person uses it: keys in, lines out, and the job that comes of it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from rich.cells import cell_len
from textual.events import Key
from textual.pilot import Pilot

from acquire.dashboard.form import SetupForm
from acquire.dashboard.form_lines import FormLine, drawn, hint
from acquire.dashboard.lines import Lines
from acquire.procedure.session import Plan, places
from acquire.procedure.steps import STEPS, STOP
from analysis.base.errors import UsageError
from analysis.job import Job, entry, load_job, parse_job
from analysis.job.folder import make_job
from analysis.job.template import template
from analysis.job.write import written_job
from tests.left_out import thorough

MOST_PRESSES = 25  # beyond typed values, from `new` to the first recorded contact with a card of six lines
ENTER_COMMAND = 1  # the press that ends a typed command


class Person:
    """Types values, and counts every other key."""

    def __init__(self, app: SetupForm, pilot: Pilot[Path | None]) -> None:
        self.app, self._pilot, self.presses = app, pilot, 0

    async def types(self, text: str) -> None:
        """As fast as a scanner: the pilot's own waiting for each key takes most of a second for a word."""
        for c in text:
            self.app.post_message(Key("space" if c == " " else c, c))
        await self._pilot.pause()

    async def presses_key(self, *keys: str) -> None:
        """All at once, as from a terminal that was busy: the pilot would wait for each."""
        self.presses += len(keys)
        for key in keys:
            self.app.post_message(Key(key, None))
        await self._pilot.pause()

    async def resized(self, width: int, height: int) -> None:
        await self._pilot.resize_terminal(width, height)
        await self._pilot.pause()

    async def clicks(self, x: int, y: int) -> None:
        await self._pilot.click("#body", offset=(x, y))
        await self._pilot.pause()

    async def enters(self, *values: str) -> None:
        """Values, each with Enter behind it."""
        for value in values:
            await self.types(value)
            await self.presses_key("enter")

    @property
    def at(self) -> str:
        return self.app.at

    def said(self) -> str:
        return self.app.query_one("#said", Lines).text()

    def shown(self, name: str) -> str:
        """What stands in a cell: its text, or what an empty one shows."""
        return self.app.texts.get(name) or hint(self.app.cell(name), self.app.judged)

    async def goes_to(self, name: str) -> None:
        """Tab until the cell is in hand."""
        for _ in range(200):
            if self.at == name:
                return
            await self.app.action_cell(1)
        raise AssertionError(f"{name} is not reached")


def make(folder: Path, job: Job) -> Path:
    return make_job(folder, written_job(job))


@asynccontextmanager
async def form(
    folder: Path | None, *, units: entry.Units = "mm", like: Job | None = None, boards: Sequence[tuple[str, str]] = ()
) -> AsyncIterator[Person]:
    async def find() -> Sequence[tuple[str, str]]:
        return boards

    texts, rest = entry.like(like, units) if like else (entry.blank(units), {})
    copied = frozenset(name for name, text in texts.items() if text) if like else frozenset()
    app = SetupForm(texts, make, find, folder=folder, rest=rest, settled=copied)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        yield Person(app, pilot)


async def test_from_new_to_the_first_contact_takes_few_key_presses(tmp_path: Path) -> None:
    async with form(tmp_path / "job") as person:
        await person.presses_key("pagedown")
        await person.enters("launch four", "4", "86", "86", "145")
        await person.enters("/dev/ttyACM0", "", "1.5", "0.2")  # port, where the indicator stands, ratio, lash
        await person.enters("108", "106")  # lobe separation angle, intake centerline
        await person.enters("7.1", "7.2", "0.25", "0.3", "1.27", "220")  # lobe lifts, lash, a checking lift, durations
        await person.types("224")
        await person.presses_key("f2")
    presses = ENTER_COMMAND + person.presses  # lobetrace new job
    presses += ENTER_COMMAND  # lobetrace live job
    order = places(Plan())
    presses += sum(STEPS[place.step].asks for place in order[: 1 + [place.step for place in order].index(STOP)])
    assert presses <= MOST_PRESSES
    job = load_job(tmp_path / "job")
    assert (job.engine.stroke_mm, job.engine.firing_order, job.rig.port, job.rig.lash_mm) == (
        86.0,
        (1, 3, 4, 2),
        "/dev/ttyACM0",
        0.2,
    )
    card = job.specification
    assert (card.cam.separation_deg, card.intake.centerline_deg, card.exhaust.centerline_deg) == (108.0, 106.0, None)
    assert (card.intake.lobe_lift_mm, card.exhaust.lash_mm) == (7.1, 0.3)
    assert [(each.lift_mm, each.deg) for each in (*card.intake.duration, *card.exhaust.duration)] == [
        (1.27, 220.0),
        (1.27, 224.0),
    ]


async def test_keys_that_come_all_at_once_land_in_their_own_lines(tmp_path: Path) -> None:
    """A scanner types faster than lines are judged: Enter must not overtake what was typed before it."""
    async with form(tmp_path / "job") as person:
        await person.presses_key("pagedown")
        await person.types("x")
        keys = [key for value in ("launch", "4", "86", "86.5", "145") for key in (*value, "enter")]
        for key in keys:
            person.app.post_message(Key(key, None if key == "enter" else key))
        for _ in range(50):
            await asyncio.sleep(0)
        await person.presses_key("up")
        names = ("name", "cylinders", "firing_order", "bore_mm", "stroke_mm", "rod_mm")
        assert [person.app.texts.get(f"engine.{name}", "") for name in names] == ["xlaunch", "4", "", "86", "86.5", "145"]


async def test_a_wrong_value_is_said_at_once_in_the_words_of_job_toml(tmp_path: Path) -> None:
    async with form(tmp_path / "job") as person:
        await person.presses_key("pagedown")
        await person.enters("four", "4", "86")
        await person.types("3.5")
        with pytest.raises(UsageError) as refused:
            parse_job(template().replace("stroke_mm = 86.0", "stroke_mm = 3.5"))
        assert person.at == "engine.stroke_mm"
        assert f"{refused.value.what}. {refused.value.do}." in " ".join(person.said().split())
        await person.presses_key("home")
        await person.types("8")
        assert "outside" not in person.said(), "83.5 mm is a stroke"


async def test_what_follows_is_shown_and_passed_by(tmp_path: Path) -> None:
    async with form(tmp_path / "job") as person:
        await person.presses_key("pagedown", "pagedown", "pagedown")
        await person.enters("110", "106")
        assert person.at == "specification.intake.lobe_lift_mm", "the rest of the centerlines follows"
        assert person.shown("specification.cam.advance_deg") == "= 4.0"
        assert person.shown("specification.exhaust.centerline_deg") == "= 114.0"
        await person.presses_key("up")
        await person.types("1")
        assert "the rest of the cam card, which makes it 4.0" in " ".join(person.said().split())


async def test_events_give_duration_and_centerline(tmp_path: Path) -> None:
    async with form(tmp_path / "job") as person:
        for name, text in {"lift_mm": "1.27", "intake.opens_btdc_deg": "4", "intake.closes_abdc_deg": "40"}.items():
            await person.goes_to(f"card.0.{name}")
            await person.types(text)
        await person.presses_key("down")
        assert person.shown("card.0.intake.deg") == "= 224.0"
        assert person.shown("specification.intake.centerline_deg") == "≈ 108.0", "if the lobe is symmetric"


async def test_one_unit_holds_for_everything(tmp_path: Path) -> None:
    async with form(tmp_path / "job") as person:
        await person.types("i")
        await person.presses_key("pagedown")
        await person.enters("four", "4", "3 1/2", "3.48")
        await person.types("5.7")
        assert person.shown("specification.tolerance.lift_mm") == "0.004"
        assert person.shown("measure.checking_lifts_mm") == "0.006 0.020 0.040 0.050"
        await person.presses_key("f2")
    text = (tmp_path / "job" / "job.toml").read_text(encoding="utf-8")
    for line in ("bore_in = 3.500", "stroke_in = 3.480", "intake_limit_in = 0.080", 'units = "in"'):
        assert f"\n{line} " in text
    assert "_mm = " not in text


async def test_saving_goes_to_what_is_still_needed(tmp_path: Path) -> None:
    async with form(tmp_path / "job") as person:
        await person.presses_key("f2")
        assert person.at == "engine.cylinders"
        assert not (tmp_path / "job").exists()
        assert "5 lines to fill in" in person.app.query_one("#head", Lines).text()


async def test_leaving_asks_once_where_something_was_entered(tmp_path: Path) -> None:
    async with form(tmp_path / "job") as person:
        await person.presses_key("pagedown")
        await person.types("a")
        await person.presses_key("escape")
        assert "Nothing is saved yet" in person.said()
        await person.presses_key("escape")
    assert person.app.return_value is None
    assert not (tmp_path / "job").exists()


async def test_a_folder_that_has_a_job_is_said_and_nothing_typed_is_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # a long path would push what is said out of the line
    like = parse_job(template())
    make(tmp_path / "job", like)
    async with form(None, like=like) as person:
        await person.types("job")
        await person.presses_key("f2")
        assert "not overwritten" in " ".join(person.said().split())
        await person.types("2")
        await person.presses_key("f2")
    assert person.app.return_value == Path("job2")
    assert load_job(tmp_path / "job2").engine == like.engine


async def test_a_copied_job_asks_only_what_is_new(tmp_path: Path) -> None:
    text = template().replace('customer = ""', 'customer = "somebody else"').replace("# tdc_count = 0.0 ", "tdc_count = 12.0 ")
    like = parse_job(text.replace("intake_limit_mm = 2.0", "intake_limit_mm = 2.3"))
    async with form(tmp_path / "job", like=like) as person:
        await person.presses_key("f2")
    made = load_job(tmp_path / "job")
    assert (made.engine, made.specification, made.clearance) == (like.engine, like.specification, like.clearance)
    assert made.record.customer == "", "who it is for is not copied"
    assert made.rig.tdc_count is None, "nor where top dead center was found"
    assert made.rig.model_copy(update={"tdc_count": 12.0}) == like.rig


@pytest.mark.parametrize(
    ("boards", "port", "said"),
    [
        ([("/dev/ttyACM0", "bench")], "/dev/ttyACM0", "A board answers at /dev/ttyACM0 (bench): the port is filled in."),
        ([("/dev/ttyACM0", "a"), ("/dev/ttyACM1", "b")], "", "A board answers at: /dev/ttyACM0, /dev/ttyACM1."),
        ([], "", "No board answers."),
    ],
)
async def test_the_port_is_found_where_one_board_answers(
    boards: Sequence[tuple[str, str]], port: str, said: str, tmp_path: Path
) -> None:
    async with form(tmp_path / "job", boards=boards) as person:
        await person.presses_key("down")
        assert person.app.texts.get(entry.PORT, "") == port
        assert said in " ".join(person.said().split())


async def test_checking_lifts_are_offered_one_after_the_other(tmp_path: Path) -> None:
    async with form(tmp_path / "job") as person:
        await person.goes_to("card.0.lift_mm")
        with pytest.raises(StopIteration):
            person.app.cell("card.1.lift_mm")
        await person.types("0.15")
        await person.goes_to("card.1.lift_mm")


@pytest.mark.parametrize("units", ["mm", "in"])
def test_every_line_fits_eighty_columns(units: entry.Units) -> None:
    texts = entry.blank(units) | {f"card.{n}.lift_mm": "1" for n in range(3)}
    lines = [FormLine(group, row) for group in entry.groups(texts) for row in (None, *group.rows)]
    for written in (texts, {name: "9" * 60 for line in lines for name in line.names}):
        for line in lines:
            text = "".join(piece for piece, _ in drawn(line, written, entry.judged(texts), ""))
            assert cell_len(text.rstrip()) < 80, "the last column is the scroll bar's"


@pytest.mark.parametrize("size", [(20, 4), *thorough(((30, 8),), ((200, 60),))])
async def test_no_size_of_the_window_is_too_much_for_it(size: tuple[int, int], tmp_path: Path) -> None:
    async with form(tmp_path / "job") as person:
        await person.resized(*size)
        await person.presses_key(
            "pagedown", "enter", "down", "pagedown", "pagedown", "pagedown", "pageup", "tab", "shift+tab", "up"
        )
        at = person.at
        await person.resized(80, 24)
        assert person.at == at
        await person.presses_key("pageup", "pageup", "pageup", "pageup", "pageup")
        await person.clicks(35, 3)
        assert person.at == "record.operator", "the third line below its heading"
