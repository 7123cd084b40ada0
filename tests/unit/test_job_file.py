"""job.toml: what it accepts, and the sentence for each thing that it does not."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.base.errors import UsageError
from analysis.job import Job, load_job, parse_job

ENGINE = """format = 1
[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]
bore_mm = 86
stroke_mm = 86
rod_mm = 150
"""


def refused(text: str) -> str:
    with pytest.raises(UsageError) as caught:
        parse_job(text)
    return str(caught.value)


def test_what_is_left_out_has_its_default() -> None:
    job = parse_job(ENGINE)
    assert job.engine.stroke_mm == 86.0
    assert (job.rig.baud, job.rig.direction, job.rig.rocker_ratio, job.rig.slack_allowance_deg) == (115200, "auto", 1.0, 5.0)
    assert job.measure.checking_lifts_mm == (0.15, 0.5, 1.0, 1.27)
    assert job.rig.stop_depth_mm is None


def test_an_inch_is_exactly_25_4_millimetres() -> None:
    # International yard and pound agreement, 1959: 1 in = 25.4 mm exactly.
    job = parse_job(ENGINE.replace("stroke_mm = 86", "stroke_in = 3.5") + "[measure]\nchecking_lifts_in = [0.006, 0.05]")
    assert job.engine.stroke_mm == 88.9
    assert job.measure.checking_lifts_mm == pytest.approx((0.1524, 1.27), abs=1e-12)


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ("stroke_mm = 86", "stroke_mm = 3.5", 6, "stroke_mm = 3.5 is outside 20 to 400. If it is inches write stroke_in = 3.5"),
        ("stroke_mm = 86", "stroke_in = 86", 6, "If it is millimetres write stroke_mm = 86"),
        ("stroke_mm = 86", "stroke_cm = 8.6", 6, "no key 'stroke_cm'. Write stroke_mm or stroke_in"),
        ("stroke_mm = 86", "stroke = 86", 6, "no key 'stroke'. Write stroke_mm or stroke_in"),
        ("stroke_mm = 86", "strok_mm = 86", 6, "Did you mean stroke_mm?"),
        ("stroke_mm = 86", "", 2, "stroke_mm (or stroke_in) is missing in [engine]"),
        ("stroke_mm = 86", "stroke_mm = 86\nstroke_in = 3.4", 2, "stroke_in and stroke_mm are both given"),
        ("stroke_mm = 86", 'stroke_mm = "86"', 6, 'stroke_mm = "86" does not fit'),
        ("stroke_mm = 86", "stroke_mm = true", 6, "stroke_mm = true does not fit"),
        ("stroke_mm = 86", "stroke_mm = nan", 6, "stroke_mm = nan"),
        ("stroke_mm = 86", "stroke_in = inf", 6, "stroke_in = inf"),
        ("stroke_mm = 86", f"stroke_in = {10**309}", 6, "stroke_in = "),
        ("stroke_mm = 86", f"stroke_mm = {10**309}", 6, "stroke_mm = "),
        ("rod_mm = 150", "rod_mm = 45", 2, "rod_mm = 45 is too short"),
        ("rod_mm = 150", "rod_in = 1.8", 2, "rod_in = 1.8 is too short"),
        ("[1, 3, 4, 2]", "[1, 3, 4]", 2, "firing_order must name each of the cylinders 1 to 4 once"),
        ("format = 1", "format = 2", 1, "format = 2 is not known"),
        ("format = 1", "format = ", 0, "not valid TOML"),
        ("stroke_mm = 86", "stroke_mm = 86\nstroke_mm = 87", 0, "a key is given twice (at line 7"),
    ],
)
def test_a_wrong_line_is_named_with_what_to_write(old: str, new: str, line: int, says: str) -> None:
    sentence = refused(ENGINE.replace(old, new))
    assert says in sentence
    assert sentence.startswith(f"job.toml, line {line}:" if line else "job.toml:")


@pytest.mark.parametrize(
    ("tail", "line", "says"),
    [
        ("[rig]\ndirection = 'clockwise'", 9, "Write one of: 'auto', 'up' or 'down'"),
        ("[rig]\nindicator_sign = 0", 9, "indicator_sign = 0"),
        ("[rig]\nrocker_ratio = 16", 9, "rocker_ratio = 16 is outside 0.8 to 3"),
        ("[rig]\nlash_in = 0.25", 9, "lash_in = 0.25 is outside 0 to 0.07874. If it is millimetres write lash_mm = 0.25"),
        ("[measure]\nchecking_lifts_in = [0.05, 1.27]", 9, "If it is millimetres write checking_lifts_mm = 1.27"),
        ("[measure]\nchecking_lifts_mm = 1.27", 9, "Put it in brackets, with commas between several: checking_lifts_mm = [1.27]"),
        ("[measure]\nchecking_lifts_mm = []", 9, "at least one value"),
        ("[measure]\nchecking_lifts_mm = [1, 1]", 9, "none twice"),
        ("[measure]\ncylinder = 5", 0, "measure.cylinder = 5, but the engine has 4"),
        ("[mesure]\ncylinder = 1", 8, "no key 'mesure'. Did you mean measure?"),
        ("[specification]\nintake = 3", 9, "intake is a table, not a value"),
        ("[specification.cam]\nseparation_deg = 220", 9, "separation_deg = 220 is outside 80 to 140"),
    ],
)
def test_a_wrong_table_is_named_with_what_to_write(tail: str, line: int, says: str) -> None:
    sentence = refused(ENGINE + tail)
    assert says in sentence
    assert sentence.startswith(f"job.toml, line {line}:" if line else "job.toml:")


def test_the_second_of_two_tables_is_the_one_named() -> None:
    good = "[[specification.intake.duration]]\nlift_mm = 1\ndeg = 240\n"
    assert refused(ENGINE + good + good.replace("240", "940")).startswith("job.toml, line 13: deg = 940")


# Khurmi-style and eight-cylinder cases: SAE-style sums duration = IVO + 180 + IVC, EVO + 180 + EVC (common practice).
@pytest.mark.parametrize(
    ("valve", "opens", "closes", "deg", "signed"),
    [
        ("intake", "opens_btdc_deg = 15", "closes_abdc_deg = 50", 245, (-15.0, 230.0)),
        ("exhaust", "opens_bbdc_deg = 65", "closes_atdc_deg = 15", 260, (-245.0, 15.0)),
        ("intake", "opens_btdc_deg = -5", "closes_abdc_deg = 30", 205, (5.0, 210.0)),
    ],
)
def test_what_the_maker_says_becomes_signed_angles(
    valve: str, opens: str, closes: str, deg: float, signed: tuple[float, float]
) -> None:
    text = f"{ENGINE}[[specification.{valve}.duration]]\nlift_mm = 1\ndeg = {deg}\n{opens}\n{closes}\n"
    (row,) = getattr(parse_job(text).specification, valve).duration
    assert (row.opens, row.closes) == signed
    assert f"they make {deg}" in refused(text.replace(f"\ndeg = {deg}", f"\ndeg = {deg + 2}"))
    # Common practice: 17 BTDC and 42 ABDC make 239, and a card that says 240 is fine.
    (rounded,) = getattr(parse_job(text.replace(f"\ndeg = {deg}", f"\ndeg = {deg + 1}")).specification, valve).duration
    assert rounded.deg == deg + 1
    (unsaid,) = getattr(parse_job(text.replace(f"\ndeg = {deg}", "")).specification, valve).duration
    assert unsaid.deg == deg


def test_a_job_is_found_by_its_folder_and_a_missing_one_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no job file") as caught:
        load_job(tmp_path)
    assert "lobetrace new" in str(caught.value)
    (tmp_path / "job.toml").write_text(ENGINE, encoding="utf-8")
    assert load_job(tmp_path) == load_job(tmp_path / "job.toml") == parse_job(ENGINE)
    (tmp_path / "job.toml").write_text(ENGINE, encoding="utf-8-sig")
    assert load_job(tmp_path) == parse_job(ENGINE)  # as an editor of Windows saves it
    (tmp_path / "job.toml").write_bytes(b"format = 1\nname = 'M\xfcller'")
    with pytest.raises(UsageError, match=r"job\.toml, line 2: this is not UTF-8 text"):
        load_job(tmp_path)
    (tmp_path / "job.toml").unlink()
    (tmp_path / "job.toml").mkdir()
    with pytest.raises(UsageError, match=r"job\.toml: the job file cannot be read \(\w[\w, ]+\)"):
        load_job(tmp_path)


@given(
    key=st.sampled_from(["cylinders", "firing_order", "bore_mm", "stroke_in", "name", "[rig]", "[[engine]]", "[measure.x]"]),
    value=st.one_of(st.integers(), st.floats(), st.text(alphabet="abc'\"[]{}=#\n.1", max_size=8), st.booleans()),
)
def test_any_line_is_a_job_or_a_sentence(key: str, value: object) -> None:
    text = f"{ENGINE}{key} = {value}\n"
    try:
        job = parse_job(text)
    except UsageError:
        assert refused(text).startswith("job.toml")
    else:
        assert isinstance(job, Job)
